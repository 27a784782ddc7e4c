"""What to ask: the columns to walk at first contact, what to keep of them, and when to learn afresh.

The wire walks every ``Root`` once, asks afterwards for the cells that ``keep`` names, and of those only the fast ones
(``is_fast``) at a quick poll. Rows of the alert table come and go, so its columns (``VOLATILE``) are walked every time.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from agent.mib import layout, oids
from agent.model.wire import Cells


@dataclass(frozen=True, slots=True)
class Root:
    """A column (or scalar) worth walking at first contact. The walk ends after ``rows`` rows at the latest."""

    oid: str
    name: str
    rows: int
    volatile: bool = False


# Row limits: many times what a large machine has, and little enough to bound an endless table.
_ROWS = {
    "ifTable": 64,
    "hrDeviceTable": 128,
    "hrPrinterTable": 32,
    "prtGeneralTable": 32,
    "prtCoverTable": 64,
    "prtLocalizationTable": 128,
    "prtInputTable": 64,
    "prtOutputTable": 128,
    "prtMarkerTable": 32,
    "prtMarkerSuppliesTable": 128,
    "prtMarkerColorantTable": 64,
    "prtMediaPathTable": 64,
    "prtConsoleDisplayBufferTable": 32,
    "prtConsoleLightTable": 32,
    "prtAlertTable": 128,
    # One row for each key, kind of work and persistence: three hundred are usual on a machine with all services.
    "icImpressionTable": 1024,
    "icTwoSidedTable": 1024,
    "icSheetTable": 1024,
}

SCALAR_ROOTS = tuple(Root(column.oid, column.name, 1) for column in oids.SCALARS)
TABLE_ROOTS = tuple(
    Root(column.oid, column.name, _ROWS[table.name], table is oids.PRT_ALERT)
    for table in oids.TABLES
    for column in table.columns.values()
)
ROOTS = SCALAR_ROOTS + TABLE_ROOTS
"""Everything to walk at first contact, in the order of usefulness: system, host resources, printer, counters."""

VOLATILE = tuple(root for root in TABLE_ROOTS if root.volatile)
"""The columns to walk at every poll."""

PROBE = tuple(
    Root(oid, name, rows)
    for oid, name, rows in (
        (oids.SYS_DESCR.oid, "sysDescr", 1),
        (oids.SYS_OBJECT_ID.oid, "sysObjectID", 1),
        (oids.HR_DEVICE["hrDeviceType"], "hrDeviceType", 128),
        (oids.HR_PRINTER["hrPrinterStatus"], "hrPrinterStatus", 32),
        (oids.PRT_GENERAL["prtGeneralConfigChanges"], "prtGeneralConfigChanges", 32),
        (oids.PRT_GENERAL["prtGeneralSerialNumber"], "prtGeneralSerialNumber", 32),
    )
)
"""The little that is needed to tell a printer from anything else (see ``devices``)."""

_FAST = frozenset(column.oid for column in oids.SCALARS if column.fast) | frozenset(
    column.oid for table in oids.TABLES for column in table.columns.values() if column.fast
)
_ALERT = oids.PRT_ALERT.oid + "."
_CONFIG_CHANGES = oids.PRT_GENERAL["prtGeneralConfigChanges"] + "."
_UP_TIME = oids.SYS_UP_TIME.oid + ".0"


def is_fast(oid: str) -> bool:
    """Whether this cell is asked at every quick poll: status, levels, counters, console, alerts, sysUpTime."""
    found = oids.find(oid)
    return found is not None and found[0].fast


def is_volatile(oid: str) -> bool:
    """Whether the cell is in a table whose rows come and go by themselves, so that its going means nothing."""
    return oid.startswith(_ALERT)


def tells(oid: str) -> bool:
    """Whether the value of this cell can tell that the tables have changed (see ``must_learn_again``)."""
    return oid == _UP_TIME or oid.startswith(_CONFIG_CHANGES)


def keep(cells: Cells) -> tuple[str, ...]:
    """Of all that a first walk brought, the cells that the decoder looks at, in the order they came.

    Left out: rows of devices that are no printers, character sets of localisations not in use, interfaces other than
    the one whose address is taken, counters other than the lifetime totals, alerts (they are walked each time).
    """
    used: set[str] = set()
    for device in layout.devices(cells):
        used |= layout.used(cells, device)
    return tuple(oid for oid in cells if oid in used and not oid.startswith(_ALERT))


def must_learn_again(before: Cells, now: Cells, asked: Collection[str] | None = None) -> str | None:
    """Why the tables have to be walked afresh, as a sentence; None when they need not.

    ``before`` are all cells known so far, or where nothing asked for is missing those that tell (``tells``); ``now``
    what the present poll brought. ``asked`` are the cells it asked for (None: all of ``before``); one of them that is
    not in ``now`` has vanished. A day having passed is the caller's affair, as it knows the time.
    """
    old, new = before.get(_UP_TIME), now.get(_UP_TIME)
    if isinstance(old, int) and isinstance(new, int) and new < old:
        return "sysUpTime fell: the printer was restarted"
    known = before.keys() if asked is None else [oid for oid in asked if oid in before]
    gone = [oid for oid in known if oid not in now and not oid.startswith(_ALERT)]
    if gone:
        return f"{describe(min(gone))} vanished"
    moved = [oid for oid in known if oid.startswith(_CONFIG_CHANGES) and before[oid] != now[oid]]
    for device in layout.layout_of(before).speaks_printer_mib if moved else ():
        oid = f"{_CONFIG_CHANGES}{device}"
        if oid in moved:
            return f"{describe(oid)} moved from {before[oid]!r} to {now[oid]!r}: the configuration was changed"
    return None


def describe(oid: str) -> str:
    """``prtMarkerSuppliesLevel.1.3`` for a cell that is known by name, else the OID itself."""
    found = oids.find(oid)
    return oid if found is None else f"{found[0].name}.{found[1]}"
