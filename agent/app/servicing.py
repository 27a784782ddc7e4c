"""What is done at printers: written down, corrected, taken back, proven, and suggested. For commands and pages alike.

The printer is asked at the moment of writing, for its counter and for the first look at what it shows. Nothing is
changed or erased in the ledger: a correction is an entry in the place of another, a withdrawal one that takes it back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from agent.app.asking import Asks, CannotAsk
from agent.app.entering import Book, Refused, by_item, clean, items_of, next_steps, parts_of, who_of
from agent.app.evidence import SERVICE_KINDS, YEAR, prove
from agent.app.photos import drawn_anew
from agent.app.suggesting import Known, Suggesting
from agent.app.told import Told
from agent.insight.deeds import KINDS
from agent.insight.logbook import (
    entry_of,
    service_of,
    services_in,
    withdrawal_of,
)
from agent.insight.meter import NAMES
from agent.insight.shelf import SHELF_KINDS, Shelf
from agent.insight.shelf import state as shelf_state
from agent.insight.suggestions import KEPT
from agent.model.day_words import clock_words
from agent.model.fleet import Printer, PrinterHistory
from agent.model.proof import (
    COUNTER_GIVEN,
    COUNTER_LAST_KNOWN,
    COUNTER_LIVE,
    COUNTER_SEEN,
    PROVEN,
    WAITING,
    Deed,
    Done,
    Proof,
    Recorded,
    Service,
    Suggestion,
)
from agent.model.reading import Reading
from agent.settings import Settings
from agent.store import Store

PROOFS_KEPT = 5_000
SHOWN = timedelta(days=30)
"""Services longer ago than this are not proven any more."""
JUST_NOW = timedelta(minutes=10)
"""Work longer ago than this is not what the printer's counter shows now."""
_FUTURE = timedelta(minutes=5)


