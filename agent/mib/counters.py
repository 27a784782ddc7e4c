"""The counts that only grow: each marker's life count, and the lifetime totals of PWG 5106.3."""

from __future__ import annotations

from collections.abc import Sequence

from agent.mib import oids
from agent.mib.layout import Layout, totals_row
from agent.mib.values import INT32_MAX, Notes, number
from agent.model.reading import Counter, Marker, Remark
from agent.model.wire import Cells

_NAMES = {
    "icImpressionTotalImps": ("total", "impressions"),
    "icImpressionMonochromeImps": ("mono", "impressions"),
    "icImpressionFullColorImps": ("colour", "impressions"),
    "icTwoSidedTotalImps": ("twoSided", "impressions"),
    "icSheetTotalSheets": ("sheets", "sheets"),
}


def of_markers(markers: Sequence[Marker], step: int = 1) -> tuple[Counter, ...]:
    """``life`` for the first marker and ``life:INDEX`` for further ones.

    Counter32 wraps at 2**32 (RFC 2578 section 7.1.6); where an oddity says that it counts in steps, at ``step`` times
    as many.
    """
    return tuple(
        Counter(
            "life" if place == 0 else f"life:{marker.index}",
            marker.unit or "unknown",
            marker.life_count,
            oids.TWO_32 * step,
        )
        for place, marker in enumerate(markers)
        if marker.life_count is not None
    )


def of_imaging(layout: Layout, cells: Cells) -> tuple[tuple[Counter, ...], tuple[Remark, ...]]:
    """The lifetime work totals of the whole machine; they wrap at 2**31 (IcCounter32 is Integer32 0..2147483647)."""
    found: list[Counter] = []
    remarks: list[Remark] = []
    for table in oids.COUNTER_TABLES:
        row = totals_row(layout, table, cells)
        if row is None:
            continue
        notes = Notes(row.suffix)
        for column, oid in zip(table.columns.values(), row.cells, strict=True):
            count = number(cells.get(oid), column.name, notes, 0, INT32_MAX)
            if count is not None:
                found.append(Counter(*_NAMES[column.name], count, oids.TWO_31))
        remarks += notes.remarks
    return tuple(found), tuple(remarks)
