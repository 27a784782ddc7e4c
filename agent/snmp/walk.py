"""Walking tables, with an end to every walk: however the agent goes on answering.

A walk ends when a row is not beyond the one before it (an agent that goes in circles), when it leaves the table, at the
limit of rows of a column, when the visit's time is over, and when the printer has filled its share of memory. Every
end but leaving the table is remembered, so that nobody takes half a table for a whole one.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from agent.mib.plan import Root
from agent.model.wire import Value, WireError
from agent.snmp.visit import OutOfTime, Visit
from agent.snmp.wire import CellFault, Limits, Rows, TooBig

_FEW_COLUMNS = 2  # so many are walked one by one; with more it is quicker to walk the whole table


@lru_cache(maxsize=1_024)
def _fixed(oid: str) -> tuple[int, ...]:
    """The arcs of an OID that is met again and again."""
    return _arcs(oid)


def _arcs(oid: str) -> tuple[int, ...]:
    return tuple(map(int, oid.split(".")))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Neighbouring columns that are walked in one go: all below ``parent``, starting at ``start``."""

    start: str
    parent: str
    columns: dict[int, Root]

    @property
    def last(self) -> int:
        """The last column that is wanted."""
        return max(self.columns)


def stretches(roots: Sequence[Root]) -> tuple[Stretch, ...]:
    """The roots put together by table, in the order of their first appearance."""
    tables: dict[str, dict[int, Root]] = {}
    for root in roots:
        parent, _, column = root.oid.rpartition(".")
        tables.setdefault(parent, {})[int(column)] = root
    found: list[Stretch] = []
    for parent, columns in tables.items():
        if len(columns) <= _FEW_COLUMNS:
            found.extend(Stretch(root.oid, parent, {column: root}) for column, root in columns.items())
        else:
            found.append(Stretch(parent, parent, columns))
    return tuple(found)


@dataclass(slots=True)
class Harvest:
    """What walks have brought so far. ``truncated`` says which were ended by a limit, and by which."""

    limits: Limits
    cells: dict[str, Value] = field(default_factory=dict)
    truncated: list[str] = field(default_factory=list)
    octets: int = 0

    def take(self, oid: str, value: Value) -> bool:
        """Keep a cell; False when there is no room for it."""
        size = 8 if isinstance(value, int) else len(value)
        if len(self.cells) >= self.limits.cells or self.octets + size > self.limits.octets:
            return False
        self.octets += size
        self.cells[sys.intern(oid)] = value
        return True


async def walk(
    visit: Visit, stretch: Stretch, harvest: Harvest, count: int, ahead: Rows | WireError | None = None
) -> bool:
    """Walk one stretch, ``count`` rows a request at first. ``ahead``: what its first request has brought already.

    Returns:
        Whether other stretches are worth walking: False when time or memory is used up.
    """
    at = within = stretch.start
    steps = _Steps(stretch, harvest)
    while True:
        given, ahead = ahead, None
        try:
            rows = await visit.after(at, count, within, given)
        except TooBig:
            if count == 1:
                harvest.truncated.append(f"{steps.where(at)}: one row does not fit into an answer")
                return True
            count = max(1, count // 2)
            continue
        except CellFault as fault:
            harvest.truncated.append(f"{steps.where(at)}: {fault}")
            return True
        except OutOfTime:
            harvest.truncated.append(f"{steps.where(at)}: the time was over")
            return False
        if not rows:
            return True
        jump = None
        for oid, value in rows:
            jump = steps.step(oid, value)
            if jump is not None:
                break
            at = oid
        if jump is None and not rows.over:
            continue
        if jump is None:
            return True
        if jump in (END, FULL):
            return jump == END
        at = within = jump


END, FULL = "end", "full"


class _Steps:
    """The row by row part of a walk."""

    def __init__(self, stretch: Stretch, harvest: Harvest) -> None:
        self._stretch = stretch
        self._prefix = f"{stretch.parent}."
        self._harvest = harvest
        self._parent = _fixed(stretch.parent)
        self._place = _fixed(stretch.start)[len(self._parent) :]
        self._last = stretch.last
        self._column = -1
        self._rows = 0

    def where(self, oid: str) -> str:
        """The name of the root that the walk is in."""
        root = self._stretch.columns.get(self._column)
        return root.name if root else next(iter(self._stretch.columns.values())).name

    def step(self, oid: str, value: Value) -> str | None:
        """None to go on with the next row, END, FULL, or the OID of a column to jump to."""
        prefix = self._prefix
        if not oid.startswith(prefix):
            if _fixed(oid) < self._parent:
                self._harvest.truncated.append(f"{self.where(oid)}: the agent goes in circles (OID not increasing)")
            return END
        place = _arcs(oid[len(prefix) :])
        if place <= self._place:
            self._harvest.truncated.append(f"{self.where(oid)}: the agent goes in circles (OID not increasing)")
            return END
        self._place = place
        column = place[0]
        if column != self._column:
            if column > self._last:
                return END
            self._column, self._rows = column, 0
        self._rows += 1
        root = self._stretch.columns.get(column)
        if self._rows > (root.rows if root else self._harvest.limits.rows):
            self._harvest.truncated.append(f"{self.where(oid)}: more than {self._rows - 1} rows")
            later = [other for other in self._stretch.columns if other > column]
            return self._stretch.columns[min(later)].oid if later else END
        if root is not None and not self._harvest.take(oid, value):
            self._harvest.truncated.append(f"{root.name}: the printer's share of memory is full")
            return FULL
        return None


async def walk_all(visit: Visit, found: Iterable[Stretch], harvest: Harvest, count: int) -> bool:
    """Walk stretches until one uses up the time or the memory; False then."""
    for stretch in found:
        if not await walk(visit, stretch, harvest, count):
            return False
    return True
