"""What is carried: parts off the shelf for the jobs of a round, until none is left."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from agent.insight.shelf import Shelf
from agent.model.day_words import day_words
from agent.model.fleet import Printer
from agent.model.round import Bring, Carry, Lack
from agent.model.shelf import ShelfState, SparePart
from agent.model.wording import clean
from agent.model.zones import zone_of

NOBODY_COUNTED = "nobody counted how many there are"
NO_PART = "no part of the settings fits it"


class Hands:
    """Takes parts off the shelf, one by one; whoever comes first gets what is there."""

    def __init__(self, shelf: Shelf, state: ShelfState) -> None:
        self._shelf = shelf
        self._state = state
        self._left = {(one.part, one.place): one.count for one in state.stock}
        self._lying = dict(self._left)
        self._notes: dict[tuple[str, str], str] = {}

    def take(self, options: Sequence[SparePart], unmet: str, printer: Printer) -> Bring:
        """One part for one job: of those that would do the first that lies somewhere, nearest to the printer."""
        if not options:
            return Bring("", unmet, 1, "", None, NO_PART if self._shelf.parts else "")
        for part in options:
            if place := self._where(part.name, printer):
                self._left[part.name, place] -= 1
                return Bring(part.name, part.description or unmet, 1, place, self._lying[part.name, place])
        return self._none(options, unmet, printer.place.zone)

    def has(self, options: Sequence[SparePart], printer: Printer) -> bool:
        """Whether one could be taken, or nobody knows whether there is any."""
        return (
            not options
            or any(self._where(part.name, printer) for part in options)
            or not any(self._state.is_counted(part.name) for part in options)
        )

    def _where(self, part: str, printer: Printer) -> str:
        near = self._shelf.place_for(printer)
        if self._left.get((part, near), 0) > 0:
            return near
        there = [(-count, place) for (name, place), count in self._left.items() if name == part and count > 0]
        return min(there)[1] if there else ""

    def _none(self, options: Sequence[SparePart], unmet: str, zone: str) -> Bring:
        part = options[0]
        what = part.description or unmet
        counted = [one for one in options if self._state.is_counted(one.name)]
        if not counted:
            return Bring(part.name, what, 1, "", None, NOBODY_COUNTED)
        part = counted[0]
        had = any(count > 0 for (name, _), count in self._lying.items() if name == part.name)
        word = "none left after the printers before" if had else "none on the shelf"
        return Bring(part.name, part.description or unmet, 1, "", 0, f"{word}: {self._coming(options, zone)}")

    def _coming(self, options: Sequence[SparePart], zone: str) -> str:
        names = {part.name for part in options}
        orders = [one for one in self._state.orders if one.part in names]
        if not orders:
            return "none ordered, order now"
        count = sum(one.count for one in orders)
        dates = [one.expected for one in orders if one.expected is not None]
        when = f", expected {day_words(min(dates).astimezone(zone_of(zone)), self._state.as_of)}" if dates else ""
        return f"{count} ordered{when}"


def together(found: Iterable[Bring]) -> tuple[Bring, ...]:
    """The same part from the same place in one."""
    made: dict[tuple[str, str, str, str], Bring] = {}
    for one in found:
        key = (one.part, one.place, one.note, "" if one.part else one.what)
        known = made.get(key)
        count = one.count + (known.count if known is not None else 0)
        made[key] = Bring(one.part, one.what, count, one.place, one.on_shelf, one.note)
    return tuple(made.values())


def carried(found: Sequence[Bring]) -> tuple[tuple[Carry, ...], tuple[Lack, ...]]:
    """In sum for the whole round: what to carry by place and part, and what is lacking."""
    carry = [
        Carry(one.part, clean(one.what), one.place, one.count, one.on_shelf)
        for one in together(found)
        if not one.lacking
    ]
    carry.sort(key=lambda one: (not one.place, one.place, not one.part, one.part, one.what))
    lacks: dict[str, Lack] = {}
    for one in found:
        if one.lacking:
            known = lacks.get(one.part)
            count = one.count + (known.count if known is not None else 0)
            note = one.note.partition(": ")[2]
            lacks[one.part] = Lack(one.part, clean(one.what), count, note)
    return tuple(carry), tuple(lacks[name] for name in sorted(lacks))
