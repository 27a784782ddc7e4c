"""The shelf as of a moment, worked out from the ledger alone.

Entries of the shelf have no printer; their subject is the part, their data what happened:

    shelfCountedIn    place, count          shelfRecounted   place, count (as it lies there)
    shelfCountedOut   place, count          ordered          count, order (a word of one's own, may be empty)
    orderArrived      place, count, order   orderWithdrawn   count, order

Swaps and services of printers (``deeds``) take a part each: the one that is named, else the only one that fits. A
shelf cannot hold less than nothing: who takes a part that the books do not have proves that the books were wrong, so
the count stays at 0 and a recount is asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from agent.insight.deeds import LATE as LATE_RESET
from agent.insight.deeds import SAME, Service, Swap, services, swaps
from agent.model.day_words import dated_words
from agent.model.fleet import LedgerEntry, Printer
from agent.model.shelf import OpenOrder, PlaceRule, Remark, ShelfState, SparePart, Stock, fits, names_supply
from agent.model.upkeep import Plan

COUNTED_IN, COUNTED_OUT, RECOUNTED = "shelfCountedIn", "shelfCountedOut", "shelfRecounted"
ORDERED, ARRIVED, WITHDRAWN = "ordered", "orderArrived", "orderWithdrawn"
SHELF_KINDS = frozenset({COUNTED_IN, COUNTED_OUT, RECOUNTED, ORDERED, ARRIVED, WITHDRAWN})
USUAL_PLACE = "shelf"
LATE = 3.0
"""An order is late when it is so many standard deviations over its lead time."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One part that left the shelf for a printer."""

    at: datetime
    part: str
    printer_id: int
    supply: str


@dataclass(slots=True)
class _Move:
    at: datetime
    order: tuple[int, int]
    kind: str
    part: str
    place: str
    count: int
    entry: LedgerEntry | None = None
    printer_id: int | None = None
    supply: str = ""


@dataclass(slots=True)
class _Books:
    counts: dict[tuple[str, str], int] = field(default_factory=dict)
    counted: dict[tuple[str, str], datetime] = field(default_factory=dict)
    orders: list[OpenOrder] = field(default_factory=list)
    remarks: dict[str, Remark] = field(default_factory=dict)
    taken: list[Taken] = field(default_factory=list)
    zone: str = "UTC"

    def day(self, at: datetime) -> str:
        """The day of a moment, for a remark."""
        return dated_words(at, self.zone)

    def remark(self, part: str, text: str) -> None:
        """Say it once."""
        self.remarks.setdefault(text, Remark(part, text))


@dataclass(frozen=True, slots=True)
class Shelf:
    """What the settings say about the shelf, and the printers that it serves (those out of service too).

    ``zone``: the agent's own, in which the days of remarks are told.
    """

    parts: Sequence[SparePart]
    places: Sequence[PlaceRule] = ()
    plans: Sequence[Plan] = ()
    printers: Mapping[int, Printer] = field(default_factory=dict)
    zone: str = "UTC"

    def part(self, name: str) -> SparePart | None:
        """The part of this name."""
        return next((one for one in self.parts if one.name == name), None)

    def fitting(self, model: str, supply: str) -> list[SparePart]:
        """The parts that take the place of this supply in this model of printer."""
        return [one for one in self.parts if one.serves(model, supply)]

    def place_for(self, printer: Printer | None) -> str:
        """The place from which a printer is served: the first whose sites name its site, else one for any site."""
        site = printer.place.site if printer is not None else ""
        named = [one for one in self.places if one.sites and fits(site, one.sites)]
        anyone = [one for one in self.places if not one.sites]
        chosen = (named or anyone or list(self.places))[:1]
        return chosen[0].name if chosen else USUAL_PLACE


def state(shelf: Shelf, entries: Iterable[LedgerEntry], as_of: datetime) -> tuple[ShelfState, tuple[Taken, ...]]:
    """The shelf as of a moment, and all parts that printers took until then. The order of ``entries`` is free."""
    entries = [one for one in entries if one.at <= as_of]
    books = _Books(zone=shelf.zone)
    moves = [*_shelf_moves(shelf, entries, books), *_printer_moves(shelf, entries, as_of, books)]
    for move in sorted(moves, key=lambda one: (one.at, one.order)):
        _apply(shelf, books, move)
    stock = tuple(
        Stock(part, place, count, books.counted.get((part, place)))
        for (part, place), count in sorted(books.counts.items())
        if count or (part, place) in books.counted
    )
    _late(shelf, books, as_of)
    known = {one.name for one in shelf.parts}
    if known:
        for name in sorted({one.part for one in stock} - known):
            books.remark(name, f"{name} is on the shelf, but no part of the settings has this name")
    return ShelfState(as_of, stock, tuple(books.orders), tuple(books.remarks.values())), tuple(books.taken)


def _shelf_moves(shelf: Shelf, entries: Sequence[LedgerEntry], books: _Books) -> list[_Move]:
    made = []
    for number, entry in enumerate(entries):
        if entry.kind not in SHELF_KINDS:
            continue
        count = entry.data.get("count")
        least = 0 if entry.kind == RECOUNTED else 1
        if not isinstance(count, int) or isinstance(count, bool) or count < least or not entry.subject:
            books.remark(
                entry.subject,
                f"a ledger entry of {books.day(entry.at)} ({entry.kind}) has no count that can be used; it is left out",
            )
            continue
        place = entry.data.get("place")
        where = place if isinstance(place, str) and place else shelf.place_for(None)
        order = (1 if entry.kind == RECOUNTED else 0, entry.id if entry.id is not None else number)
        made.append(_Move(entry.at, order, entry.kind, entry.subject, where, count, entry))
    return made


