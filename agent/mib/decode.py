"""The cells of one printer -> a ``Reading``. Pure, and never raises on whatever a printer answers.

The rows are decoded by ``supplies`` and ``subunits``; this module looks them up, in the order in which they depend on
each other: localisation before texts, colorants before supplies. What is put right by an oddity is put right here,
after the standard's reading and before anything is derived from it.

A reading is made of parts, each out of tables of its own. From poll to poll hardly a cell moves, so ``decode_again``
makes anew only the parts that have a moved cell, and gives exactly what ``decode`` gives.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from itertools import chain
from typing import Any, NamedTuple, TypeVar

from agent.mib import counters, enums, oids, parts, subunits, supplies, values
from agent.mib import oddities as odd
from agent.mib.layout import MOST_REMEMBERED, Row, devices, hardware_address, host_index, layout_of
from agent.mib.oddities import Oddity
from agent.mib.parts import Memory
from agent.mib.subunits import Raws, Remarks
from agent.mib.supplies import Colorants
from agent.mib.values import Notes
from agent.model.reading import Counter, Marker, Reading, Remark, Supply, System
from agent.model.wire import Cells

__all__ = ["Memory", "decode", "decode_again", "devices"]

Decoded = TypeVar("Decoded")

_DESCR, _OBJECT_ID, _UP_TIME, _NAME, _LOCATION = (f"{column.oid}.0" for column in oids.SCALARS)
_SUPPLY_COLORANT = tuple(oids.PRT_SUPPLIES.columns).index(3)


def decode(cells: Cells, *, at: datetime, address: str, device_index: int, oddities: Sequence[Oddity] = ()) -> Reading:
    """What one printer answered, decoded.

    The model is hrDeviceDescr, and where that is missing sysDescr. Hardware address and imaging counters belong to the
    whole address; of several printers behind it the first has them.

    Args:
        cells: all that the address answered, printers beside this one included.
        at: when the answer came, UTC.
        address: as the settings name it.
        device_index: which of ``devices(cells)``.
        oddities: those that apply to this printer (see ``oddities.choose``); all of them are applied, in order.
    """
    return _Decoder(cells, device_index, oddities).reading(at, address, parts.ALL)


def decode_again(
    cells: Cells,
    before: Memory | None,
    *,
    at: datetime,
    address: str,
    device_index: int,
    oddities: Sequence[Oddity] = (),
) -> tuple[Reading, Memory | None]:
    """As ``decode``, with what is remembered of the reading before.

    Returns:
        The reading, and what is to be remembered for the next one: nothing of cells of absurd size or number.
    """
    stale = parts.ALL if before is None else parts.stale(cells, before, device_index, oddities)
    if before is None or stale is parts.ALL:
        decoder = _Decoder(cells, device_index, oddities)
    else:
        decoder = _Decoder(cells, device_index, oddities, before)
    reading = decoder.reading(at, address, stale)
    if decoder.cells is not cells or len(cells) > MOST_REMEMBERED:
        return reading, None
    values = tuple(decoder.values)
    remarks = tuple(decoder.of_parts) if reading.remarks else parts.NO_REMARKS
    return reading, Memory(tuple(cells.values()), decoder.layout, device_index, oddities, values, remarks)


def _bounded(cells: Cells) -> Cells:
    """The cells, with values of absurd size cut: what is remembered between readings must not grow with them.

    All that is cut off is beyond what any syntax in the tables allows, so the decoder remarks on the rest as on the
    whole.
    """
    if any(map(parts.absurd, cells.values())):
        return {oid: parts.cut(value) for oid, value in cells.items()}
    return cells


class _General(NamedTuple):
    """prtGeneralEntry, decoded, and the character sets that it names for texts and for the console's."""

    charset: int | None
    console_charset: int | None
    config_changes: int | None
    name: str
    serial: str
    critical_events: int | None
    all_events: int | None


