"""The last known values of printers between two contacts, in a quarter of the room that they take in use.

Thousands rest while some hundred are written. At rest the names, which all printers of one model have alike, stand
apart and once, and the numbers in a row of octets.
"""

from __future__ import annotations

from array import array
from typing import NamedTuple

from agent.model.once import Once
from agent.model.reading import Reading
from agent.store.state import CounterName, LastKnown, SupplyFacts, SupplyName, shared


class _Names(NamedTuple):
    """What the positions of a printer are called, each with whether it has a value now."""

    supplies: tuple[tuple[SupplyName, SupplyFacts, bool], ...]
    counters: tuple[tuple[CounterName, bool], ...]


_once = Once(4_096)


class Resting(NamedTuple):
    """A ``LastKnown`` at rest.

    ``numbers``: of each supply its id, and level and capacity where it has them; of each counter its id, and its value
    where it has one. All of them are in the store, so each fits into 64 bits.
    """

    names: _Names
    numbers: array[int]
    printer_id: int
    first: int | None
    last: int
    reachable: bool
    failure: str | None
    error: str
    answered: int | None
    status: str | None
    snapshot_at: int | None
    reading: Reading | None

    def awake(self) -> LastKnown:
        """As it was."""
        state = LastKnown(
            self.printer_id, self.first, self.last, self.reachable, self.failure, self.error, self.answered,
            status=self.status, snapshot_at=self.snapshot_at, reading=self.reading,
        )  # fmt: skip
        number = iter(self.numbers).__next__
        for supply, facts, has_level in self.names.supplies:
            supply_id = state.supplies[supply] = number()
            state.facts[supply_id] = facts
            if has_level:
                state.levels[supply_id] = number(), number()
        for counter, has_count in self.names.counters:
            counter_id = state.counters[counter] = number()
            if has_count:
                state.counts[counter_id] = number()
        state.rested = self.names, self.numbers, state.levels, state.counts
        return state


def rest(state: LastKnown) -> Resting:
    """Put the values of one printer to rest."""
    packed = state.rested
    if packed is None or packed[2] is not state.levels or packed[3] is not state.counts:
        packed = _packed(state)
    names, numbers = packed[:2]
    status = None if state.status is None else shared((state.status,))[0]
    return Resting(
        names, numbers, state.printer_id, state.first, state.last, state.reachable, state.failure, state.error,
        state.answered, status, state.snapshot_at, state.reading,
    )  # fmt: skip


def _packed(state: LastKnown) -> tuple[_Names, array[int]]:
    levels, counts = state.levels, state.counts
    numbers: list[int] = []
    for supply_id in state.supplies.values():
        numbers += (supply_id, *levels.get(supply_id, ()))
    for counter_id in state.counters.values():
        numbers += (counter_id, counts[counter_id]) if counter_id in counts else (counter_id,)
    names = _Names(
        tuple((name, state.facts[one], one in levels) for name, one in state.supplies.items()),
        tuple((name, one in counts) for name, one in state.counters.items()),
    )
    return _once(names), array("q", numbers)
