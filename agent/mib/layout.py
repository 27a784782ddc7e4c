"""Which cells make which rows: the set of OIDs that an agent answers, sorted once and remembered.

A printer answers the same OIDs for months, and printers of one model answer the same ones. So the work of taking OIDs
apart is done once for each set (``layout_of``, a pure function behind a bounded cache); reading a row is then a
matter of looking up a handful of keys.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from agent.mib import oids
from agent.mib.oids import Table
from agent.model.wire import Cells

MAX_SUB_ID = 2**32 - 1

# A computer lists its print queues as devices of type printer. These say that it is one: device types that no printer
# has (coprocessor, keyboard, pointing device: RFC 2790), and the sysObjectIDs of two operating systems' own agents.
_COMPUTER_TYPES = frozenset(f"{oids.HOST}.3.1.{n}" for n in (12, 13, 15))
_COMPUTER_AGENTS = ("1.3.6.1.4.1.8072.3.2.", "1.3.6.1.4.1.311.1.1.3.")

ETHERNET, WIRELESS = 6, 71  # IANAifType: ethernetCsmacd, ieee80211


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table: ``index`` within its device, ``suffix`` the whole index as text.

    ``cells`` are the OIDs of all the table's columns in order, those that the agent does not answer included.
    """

    index: int
    suffix: str
    cells: tuple[str, ...]


