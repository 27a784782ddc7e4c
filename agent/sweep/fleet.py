"""What is known of all printers, in memory: who they are, what they last said, and what that means.

This is the "think" stage. It is fed readings and failures, and gives contacts for the store and views for judging.
It touches no network and no store: a printer that needs an id is handed out as a newcomer, and comes back numbered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from types import MappingProxyType

from agent.insight.counters import judge as judge_counters
from agent.insight.counters import restarted
from agent.insight.identity import NOT_SAVED, Known, Recognition, recognise, recognise_all
from agent.model.contact import Contact, ContactState
from agent.model.fleet import CountPoint, Finding, LedgerEntry, Printer, PrinterView
from agent.model.reading import Reading
from agent.sweep.station import Station, Stop

Think = Callable[[PrinterView | None, Reading], Sequence[Finding]]
"""What else there is to notice when a printer's last view and a new reading are put side by side."""


def nothing(_before: PrinterView | None, _reading: Reading) -> Sequence[Finding]:
    """Notice nothing."""
    return ()


@dataclass(slots=True)
class Waiting:
    """The readings of one sweep: those whose printer stands where it stood, and those to be recognised together."""

    settled: list[Reading] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    stations: list[Station] = field(default_factory=list)  # where each of ``readings`` was met


class Fleet:
    """All printers known, and the last view of each.

    ``printers``: as the store has them. ``latest``: the last reading of each; ``states``: its run of contact.
    ``ledger``: the ``doubled`` entries, which say where one printer answers twice.
    """

    def __init__(
        self,
        printers: Iterable[Printer] = (),
        latest: Mapping[int, Reading] = MappingProxyType({}),
        states: Mapping[int, ContactState] = MappingProxyType({}),
        ledger: Iterable[LedgerEntry] = (),
        *,
        think: Think = nothing,
    ) -> None:
        self.known = Known.of(printers, ledger)
        self._known_then = self.known
        self.views: dict[int, PrinterView] = {}
        self._counts: dict[int, Mapping[str, CountPoint]] = {}  # where the last reading in ``views`` does not tell them
        self._think = think
        for printer in self.known.printers.values():
            state, reading = states.get(printer.id), latest.get(printer.id)
            if state is None or printer.retired is not None:
                continue
            self.views[printer.id] = PrinterView(printer, reading, state.reachable, state.since)
            if reading is not None:
                met = max(reading.at, state.answered or reading.at)
                self._counts[printer.id] = _counts(reading, met)

    @property
    def watched(self) -> frozenset[int]:
        """The ids of the printers that are watched now."""
        return frozenset(self.views)

    def by_address(self) -> dict[str, frozenset[int]]:
        """The ids of the printers watched, by the address (in lower case) where each was last met."""
        made: dict[str, set[int]] = {}
        for view in self.views.values():
            made.setdefault(view.printer.address.casefold(), set()).add(view.printer.id)
        return {address: frozenset(ids) for address, ids in made.items()}

    def views_of(self, ids: Iterable[int] | None = None) -> list[PrinterView]:
        """The views of these printers, of all without ``ids``."""
        if ids is None:
            return list(self.views.values())
        return [self.views[one] for one in ids if one in self.views]

    # --- readings ------------------------------------------------------------------------------------------------

    def absorb(self, station: Station, reading: Reading) -> Contact | None:
        """Take in a reading of a printer that stands where it stood. None: it has to be recognised with the others."""
        found = recognise(reading, self.known)
        if found.event != "known" or found.save or not found.record or found.displaced:
            return None
        dressed = dress(found.printer, station.stop)
        return None if dressed != found.printer else self._take(found)

    def recognise_together(self, waiting: Waiting) -> list[Recognition]:
        """Recognise what ``absorb`` left, in the light of every reading of the sweep; dressed as the settings say."""
        result = recognise_all(waiting.readings, self.known, settled=waiting.settled)
        # Only what the store has saved is known: until then the next sweep must see the same changes again.
        self._known_then = result.known
        found = []
        for one, station in zip(result.recognitions, waiting.stations, strict=True):
            dressed = dress(one.printer, station.stop) if one.record else one.printer
            found.append(replace(one, printer=dressed, save=one.save or dressed != one.printer))
        return found

    def settle(self, found: Sequence[Recognition]) -> tuple[list[Contact], list[LedgerEntry]]:
        """Take in recognitions whose printers the store has saved (and numbered).

        Gives the contacts, and what the ledger says about readings that are not recorded themselves.
        """
        saved = [one for each in found for one in (each.printer, *each.displaced) if one.id != NOT_SAVED]
        self.known = self._known_then.having(saved)
        for each in found:
            for gone in each.displaced:
                self._leave(gone.id)
        contacts = [self._take(one) for one in found if one.record]
        aside = [entry for one in found if not one.record for entry in one.ledger if entry.printer_id != NOT_SAVED]
        return contacts, aside

    def _take(self, found: Recognition) -> Contact:
        reading, printer = found.reading, found.printer
        before = self.views.get(printer.id)
        uptime_reset = False
        if before is not None and before.reading is not None:
            old = before.reading
            uptime_reset = restarted(old.system.uptime, old.at, reading.system.uptime, reading.at)
        counts = self._counts.pop(printer.id, None)
        if counts is None and before is not None and before.reading is not None:
            counts = _counts(before.reading, before.reading.at)
        verdict = judge_counters(counts or {}, reading, uptime_reset=uptime_reset)
        noticed = (*verdict.findings, *self._think(before, reading))
        since = before.since if before is not None and before.reachable else reading.at
        self.views[printer.id] = PrinterView(printer, reading, True, since, (*found.findings, *noticed))
        ledger = found.ledger
        if noticed:
            ledger = (*ledger, *(_entry(one, printer.id) for one in noticed))
        return Contact(reading.at, printer.id, True, reading, ledger=ledger)

    # --- failures ------------------------------------------------------------------------------------------------

    def failed(self, ids: Iterable[int], at: datetime, reason: str, text: str) -> list[Contact]:
        """No answer from these printers."""
        made = []
        for one in ids:
            before = self.views.get(one)
            printer = before.printer if before is not None else self.known.printers.get(one)
            if printer is None:
                continue
            since = before.since if before is not None and not before.reachable else at
            self.views[one] = PrinterView(printer, before.reading if before else None, False, since)
            made.append(Contact(at, one, False, failure=reason, error=text))
        return made

    def stand_in(self, station: Station) -> Printer | None:
        """A printer for a listed address that has never answered, so that its silence can be told; else None."""
        stop = station.stop
        if not stop.expected or self.known.at((stop.peer.address.casefold(), stop.device or 1)) is not None:
            return None
        bare = Printer(NOT_SAVED, stop.name or stop.peer.address, stop.peer.address, stop.device or 1)
        return dress(bare, stop)

    def enlist(self, printer: Printer) -> None:
        """Know a printer that the store has saved."""
        self.known = self.known.having((printer,))

    def unwatch(self, ids: Iterable[int]) -> None:
        """These are no longer in the settings."""
        for one in ids:
            self._leave(one)

    def _leave(self, printer_id: int) -> None:
        """Its counters go on from where they stood if it is met again."""
        gone = self.views.pop(printer_id, None)
        if gone is not None and gone.reading is not None:
            self._counts.setdefault(printer_id, _counts(gone.reading, gone.reading.at))


def _counts(reading: Reading, at: datetime) -> Mapping[str, CountPoint]:
    return {one.name: CountPoint(at, one.value) for one in reading.counters}


def dress(printer: Printer, stop: Stop) -> Printer:
    """The printer with the name, place and tags that the settings give it. Without a name there it keeps its own.

    Where one entry with a name stands for several printers behind an address, the further ones get their number.
    """
    name = printer.name
    if stop.name:
        alone = stop.device is not None or printer.device_index == 1
        name = stop.name if alone else f"{stop.name} ({printer.device_index})"
    if printer.name == name and printer.place == stop.place and printer.tags == stop.tags:
        return printer
    return replace(printer, name=name, place=stop.place, tags=stop.tags)


def _entry(finding: Finding, printer_id: int) -> LedgerEntry:
    return LedgerEntry(finding.at, finding.kind, finding.text, printer_id, subject=finding.subject, data=finding.data)