class Servicing:
    """Over one store. ``settings``: those in force. ``known``: what was reckoned of the fleet already, if anything was.

    All methods may raise StoreError, and Refused where what was asked for cannot be.
    """

    def __init__(
        self,
        store: Store,
        settings: Callable[[], Settings],
        clock: Callable[[], datetime],
        asks: Asks,
        known: Known | None = None,
    ) -> None:
        self._store = store
        self._settings = settings
        self._clock = clock
        self._asks = asks
        self._told = Told(store, KINDS | SERVICE_KINDS, 3 * KEPT)
        self._proven: dict[int, Proof] = {}
        self._suggesting = Suggesting(store, settings, clock, self._told, known)

    # --- writing --------------------------------------------------------------------------------------------------

    def record(self, done: Done) -> Recorded:
        """Write down what was done, and look at once what the printer shows of it. Raises Refused, NoPhoto."""
        now = self._clock()
        printer = self._printer(done.printer_id)
        before = self._to_correct(done.corrects, printer) if done.corrects is not None else None
        at = done.at or (before.at if before is not None else now)
        if at > now + _FUTURE:
            said = clock_words(at, printer.place.zone, now)
            raise Refused(f"{said} has not come yet; --at says when the work was done")
        history = self._store.history(printer.id, now - YEAR, now)
        book = Book(history, self._settings())
        deeds = self._deeds(done, book, before)
        if done.counter is not None and done.counter < 0:
            raise Refused(f"a counter cannot show {done.counter}")
        photo, media = drawn_anew(done.photo) if done.photo is not None else (b"", "")
        who = who_of(done.who)
        notices: list[str] = []
        service = Service(
            0, printer.id, who, at, deeds,
            remarks=clean(done.remarks) or (before.remarks if before is not None else ""),
            corrects=done.corrects, logged=now,
        )  # fmt: skip
        service = self._with_counter(service, done, history, before, notices)
        if photo:
            service = replace(service, photo=self._store.keep_photo(photo, media, now))
        elif before is not None:
            service = replace(service, photo=before.photo)
        return self._write(service, book, notices)

    def withdraw(self, service_id: int, who: str, remarks: str = "") -> Service:
        """Take a service back that was not done. Raises Refused."""
        service = self._standing(service_id)
        entry = withdrawal_of(service, who_of(who), self._clock(), clean(remarks))
        self._store.append_ledger([entry])
        return replace(service, withdrawn=True)

    def accept(self, suggestion_id: str, who: str, part: str = "", remarks: str = "") -> Recorded:
        """Write down the service that a printer shows although nobody logged it. Raises Refused."""
        number = suggestion_id.partition("-")[0]
        printer = self._printer(int(number)) if number.isdecimal() and len(number) < 19 else None
        waiting = self.suggestions(printer.id) if printer is not None else ()
        found = next((one for one in waiting if one.id == suggestion_id), None)
        if printer is None or found is None:
            raise Refused(
                f"nothing waits to be accepted as {clean(suggestion_id)!r}; lowmark suggestions lists what does"
            )
        return self.take_up(found, who, part, remarks)

    def take_up(self, found: Suggestion, who: str, part: str = "", remarks: str = "") -> Recorded:
        """Write down what a suggestion says. Raises Refused."""
        printer = self._printer(found.printer_id)
        now = self._clock()
        book = Book(self._store.history(printer.id, now - YEAR, now), self._settings())
        given = dict.fromkeys(found.subjects, part) if part else {}
        deeds = parts_of(found.subjects, given, "", True, book)
        service = Service(
            0, printer.id, who_of(who), found.at, deeds, found.counter,
            counter_from=COUNTER_SEEN if found.counter is not None else "",
            remarks=clean(remarks), accepted=True, logged=now,
        )  # fmt: skip
        notices: list[str] = []
        self._ask(printer, notices)
        return self._write(service, book, notices)

    # --- looking --------------------------------------------------------------------------------------------------

    def proofs(self, printer_id: int | None = None, at: datetime | None = None) -> tuple[Proof, ...]:
        """The proofs of the services of the last thirty days that hold, as of a moment, in order of time."""
        as_of = at or self._clock()
        since = None if printer_id is not None else as_of - 2 * SHOWN
        told = self._store.ledger(printer_id, since, as_of, SERVICE_KINDS)
        recent = [one for one in services_in(told, as_of) if one.holds and one.at >= as_of - SHOWN]
        made: list[Proof] = []
        known = self._proven if at is None else {}
        for number, some in _by_number(recent).items():
            kept = [known[one.id] for one in some if one.id in known]
            if len(kept) < len(some):
                found = prove(self._store, self._settings(), number, min(one.at for one in some), as_of)
                kept = self._remember(one for one in found if one.service.at >= as_of - SHOWN)
            made += kept
        return tuple(sorted(made, key=lambda one: (one.service.at, one.service.id)))

    def proof(self, service_id: int, at: datetime | None = None) -> Proof | None:
        """The proof of one service that holds; None where there is none."""
        entry = self._store.entry(service_id)
        service = service_of(entry) if entry is not None else None
        if service is None:
            return None
        found = prove(self._store, self._settings(), service.printer_id, service.at, at or self._clock())
        return next((one for one in found if one.service.id == service_id), None)

    def services(self, printer_id: int, at: datetime | None = None) -> tuple[Service, ...]:
        """Every service of a printer as of a moment, those that hold no more marked so."""
        as_of = at or self._clock()
        return services_in(self._store.ledger(printer_id, None, as_of, SERVICE_KINDS), as_of)

    def suggestions(self, printer_id: int | None = None, at: datetime | None = None) -> tuple[Suggestion, ...]:
        """What printers show to have been done although nobody logged it."""
        return self._suggesting.suggestions(printer_id, at)

    def lately(self, since: datetime, most: int) -> tuple[Proof, ...]:
        """The latest so many services since a moment with their proofs, the latest first."""
        now = self._clock()
        entries = [
            one
            for some in self._told.by_printer(now).values()
            for one in some
            if one.at >= since and one.kind in SERVICE_KINDS
        ]
        recent = [one for one in services_in(entries, now) if one.holds and one.at >= since][-most:]
        known = self._proven
        found = (known.get(one.id) or self.proof(one.id, now) for one in reversed(recent))
        return tuple(self._remember(one for one in found if one is not None))

    def _remember(self, found: Iterable[Proof]) -> list[Proof]:
        """The same; what is proven, with nothing left to be seen, is kept: it stays so as long as the service holds."""
        made = list(found)
        if len(self._proven) > PROOFS_KEPT:
            self._proven = {}
        for one in made:
            if one.state == PROVEN and all(check.state != WAITING for check in one.checks):
                self._proven[one.service.id] = one
        return made

    def printer(self, printer_id: int) -> Printer:
        """The printer of this id. Raises Refused."""
        return self._printer(printer_id)

    # --- inside: writing ------------------------------------------------------------------------------------------

    def _printer(self, printer_id: int) -> Printer:
        found = next((one for one in self._store.printers(retired=True) if one.id == printer_id), None)
        if found is None:
            raise Refused(f"there is no printer with the id {printer_id}")
        return found

    def _standing(self, service_id: int) -> Service:
        """A service that is said and holds. Raises Refused."""
        entry = self._store.entry(service_id)
        found = service_of(entry) if entry is not None else None
        if found is None:
            raise Refused(f"entry {service_id} of the ledger is no service; lowmark proofs shows their numbers")
        now = self._clock()
        told = self._store.ledger(found.printer_id, None, None, SERVICE_KINDS)
        standing = next(one for one in services_in(told, max(now, found.at)) if one.id == service_id)
        if standing.withdrawn:
            raise Refused(f"the service of entry {service_id} has been withdrawn already")
        if standing.corrected_by is not None:
            raise Refused(f"entry {standing.corrected_by} stands in the place of entry {service_id}; name that one")
        return standing

    def _to_correct(self, service_id: int, printer: Printer) -> Service:
        before = self._standing(service_id)
        if before.printer_id != printer.id:
            other = self._printer(before.printer_id).name
            raise Refused(
                f"entry {service_id} is about {other}, not {printer.name}; withdraw it (lowmark service --withdraw "
                f"{service_id}) and log the work anew"
            )
        return before

    def _deeds(self, done: Done, book: Book, before: Service | None) -> tuple[Deed, ...]:
        items = items_of(done.did, book) if done.did or before is None else [deed.subject for deed in before.deeds]
        made = parts_of(items, by_item(done.parts, items, book), done.place, done.from_shelf, book)
        if before is None:
            return made
        old = {deed.subject: deed for deed in before.deeds}
        kept = []
        for deed in made:
            was = old.get(deed.subject)
            if was is not None and done.from_shelf:
                deed = replace(  # noqa: PLW2901 - what is not said anew stays as it was said
                    deed,
                    part=deed.part or was.part,
                    place=deed.place or was.place,
                    from_shelf=was.from_shelf or bool(deed.part or deed.place),
                )
            kept.append(deed)
        return tuple(kept)

    def _ask(self, printer: Printer, notices: list[str]) -> Reading | None:
        try:
            return self._asks.ask(printer)
        except CannotAsk as silent:
            notices.append(f"{printer.name} could not be read now: {silent}")
            return None

    def _with_counter(
        self, service: Service, done: Done, history: PrinterHistory, before: Service | None, notices: list[str]
    ) -> Service:
        """The counter as given, else as the printer says it now, else as it was last known."""
        reading = self._ask(history.printer, notices)
        now = self._clock()
        if done.counter is not None:
            return replace(service, counter=done.counter, counter_from=COUNTER_GIVEN, unit=_unit_known(history))
        if before is not None and service.at == before.at:
            return replace(service, counter=before.counter, counter_from=before.counter_from, unit=before.unit)
        if now - service.at > JUST_NOW:
            return service
        live = _counter_of(reading) if reading is not None else None
        if live is not None:
            return replace(service, counter=live[0], unit=live[1], counter_from=COUNTER_LIVE)
        last = _last_known(history)
        if last is None or reading is not None:
            return service
        value, unit, at = last
        on = clock_words(at, history.printer.place.zone, now)
        notices.append(
            f"its counter is taken as last known: {value:,} on {on}; correct it with --counter if it has printed since"
        )
        return replace(service, counter=value, unit=unit, counter_from=COUNTER_LAST_KNOWN)

    def _write(self, service: Service, book: Book, notices: list[str]) -> Recorded:
        stock, remarks = self._stock()
        (entry,) = self._store.append_ledger([entry_of(service)])
        service = replace(service, id=entry.id or 0)
        now = max(self._clock(), service.at, service.logged or service.at)
        proof = next(
            one
            for one in prove(self._store, self._settings(), service.printer_id, service.at, now)
            if one.service.id == service.id
        )
        notices += next_steps(service, book, proven=proof.state == PROVEN)
        after, remarked = self._stock()
        notices += [one for one in remarked if one not in remarks]
        for key in sorted(stock.keys() | after.keys()):
            change = after.get(key, 0) - stock.get(key, 0)
            if change:
                word = "taken from" if change < 0 else "back on"
                notices.append(f"{key[0]}: {abs(change)} {word} {key[1]}, {after.get(key, 0)} there now")
        return Recorded(proof.service, proof, tuple(dict.fromkeys(notices)))

    def _stock(self) -> tuple[Mapping[tuple[str, str], int], tuple[str, ...]]:
        """What lies where by the books, and what they remark."""
        settings = self._settings()
        if not settings.parts:
            return {}, ()
        printers = {one.id: one for one in self._store.printers(retired=True)}
        shelf = Shelf(settings.spares(), settings.places(), settings.plans(), printers, settings.zone)
        entries = self._store.ledger(kinds=SHELF_KINDS | KINDS | SERVICE_KINDS)
        found, _ = shelf_state(shelf, entries, self._clock())
        return {(one.part, one.place): one.count for one in found.stock}, tuple(one.text for one in found.remarks)


def _by_number(services: Iterable[Service]) -> dict[int, list[Service]]:
    made: dict[int, list[Service]] = {}
    for one in sorted(services, key=lambda one: one.printer_id):
        made.setdefault(one.printer_id, []).append(one)
    return made


def _counter_of(reading: Reading) -> tuple[int, str] | None:
    found = {one.name: one for one in reading.counters}
    best = next((found[name] for name in NAMES if name in found), None)
    return None if best is None else (best.value, best.unit)


def _last_known(history: PrinterHistory) -> tuple[int, str, datetime] | None:
    """The counter by which upkeep is reckoned, its unit, and when the printer last answered."""
    tracks = {track.name: track for track in history.counters if track.points}
    track = next((tracks[name] for name in NAMES if name in tracks), None)
    if track is None:
        return None
    point = track.points[-1]
    answered = max((run.last for run in history.contacts if run.reachable), default=point.at)
    return point.value, track.unit, max(answered, point.at)


def _unit_known(history: PrinterHistory) -> str:
    last = _last_known(history)
    return "" if last is None else last[1]