_NO_ROWS: Mapping[str, tuple[Row, ...]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything that a set of OIDs holds. ``oids``: the set itself, in the order in which they were given.

    ``devices``: hrDeviceIndex -> table name -> rows, in order of index (tables of the printer and host resources).
    ``shared``: table name -> rows, for what belongs to the whole address (interfaces, imaging counters).
    ``speaks_printer_mib``: the hrDeviceIndexes that have a row in any table of the Printer-MIB. ``first``: the lowest
    of them, or of those in hrPrinterTable when none speaks it.
    """

    oids: tuple[str, ...]
    devices: Mapping[int, Mapping[str, tuple[Row, ...]]]
    shared: Mapping[str, tuple[Row, ...]]
    speaks_printer_mib: frozenset[int]
    first: int | None

    def rows(self, device: int, table: Table) -> tuple[Row, ...]:
        """The rows of one table of one device; none where there are none."""
        return self.devices.get(device, _NO_ROWS).get(table.name, ())


def _index(text: str) -> tuple[int, ...] | None:
    """The sub-identifiers of an index, or None when it is not made of numbers that SNMP allows."""
    parts = text.split(".")
    if not all(part.isascii() and part.isdecimal() and len(part) <= 10 for part in parts):
        return None
    numbers = tuple(map(int, parts))
    return numbers if max(numbers) <= MAX_SUB_ID else None


def _row_cells(table: Table, suffix: str) -> tuple[str, ...]:
    return tuple(f"{column.oid}.{suffix}" for column in table.columns.values())


_TABLE_OF = MappingProxyType({column.oid: table for table in oids.TABLES for column in table.columns.values()})
_SHARED = frozenset({oids.IF_TABLE.name, *(table.name for table in oids.COUNTER_TABLES)})
_SPOKEN = frozenset(table.name for table in oids.PRINTER_TABLES)


def _instances(cells: tuple[str, ...]) -> Iterator[tuple[Table, str, tuple[int, ...]]]:
    for oid in cells:
        found = oids.find(oid)
        if found is None:
            continue
        column, suffix = found
        table = _TABLE_OF.get(column.oid)
        index = _index(suffix)
        # Written in one way only: a leading zero would make two names of one row.
        if table is not None and index is not None and suffix == ".".join(map(str, index)):
            yield table, suffix, index


def layout_of(cells: Cells) -> Layout:
    """The layout of these cells, remembered unless there are suspiciously many of them."""
    answered = tuple(cells)
    return _remembered(answered) if len(answered) <= MOST_REMEMBERED else compile_layout(answered)


def compile_layout(cells: tuple[str, ...]) -> Layout:
    """Sort the OIDs that an agent answers into rows. OIDs that no table knows are passed over."""
    devices: dict[int, dict[str, dict[tuple[int, ...], Row]]] = {}
    shared: dict[str, dict[tuple[int, ...], Row]] = {}
    speaks: set[int] = set()
    for table, suffix, index in _instances(cells):
        if table.name in _SHARED:
            rows = shared.setdefault(table.name, {})
        else:
            rows = devices.setdefault(index[0], {}).setdefault(table.name, {})
            if table.name in _SPOKEN:
                speaks.add(index[0])
        if index not in rows:
            rows[index] = Row(index[1] if len(index) == 2 else index[0], suffix, _row_cells(table, suffix))
    return Layout(
        cells,
        MappingProxyType({device: _frozen(tables) for device, tables in sorted(devices.items())}),
        _frozen(shared),
        frozenset(speaks),
        min(speaks or {device for device, tables in devices.items() if oids.HR_PRINTER.name in tables}, default=None),
    )


def _frozen(tables: dict[str, dict[tuple[int, ...], Row]]) -> Mapping[str, tuple[Row, ...]]:
    return MappingProxyType(
        {name: tuple(row for _, row in sorted(rows.items(), key=lambda item: item[0])) for name, rows in tables.items()}
    )


# A printer with many trays, bins and alerts has a few hundred cells. More are taken apart anew each time, so that no
# printer can fill the memory with ever new sets of OIDs.
MOST_REMEMBERED = 600
_remembered = lru_cache(maxsize=1024)(compile_layout)


# --- which devices are printers ---------------------------------------------------------------------------------

_TYPE = oids.HR_DEVICE["hrDeviceType"]
_OBJECT_ID = oids.SYS_OBJECT_ID.oid + ".0"


def devices(cells: Cells) -> tuple[int, ...]:
    """The hrDeviceIndex of each printer behind one address, in order; empty when there is none.

    A device is a printer when it answers the Printer-MIB, whatever its Host Resources rows say or lack. Where none
    does, one that says it is a printer (hrDeviceType, with a row in hrPrinterTable) is taken for one, unless the agent
    is a computer's: computers list their print queues in just that way.
    """
    layout = layout_of(cells)
    if layout.speaks_printer_mib:
        return tuple(sorted(layout.speaks_printer_mib))
    silent = tuple(
        device
        for device in layout.devices
        if layout.rows(device, oids.HR_PRINTER) and cells.get(f"{_TYPE}.{device}") == oids.HR_DEVICE_PRINTER
    )
    return () if silent and _is_computer(layout, cells) else silent


def _is_computer(layout: Layout, cells: Cells) -> bool:
    object_id = cells.get(_OBJECT_ID)
    if isinstance(object_id, str) and f"{object_id}.".startswith(_COMPUTER_AGENTS):
        return True
    return any(cells.get(f"{_TYPE}.{device}") in _COMPUTER_TYPES for device in layout.devices)


def host_index(layout: Layout, cells: Cells, device: int) -> int | None:
    """The hrDeviceIndex under which Host Resources tells of a printer; None where it tells nothing of it.

    RFC 3805 has one index for both. Some agents number their tables apart, so that the Printer-MIB's 1 is a processor
    or a disk in hrDeviceTable: then the only row of hrPrinterTable is the only printer's.
    """
    if layout.rows(device, oids.HR_PRINTER):
        return device
    if cells.get(f"{_TYPE}.{device}", oids.HR_DEVICE_PRINTER) == oids.HR_DEVICE_PRINTER:
        found = [device] if layout.rows(device, oids.HR_DEVICE) else []
    else:
        found = []
    if not found and layout.speaks_printer_mib == {device}:
        found = [other for other in layout.devices if layout.rows(other, oids.HR_PRINTER)]
    return found[0] if len(found) == 1 else None


# --- what belongs to the whole address --------------------------------------------------------------------------


def hardware_address(layout: Layout, cells: Cells) -> tuple[str, Row | None]:
    """The MAC address as ``02:00:5e:10:00:01``, and the ifTable row it is from; ``""`` and None if there is none.

    Ethernet goes before wireless, and wireless before anything else with six octets; then the lowest ifIndex. All
    zeros, broadcast and group addresses are nobody's.
    """
    best: tuple[int, int, str, Row] | None = None
    for row in layout.shared.get(oids.IF_TABLE.name, ()):
        kind, octets = (cells.get(oid) for oid in row.cells)
        if not isinstance(octets, bytes) or len(octets) != 6 or octets[0] & 1 or not any(octets):
            continue
        rank = 0 if kind == ETHERNET else 1 if kind == WIRELESS else 2
        if best is None or (rank, row.index) < best[:2]:
            best = (rank, row.index, octets.hex(":"), row)
    return ("", None) if best is None else (best[2], best[3])


def totals_row(layout: Layout, table: Table, cells: Cells) -> Row | None:
    """The row of a PWG 5106.3 work table that counts everything the machine has done in its life, or None.

    Of the rows with work type workTotals and persistence lifetime there is one for each key: the whole system and its
    services. The system's count includes all of the services', so it is the greatest; of equals the first is taken.
    """
    wanted = f".{oids.IC_WORK_TOTALS}.{oids.IC_LIFETIME}"
    best: Row | None = None
    most = -1
    for row in layout.shared.get(table.name, ()):
        total = cells.get(row.cells[0])
        if row.suffix.endswith(wanted) and isinstance(total, int) and most < total < oids.TWO_31:
            best, most = row, total
    return best


def used(cells: Cells, device: int) -> frozenset[str]:
    """The OIDs that matter for one device: what decoding it looks at, now or once a value has changed."""
    layout = layout_of(cells)
    wanted = {f"{column.oid}.0" for column in oids.SCALARS}
    in_use = _localisations(cells, device)
    for name, rows in layout.devices.get(device, _NO_ROWS).items():
        for row in rows:
            if name != oids.PRT_LOCALIZATION.name or row.index in in_use:
                wanted.update(row.cells)
    elsewhere = host_index(layout, cells, device)
    if elsewhere is not None:
        for table in (oids.HR_DEVICE, oids.HR_PRINTER):
            wanted.update(oid for row in layout.rows(elsewhere, table) for oid in row.cells)
    rows_used = [totals_row(layout, table, cells) for table in oids.COUNTER_TABLES]
    rows_used.append(hardware_address(layout, cells)[1])
    for used_row in rows_used:
        if used_row is not None:
            wanted.update(used_row.cells)
    return frozenset(oid for oid in wanted if oid in cells)


def _localisations(cells: Cells, device: int) -> set[object]:
    used_by = ("prtGeneralCurrentLocalization", "prtConsoleLocalization")
    return {cells.get(f"{oids.PRT_GENERAL[name]}.{device}") for name in used_by}
