"""Which printer it was that answered: by its serial number, else its MAC address, else where it was met.

The same serial number at a new address: the printer moved, and its history follows. A new serial number at an old
address: the printer was exchanged, and a new history starts. What makes this hard is kept here:

* Serial numbers that are none (see ``evidence.usable_serial``), and good ones that two printers share.
* A sweep must be judged as a whole (``recognise_all``): only then can two printers that changed places, or a whole
  range whose addresses were dealt out afresh, be told from printers that vanished; and only then is it seen that one
  serial number answers at two addresses at once. Such a pair is either one printer with two interfaces (``doubled``:
  the second answer is not recorded, and the printer does not seem to move to and fro) or two printers with the same
  serial number (``serialShared``: then each is known by its MAC address or its place).
* A printer that says its serial number only later, or for a while not at all, is still the same printer.
* One address may hold several printers (hrDeviceIndex 1, 2 ...), often with one MAC address and one serial number.

A printer whose place another one has taken, and which was met nowhere else, is marked retired: nothing asks it any
more. It is known again, with its history, as soon as it is met anywhere. What cannot be told apart: two printers that
show neither serial number nor MAC address, are of one model, and change places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from agent.insight.evidence import models_differ, one_device, usable_mac
from agent.insight.known import NOT_SAVED, Known, Recognition, serial_of, spot_of
from agent.model.fleet import Finding, LedgerEntry, Printer, Scalar
from agent.model.reading import Reading


@dataclass(frozen=True, slots=True)
class Recognised:
    """One recognition for each reading, in the same order, and what is known now.

    New printers are not in ``known`` yet: save them, then ``known.having(saved)``.
    """

    recognitions: tuple[Recognition, ...]
    known: Known


def recognise(reading: Reading, known: Known) -> Recognition:
    """Recognise a single reading. Only the event ``known`` is sure without the rest of the sweep.

    Any other may turn out differently in ``recognise_all``: see the top of this module.
    """
    return recognise_all((reading,), known).recognitions[0]


def recognise_all(readings: Sequence[Reading], known: Known, settled: Sequence[Reading] = ()) -> Recognised:
    """Recognise all readings of one sweep together. The order of the readings decides only between equals.

    ``settled``: readings of the same sweep that ``recognise`` found to be ``known``. They get no recognition any more,
    but without them a printer that answers at two addresses would seem to move to and fro.
    """
    match = _Match((*settled, *readings), known)
    found: list[Recognition] = []
    fresh: dict[str, Recognition] = {}
    for reading, owner in zip(readings, match.owners[len(settled) :], strict=True):
        told = _told(reading, owner, match, fresh)
        found.append(told)
        if told.record and (serial := serial_of(told.printer)) and told.event in {"new", "exchanged", "named"}:
            fresh.setdefault(serial, told)
    changed = [one.printer for one in found if one.save and one.printer.id != NOT_SAVED]
    changed += [gone for one in found for gone in one.displaced]
    if changed or match.doubles != known.doubles:
        known = known.having(changed, match.doubles)
    return Recognised(tuple(found), known)


@dataclass(frozen=True, slots=True)
class _Owner:
    """Whose a reading is. ``first``: the reading that has been taken already, where this one is its double."""

    printer: Printer
    first: Reading | None = None
    stays: bool = False


class _Match:
    """Deals the readings of one sweep out to the known printers: the surest matches first, each printer once."""

    def __init__(self, readings: Sequence[Reading], known: Known) -> None:
        self.readings = readings
        self.known = known
        self.owners: list[_Owner | None] = [None] * len(readings)
        self.claimed: dict[int, Reading] = {}  # printer id -> the reading that is of it
        self.doubles = dict(known.doubles)
        waiting = list(range(len(readings)))
        for by in (self.stayed, self.by_serial, self.by_mac, self.by_place):
            waiting = [at for at in waiting if not by(at, readings[at])]
        for at in waiting:
            self.doubles.pop(spot_of(readings[at]), None)

    def stayed(self, at: int, reading: Reading) -> bool:
        """The printer of this place says its own serial number: nothing to ask."""
        here = self.known.at(spot_of(reading))
        serial = serial_of(reading)
        if here is None or not serial or serial_of(here) != serial:
            return False
        if here.id in self.claimed:  # The same place was read twice.
            return self.double(at, here, self.claimed[here.id])
        if len(self.known.with_serial(serial)) > 1 and self.macs_differ(here, reading):
            return False
        return self.claim(at, here)

    def by_serial(self, at: int, reading: Reading) -> bool:
        serial = serial_of(reading)
        owners = self.known.with_serial(serial) if serial else ()
        if len(owners) > 1:
            # A shared serial number names nobody; together with the MAC address, or as a part of one device, it may.
            mac = usable_mac(reading.mac)
            likely = [one for one in owners if mac and usable_mac(one.mac) == mac]
            if not likely and len({spot_of(one)[0] for one in owners}) == 1:
                likely = list(owners)
            free = [one for one in likely if one.id not in self.claimed and one.device_index == reading.device_index]
            if len(free) == 1:
                return self.claim(at, free[0])
            return any(one.device_index == reading.device_index and self.second_answer(at, one) for one in owners)
        if not owners:
            return False
        return self.claim(at, owners[0]) if owners[0].id not in self.claimed else self.second_answer(at, owners[0])

    def by_mac(self, at: int, reading: Reading) -> bool:
        mac = usable_mac(reading.mac)
        owners = self.known.with_mac(mac, reading.device_index) if mac else ()
        fitting = [one for one in owners if self.serials_agree(one, reading)]
        free = [one for one in fitting if one.id not in self.claimed]
        here = [one for one in free if spot_of(one) == spot_of(reading)]
        if len(free) == 1 or here:
            return self.claim(at, (here or free)[0])
        return len(fitting) == 1 and self.second_answer(at, fitting[0])

    def by_place(self, at: int, reading: Reading) -> bool:
        here = self.known.at(spot_of(reading))
        if here is None or not self.serials_agree(here, reading) or self.macs_differ(here, reading):
            return False
        same_mac = usable_mac(here.mac) and usable_mac(here.mac) == usable_mac(reading.mac)
        if not same_mac and models_differ(here.model, reading.model):
            return False
        if here.id in self.claimed:
            first = self.claimed[here.id]
            return spot_of(first) == spot_of(reading) and self.double(at, here, first)
        return self.claim(at, here)

    def claim(self, at: int, printer: Printer) -> bool:
        reading = self.readings[at]
        self.claimed[printer.id] = reading
        # At its second interface while the first is silent: it has not moved.
        spare = self.known.doubles.get(spot_of(reading)) == printer.id
        stays = spare and printer.retired is None and not self.place_taken(printer)
        if not stays:
            self.doubles.pop(spot_of(reading), None)
        self.owners[at] = _Owner(printer, stays=stays)
        return True

    def second_answer(self, at: int, printer: Printer) -> bool:
        """The same serial number (or MAC address) again, in the same sweep."""
        reading, first = self.readings[at], self.claimed.get(printer.id)
        if first is None:
            return False
        if spot_of(first) == spot_of(reading):
            return self.double(at, printer, first)
        if spot_of(first)[0] == spot_of(reading)[0] or not one_device(first, reading):
            return False  # Another printer of the same device, or another device: known by MAC address or place.
        here = self.known.at(spot_of(reading))
        if here is not None and self.serials_agree(here, reading):
            return False  # It has a history of its own, which is not to be dropped.
        return self.double(at, printer, first)

    def double(self, at: int, printer: Printer, first: Reading) -> bool:
        self.owners[at] = _Owner(printer, first=first)
        if spot_of(first) != spot_of(self.readings[at]):
            self.doubles[spot_of(self.readings[at])] = printer.id
        return True

    def place_taken(self, printer: Printer) -> bool:
        """Whether something answers at this printer's place in this sweep (not this printer, or it were claimed)."""
        return any(spot_of(one) == spot_of(printer) for one in self.readings)

    def displaced_by(self, reading: Reading, printer: Printer | None) -> tuple[Printer, ...]:
        """The printer that stood where this reading came from, if it was met nowhere else in this sweep."""
        here = self.known.at(spot_of(reading))
        if here is None or here.id in self.claimed or (printer is not None and here.id == printer.id):
            return ()
        return (here,)

    @staticmethod
    def serials_agree(printer: Printer, reading: Reading) -> bool:
        """False only if both say a serial number, and not the same one."""
        return len({serial_of(printer), serial_of(reading)} - {""}) < 2

    @staticmethod
    def macs_differ(printer: Printer, reading: Reading) -> bool:
        """True only if both say a MAC address, and not the same one."""
        return len({usable_mac(printer.mac), usable_mac(reading.mac)} - {""}) == 2