class _Decoder:
    """The decoding of one reading: the cells, their layout, and the parts made so far with the remarks on each."""

    __slots__ = (
        "cells",
        "charset",
        "console_charset",
        "device",
        "layout",
        "oddities",
        "of_parts",
        "remarks",
        "tables",
        "values",
    )

    def __init__(self, cells: Cells, device: int, oddities: Sequence[Oddity], before: Memory | None = None) -> None:
        self.device = device
        self.oddities = oddities
        self.remarks: list[Remark] = []  # on the part that is being made
        self.charset: int | None = None
        self.console_charset: int | None = None
        if before is None:
            self.cells = _bounded(cells)
            self.layout = layout_of(cells)
            self.values: list[Any] = [None] * parts.COUNT
            self.of_parts: list[Remarks] = [()] * parts.COUNT
        else:
            self.cells, self.layout = cells, before.layout
            self.values, self.of_parts = list(before.values), list(before.remarks)
        self.tables = self.layout.devices.get(device) or {}

    def make(self, number: int) -> None:
        """Make a part out of the cells."""
        self.remarks = []
        self.values[number] = _MAKERS[number](self)
        self.of_parts[number] = tuple(self.remarks)

    def reading(self, at: datetime, address: str, stale: frozenset[int]) -> Reading:
        """The reading, for which the parts that are ``stale`` are made; all others must be there."""
        if parts.GENERAL in stale:
            self.make(parts.GENERAL)
        general: _General = self.values[parts.GENERAL]
        self.charset, self.console_charset = general.charset, general.console_charset
        for number in sorted(stale):
            if number != parts.GENERAL:
                self.make(number)
        _, kind, up_time, place, host, markers, mac, speed, *tables, counts = self.values
        supplied, trays, bins, covers, console, lights, alerts = tables
        (descr, object_id), (name, location) = kind, place
        model, device_status, printer_status, errors = host
        return Reading(
            at=at,
            address=address,
            device_index=self.device,
            system=System(descr, object_id, up_time, name, location),
            name=general.name,
            model=model or descr,
            serial=general.serial,
            mac=mac,
            device_status=device_status,
            printer_status=printer_status,
            errors=errors,
            config_changes=general.config_changes,
            critical_events=general.critical_events,
            all_events=general.all_events,
            pages_per_minute=speed,
            markers=markers,
            supplies=supplied,
            trays=trays,
            bins=bins,
            covers=covers,
            console=console,
            lights=lights,
            alerts=alerts,
            counters=counts,
            remarks=tuple(chain.from_iterable(self.of_parts)),
        )

    # --- looking up ---------------------------------------------------------------------------------------------

    def raws(self, row: Row) -> Raws:
        return tuple(map(self.cells.get, row.cells))

    def rows(
        self,
        table: str,
        decoded: Callable[[int, str, Raws, int | None], tuple[Decoded, Remarks]],
        console: bool = False,
    ) -> tuple[Decoded, ...]:
        """All rows of a table, each through ``decoded``; its remarks are kept."""
        charset = self.console_charset if console else self.charset
        get = self.cells.get
        result = []
        for row in self.tables.get(table, ()):
            value, remarks = decoded(row.index, row.suffix, tuple(map(get, row.cells)), charset)
            result.append(value)
            if remarks:
                self.remarks += remarks
        return tuple(result)

    def note(self, notes: Notes) -> None:
        self.remarks += notes.remarks

    def owns_what_is_shared(self) -> bool:
        """Whether interfaces and imaging counters are this printer's: of several behind one address, the first's."""
        return self.device == self.layout.first

    # --- the parts ----------------------------------------------------------------------------------------------

    def kind(self) -> tuple[str, str]:
        """SysDescr and sysObjectID."""
        notes = Notes("0")
        descr = values.free(self.cells.get(_DESCR), None, "sysDescr", notes)
        object_id = values.object_id(self.cells.get(_OBJECT_ID), "sysObjectID", notes)
        self.note(notes)
        return descr, object_id

    def up_time(self) -> int | None:
        notes = Notes("0")
        ticks = values.counter(self.cells.get(_UP_TIME), "sysUpTime", notes)
        self.note(notes)
        return ticks

    def place(self) -> tuple[str, str]:
        """SysName and sysLocation."""
        notes = Notes("0")
        name = values.free(self.cells.get(_NAME), None, "sysName", notes)
        location = values.free(self.cells.get(_LOCATION), None, "sysLocation", notes)
        self.note(notes)
        return name, location

    def host_resources(self) -> tuple[str, str | None, str | None, frozenset[str]]:
        """The model, hrDeviceStatus, hrPrinterStatus and the error bits."""
        model, device_status, printer_status = "", None, None
        errors: frozenset[str] = frozenset()
        index = host_index(self.layout, self.cells, self.device)
        if index is None:
            return model, device_status, printer_status, errors
        notes = Notes(str(index))
        if index != self.device:
            notes.add("hrPrinterStatus", f"host resources have the printer {self.device} under the index {index}")
        for row in self.layout.rows(index, oids.HR_DEVICE):
            _, descr, status = self.raws(row)
            model = values.free(descr, None, "hrDeviceDescr", notes)
            device_status = values.label(enums.DEVICE_STATUS, status, "hrDeviceStatus", notes)
        for row in self.layout.rows(index, oids.HR_PRINTER):
            status, bits = self.raws(row)
            printer_status = values.label(enums.PRINTER_STATUS, status, "hrPrinterStatus", notes)
            errors = values.errors(bits, "hrPrinterDetectedErrorState", notes)
        self.note(notes)
        return model, device_status, printer_status, errors

    def general(self) -> _General:
        """prtGeneralEntry; it also tells in which character sets the other texts are."""
        notes = Notes(str(self.device))
        raws: Raws = (None,) * len(oids.PRT_GENERAL.columns)
        for row in self.tables.get("prtGeneralTable", ()):
            raws = self.raws(row)
        changes, localisation, console, name, serial, critical, every = raws
        charset = console_charset = None
        if localisation is not None or console is not None:
            sets = self.character_sets(notes)
            charset = sets.get(values.number(localisation, "prtGeneralCurrentLocalization", notes))
            console_charset = sets.get(values.number(console, "prtConsoleLocalization", notes), charset)
        general = _General(
            charset,
            console_charset,
            values.counter(changes, "prtGeneralConfigChanges", notes),
            values.free(name, charset, "prtGeneralPrinterName", notes),
            values.free(serial, charset, "prtGeneralSerialNumber", notes),
            values.counter(critical, "prtAlertCriticalEvents", notes),
            values.counter(every, "prtAlertAllEvents", notes),
        )
        self.note(notes)
        return general

    def character_sets(self, notes: Notes) -> dict[int | None, int]:
        """PrtLocalizationIndex -> MIBenum, of the localisations that name one."""
        sets: dict[int | None, int] = {}
        for row in self.tables.get("prtLocalizationTable", ()):
            charset = values.number(self.raws(row)[0], "prtLocalizationCharacterSet", notes, 0)
            if charset is not None:
                sets[row.index] = charset
        return sets

    def mac(self) -> str:
        return hardware_address(self.layout, self.cells)[0] if self.owns_what_is_shared() else ""

    def markers(self) -> tuple[Marker, ...]:
        rows = []
        for row in self.tables.get("prtMarkerTable", ()):
            marker, remarks = subunits.marker(row.index, row.suffix, self.raws(row))
            rows.append(marker)
            self.remarks += remarks
        if not self.oddities:
            return tuple(rows)
        fixed, remarks = odd.correct_markers(rows, self.oddities)
        self.remarks += remarks
        return fixed

    def colorants(self) -> Colorants:
        named: dict[int, str | None] = {}
        for row in self.tables.get("prtMarkerColorantTable", ()):
            named[row.index], remarks = supplies.colorant(row.suffix, self.raws(row), self.charset)
            self.remarks += remarks
        return named

    def supplies(self) -> tuple[Supply, ...]:
        colorants = self.colorants()
        rows: list[Supply] = []
        for row in self.tables.get("prtMarkerSuppliesTable", ()):
            raws = self.raws(row)
            colour, remarks = supplies.colour_of(raws[_SUPPLY_COLORANT], colorants, row.suffix)
            self.remarks += remarks
            supply, remarks = supplies.supply(row.index, row.suffix, raws, self.charset, colour, bool(colorants))
            rows.append(supply)
            self.remarks += remarks
        if not self.oddities:
            return supplies.told_apart(rows)
        fixed, remarks = odd.correct_supplies(rows, self.oddities)
        self.remarks += remarks
        return supplies.told_apart(fixed)

    def console(self) -> tuple[str, ...]:
        """The lines of the display, without the empty ones at the end."""
        notes = Notes(str(self.device))
        lines = [
            values.localised(self.cells.get(row.cells[0]), self.console_charset, "prtConsoleDisplayBufferText", notes)
            for row in self.tables.get("prtConsoleDisplayBufferTable", ())
        ]
        self.note(notes)
        while lines and not lines[-1]:
            lines.pop()
        return tuple(lines)

    def pages_per_minute(self) -> float | None:
        fastest: int | None = None
        for row in self.tables.get("prtMediaPathTable", ()):
            speed, remarks = subunits.pages_an_hour(row.suffix, self.raws(row))
            self.remarks += remarks
            if speed is not None and (fastest is None or speed > fastest):
                fastest = speed
        return None if fastest is None else fastest / 60

    def counters(self) -> tuple[Counter, ...]:
        lives = counters.of_markers(self.values[parts.MARKERS], odd.life_times(self.oddities))
        if not self.owns_what_is_shared() or not self.layout.shared:
            return lives
        totals, remarks = counters.of_imaging(self.layout, self.cells)
        self.remarks += remarks
        return (*lives, *totals)


_MAKERS: tuple[Callable[[_Decoder], Any], ...] = (
    _Decoder.general,
    _Decoder.kind,
    _Decoder.up_time,
    _Decoder.place,
    _Decoder.host_resources,
    _Decoder.markers,
    _Decoder.mac,
    _Decoder.pages_per_minute,
    _Decoder.supplies,
    lambda self: self.rows("prtInputTable", subunits.tray),
    lambda self: self.rows("prtOutputTable", subunits.output_bin),
    lambda self: self.rows("prtCoverTable", subunits.cover),
    _Decoder.console,
    lambda self: self.rows("prtConsoleLightTable", subunits.light, console=True),
    lambda self: self.rows("prtAlertTable", subunits.alert),
    _Decoder.counters,
)
"""How the parts are made, in the order of their numbers."""
