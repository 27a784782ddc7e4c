"""The parts of a reading, which cells each is made of, and which have to be made anew when some have moved. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import compress
from operator import is_not
from typing import Any, NamedTuple

from agent.mib import oids
from agent.mib.layout import Layout
from agent.mib.oddities import Oddity
from agent.mib.subunits import Remarks
from agent.model.wire import Cells, Value

GENERAL, KIND, UP_TIME, PLACE, HOST, MARKERS, MAC, SPEED, SUPPLIES, TRAYS, BINS, COVERS = range(12)
CONSOLE, LIGHTS, ALERTS, COUNTERS, COUNT = range(12, 17)
"""The numbers of the parts, in the order in which they are made and remarked on, and how many there are."""
ALL = frozenset(range(COUNT))
NO_REMARKS: tuple[Remarks, ...] = ((),) * COUNT
"""One object for the many printers that give no cause for any."""

# Table -> the parts that it has a say in. The tables that name character sets have one in every text.
_OF_TABLE = {
    oids.IF_TABLE.name: frozenset({MAC}),
    oids.HR_DEVICE.name: frozenset({HOST}),
    oids.HR_PRINTER.name: frozenset({HOST}),
    oids.PRT_GENERAL.name: ALL,
    oids.PRT_LOCALIZATION.name: ALL,
    oids.PRT_COVER.name: frozenset({COVERS}),
    oids.PRT_INPUT.name: frozenset({TRAYS}),
    oids.PRT_OUTPUT.name: frozenset({BINS}),
    oids.PRT_MARKER.name: frozenset({MARKERS, COUNTERS}),
    oids.PRT_SUPPLIES.name: frozenset({SUPPLIES}),
    oids.PRT_COLORANT.name: frozenset({SUPPLIES}),
    oids.PRT_MEDIA_PATH.name: frozenset({SPEED}),
    oids.PRT_CONSOLE.name: frozenset({CONSOLE}),
    oids.PRT_LIGHT.name: frozenset({LIGHTS}),
    oids.PRT_ALERT.name: frozenset({ALERTS}),
    **{table.name: frozenset({COUNTERS}) for table in oids.COUNTER_TABLES},
}
_OF_COLUMN = {column.oid: _OF_TABLE[table.name] for table in oids.TABLES for column in table.columns.values()}
_OF_COLUMN |= {
    oids.SYS_DESCR.oid: frozenset({KIND}),
    oids.SYS_OBJECT_ID.oid: frozenset({KIND}),
    oids.SYS_UP_TIME.oid: frozenset({UP_TIME}),  # by itself, as nothing else moves at every poll
    oids.SYS_NAME.oid: frozenset({PLACE}),
    oids.SYS_LOCATION.oid: frozenset({PLACE}),
}

_LONGEST = 1024
_GREATEST = 2**64


class Memory(NamedTuple):
    """What one reading was decoded from, and its parts with the remarks on each, by their numbers.

    ``cells`` are the values of the cells that were given, in the order of ``layout.oids``: a whole fleet is remembered,
    and the names, of which printers of one model have the same, stand in their layout once.
    """

    cells: tuple[Value, ...]
    layout: Layout
    device: int
    oddities: Sequence[Oddity]
    values: tuple[Any, ...]
    remarks: tuple[Remarks, ...]


@lru_cache(maxsize=16_384)
def of_cell(oid: str) -> frozenset[int]:
    """The parts that a cell has a say in; all of them if it is in no table."""
    found = oids.find(oid)
    return ALL if found is None else _OF_COLUMN[found[0].oid]


def stale(cells: Cells, before: Memory, device: int, oddities: Sequence[Oddity]) -> frozenset[int]:
    """The parts of the reading ``before`` that these cells make anew; ``ALL`` itself where there is no telling."""
    if before.device != device or before.oddities != oddities or tuple(cells) != before.layout.oids:
        return ALL
    found: frozenset[int] = frozenset()
    old = before.cells
    for place in compress(range(len(old)), map(is_not, cells.values(), old)):  # mostly they are the very same objects
        oid, was = before.layout.oids[place], old[place]
        value = cells[oid]
        if value != was or type(value) is not type(was):
            found = ALL if absurd(value) else found | of_cell(oid)
            if len(found) == COUNT:
                return ALL
    return found


def absurd(value: Value) -> bool:
    """Whether a value is larger than anything that a printer could mean."""
    return not -_GREATEST <= value <= _GREATEST if isinstance(value, int) else len(value) > _LONGEST


def cut(value: Value) -> Value:
    """The value, or of an absurd one as much as is still beyond what any syntax in the tables allows."""
    if isinstance(value, int):
        return max(-_GREATEST, min(value, _GREATEST))
    return value[:_LONGEST]