def _told(reading: Reading, owner: _Owner | None, match: _Match, fresh: Mapping[str, Recognition]) -> Recognition:
    """What it means for one reading, in words and in what must be saved."""
    if owner is None:
        return _first_contact(reading, match, fresh)
    printer = owner.printer
    if owner.first is not None:
        return _doubled(reading, printer, owner.first, match)
    now = printer if owner.stays else _updated(printer, reading)
    if now == printer:  # Nearly always.
        return Recognition(reading, printer, "elsewhere" if owner.stays else "known")
    notes = _Notes(reading, printer.id)
    event = "known"
    if serial_of(now) and not serial_of(printer):
        event = "named"
        notes.add("named", f"{_called(now)} at {_where(reading)} has told its serial number.")
        notes.sharing(serial_of(now), match, fresh)
    if spot_of(printer)[0] != spot_of(reading)[0]:
        event = "moved"
        notes.add("moved", f"{_called(now)} moved from {printer.address} to {reading.address}.", tell=True)
    if printer.retired is not None:
        event = "returned"
        notes.add("returned", f"{_called(now)} is back, at {_where(reading)}.", tell=True)
    if match.macs_differ(printer, reading):
        text = f"{_called(now)} has the MAC address {now.mac} instead of {printer.mac}: another network board."
        notes.add("boardChanged", text, tell=True)
    return notes.recognition(now, event, match.displaced_by(reading, printer))