def _printer_moves(shelf: Shelf, entries: Sequence[LedgerEntry], as_of: datetime, books: _Books) -> list[_Move]:
    """What swaps and planned services took."""
    names = {plan.name: plan for plan in shelf.plans}
    made = []
    done = services(entries, as_of)
    here: dict[int, list[Service]] = {}
    for service in done:
        here.setdefault(service.printer_id, []).append(service)
    for swap in swaps(entries, as_of, plans=tuple(names)):
        if not swap.logged and _is_planned(swap, here.get(swap.printer_id, ()), names):
            continue
        part = _part_of(shelf, swap, books)
        if part is not None and swap.from_shelf:
            place = swap.place or shelf.place_for(shelf.printers.get(swap.printer_id))
            made.append(_move(swap.at, part, place, swap.printer_id, swap.supply))
    for service in done:
        plan = names.get(service.subject)
        for need in plan.needs if plan is not None and service.from_shelf else ():
            place = service.place or shelf.place_for(shelf.printers.get(service.printer_id))
            made.append(_move(service.at, need, place, service.printer_id, service.subject))
    return made


def _is_planned(swap: Swap, done: Sequence[Service], names: Mapping[str, Plan]) -> bool:
    """Whether a swap that was seen belongs to the service of a plan, which takes the parts that it needs.

    ``done``: the services of its printer.
    """
    return any(
        service.subject in names
        and names_supply(swap.supply, names[service.subject].renews)
        and -SAME <= swap.at - service.at <= LATE_RESET
        for service in done
    )


def _move(at: datetime, part: str, place: str, printer_id: int, supply: str) -> _Move:
    return _Move(at, (0, 0), "taken", part, place, 1, None, printer_id, supply)


def _part_of(shelf: Shelf, swap: Swap, books: _Books) -> str | None:
    if swap.part:
        return swap.part
    printer = shelf.printers.get(swap.printer_id)
    fitting = shelf.fitting(printer.model, swap.supply) if printer is not None else []
    if len(fitting) > 1:
        names = ", ".join(one.name for one in fitting)
        name = printer.name if printer is not None else f"printer {swap.printer_id}"
        books.remark(
            fitting[0].name,
            f"{name}, {swap.supply}, {books.day(swap.at)}: several parts fit ({names}) and the entry does not say "
            f"which; none was counted out. Count it out with lowmark shelf out",
        )
    return fitting[0].name if len(fitting) == 1 else None


def _apply(shelf: Shelf, books: _Books, move: _Move) -> None:
    key = (move.part, move.place)
    here = books.counts.get(key, 0)
    if move.kind == RECOUNTED:
        books.counts[key] = move.count
        books.counted[key] = move.at
    elif move.kind in (COUNTED_IN, ARRIVED):
        books.counts[key] = here + move.count
        books.counted[key] = move.at
        if move.kind == ARRIVED:
            _settle(books, move, arrived=True)
    elif move.kind == ORDERED:
        part = shelf.part(move.part)
        expected = move.at + timedelta(days=part.terms.lead_days) if part is not None else None
        who = move.entry.who if move.entry is not None else ""
        books.orders.append(OpenOrder(move.part, move.count, move.at, who, expected))
    elif move.kind == WITHDRAWN:
        _settle(books, move, arrived=False)
    else:
        _take(books, move)


def _take(books: _Books, move: _Move) -> None:
    place = move.place
    if move.printer_id is not None:
        books.taken.append(Taken(move.at, move.part, move.printer_id, move.supply))
        if books.counts.get((move.part, place), 0) < 1:
            # Nobody said from where: it came from where there was one.
            others = [where for (part, where), count in books.counts.items() if part == move.part and count > 0]
            place = others[0] if len(others) == 1 else place
    key = (move.part, place)
    here = books.counts.get(key, 0)
    books.counts[key] = max(0, here - move.count)
    counted = any(part == move.part for part, _ in books.counted)
    if counted and here < move.count:
        books.remark(
            move.part,
            f"{move.part}, {place}: {move.count} taken on {books.day(move.at)}, but the books had {here} there; they "
            f"stand at 0 now. Count again: lowmark shelf recount {_quoted(move.part)} N --place {_quoted(place)}",
        )


def _settle(books: _Books, move: _Move, *, arrived: bool) -> None:
    """Take what came (or was called off) from the oldest open orders of the part."""
    left = move.count
    kept = []
    for order in books.orders:
        if order.part == move.part and left:
            used = min(left, order.count)
            left -= used
            if order.count > used:
                kept.append(OpenOrder(order.part, order.count - used, order.at, order.who, order.expected))
        else:
            kept.append(order)
    books.orders = kept
    if left and not arrived:
        books.remark(move.part, f"{move.part}: {left} called off on {books.day(move.at)} that nobody had ordered")


def _late(shelf: Shelf, books: _Books, as_of: datetime) -> None:
    for order in books.orders:
        part = shelf.part(order.part)
        if part is None or order.expected is None:
            continue
        if as_of > order.expected + timedelta(days=max(1.0, LATE * part.terms.lead_sd)):
            days = (as_of - order.at).days
            books.remark(
                order.part,
                f"{order.part}: {order.count} ordered {days} days ago have not arrived "
                f"(lead time {part.terms.lead_days:g} days): ask, or say that they came (lowmark shelf arrived)",
            )


def _quoted(word: str) -> str:
    return word if word and all(c.isalnum() or c in "-_.:" for c in word) else '"' + word.replace('"', "'") + '"'