def _first_contact(reading: Reading, match: _Match, fresh: Mapping[str, Recognition]) -> Recognition:
    serial = serial_of(reading)
    twin = fresh.get(serial)
    if twin is not None and twin.reading.address != reading.address and one_device(twin.reading, reading):
        # Whose double it is can be written down when that one is saved: the next sweep finds the pair again.
        return Recognition(reading, twin.printer, "doubled", record=False)
    name = reading.name or reading.system.name or reading.address
    printer = _updated(Printer(id=NOT_SAVED, name=name, address=""), reading)
    gone = match.displaced_by(reading, None)
    notes = _Notes(reading, NOT_SAVED)
    instead = f", where {_called(gone[0])} stood" if gone else ""
    notes.add("new", f"{_called(printer)} was first met at {_where(reading)}{instead}.")
    notes.sharing(serial, match, fresh)
    return notes.recognition(printer, "exchanged" if gone else "new", gone)


def _doubled(reading: Reading, printer: Printer, first: Reading, match: _Match) -> Recognition:
    notes = _Notes(reading, printer.id)
    if spot_of(first) != spot_of(reading) and match.known.doubles.get(spot_of(reading)) != printer.id:
        text = f"{_called(printer)} answers at {reading.address} as well as at {first.address}; it is read once."
        notes.add("doubled", text, tell=True, address=reading.address, device=reading.device_index)
    gone = match.displaced_by(reading, printer)
    return replace(notes.recognition(printer, "doubled", gone), save=False, record=False)


class _Notes:
    """Ledger entries about one recognition, and those of them that are findings too."""

    def __init__(self, reading: Reading, printer_id: int) -> None:
        self.reading = reading
        self.printer_id = printer_id
        self.ledger: list[LedgerEntry] = []
        self.findings: list[Finding] = []

    def add(self, kind: str, text: str, *, tell: bool = False, of: int | None = None, **data: Scalar) -> None:
        frozen = MappingProxyType(dict(data))
        of = self.printer_id if of is None else of
        self.ledger.append(LedgerEntry(self.reading.at, kind, text, of, subject="printer", data=frozen))
        if tell:
            self.findings.append(Finding(kind, self.reading.at, "printer", text, frozen))

    def sharing(self, serial: str, match: _Match, fresh: Mapping[str, Recognition]) -> None:
        """Note it where another printer, elsewhere, shows this newly seen serial number too."""
        if not serial:
            return
        others = [one.address for one in match.known.with_serial(serial)]
        others += [fresh[serial].reading.address] if serial in fresh else []
        other = next((one for one in others if one.casefold() != self.reading.address.casefold()), None)
        if other is not None:
            text = (
                f"The serial number {serial} is shown at {self.reading.address} and at {other} by two printers; "
                "each is known by its MAC address or its place instead."
            )
            self.add("serialShared", text, tell=True)

    def recognition(self, printer: Printer, event: str, gone: tuple[Printer, ...]) -> Recognition:
        for one in gone:  # The last line in the history of a printer that lost its place.
            text = f"{_called(one)} at {_where(self.reading)} was exchanged for {_called(printer)}."
            self.add("exchanged", text, tell=True, of=one.id)
        return Recognition(
            reading=self.reading,
            printer=printer,
            event=event,
            save=True,
            ledger=tuple(self.ledger),
            findings=tuple(self.findings),
            displaced=tuple(replace(one, retired=self.reading.at) for one in gone),
        )


def _updated(printer: Printer, reading: Reading) -> Printer:
    """The printer as this reading shows it. What the reading leaves empty, or says in nonsense, is kept."""
    return replace(
        printer,
        address=reading.address,
        device_index=reading.device_index,
        serial=reading.serial if serial_of(reading) or not printer.serial else printer.serial,
        mac=reading.mac if usable_mac(reading.mac) or not printer.mac else printer.mac,
        model=reading.model or printer.model,
        first_seen=printer.first_seen or reading.at,
        retired=None,
    )


def _where(reading: Reading) -> str:
    return reading.address if reading.device_index == 1 else f"{reading.address} (device {reading.device_index})"


def _called(printer: Printer) -> str:
    about = [printer.model, f"serial {printer.serial}" if serial_of(printer) else ""]
    inside = ", ".join(part for part in about if part)
    return f"{printer.name} ({inside})" if inside else printer.name


__all__ = ["NOT_SAVED", "Known", "Recognised", "Recognition", "recognise", "recognise_all"]
