"""The cells of one printer -> a ``Reading``. Pure, and never raises on whatever a printer answers.

The rows are decoded by ``supplies`` and ``subunits``; this module looks them up, in the order in which they depend on
each other: localisation before texts, colorants before supplies. What is put right by an oddity is put right here,
after the standard's reading and before anything is derived from it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import NamedTuple, TypeVar

from agent.mib import counters, enums, oids, subunits, supplies, values
from agent.mib import oddities as odd
from agent.mib.layout import Row, devices, hardware_address, host_index, layout_of
from agent.mib.oddities import Oddity
from agent.mib.subunits import Raws, Remarks
from agent.mib.supplies import Colorants
from agent.mib.values import Notes
from agent.model.reading import Counter, Marker, Reading, Remark, Supply, System
from agent.model.wire import Cells, Value

__all__ = ["decode", "devices"]

Decoded = TypeVar("Decoded")

_SCALARS = tuple(f"{column.oid}.0" for column in oids.SCALARS)
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
    return _Decoder(cells, device_index).reading(at, address, oddities)


_LONGEST = 1024
_GREATEST = 2**64


def _bounded(cells: Cells) -> Cells:
    """The cells, with values of absurd size cut: what is remembered between readings must not grow with them.

    All that is cut off is beyond what any syntax in the tables allows, so the decoder remarks on the rest as on the
    whole.
    """
    for value in cells.values():
        if not -_GREATEST <= value <= _GREATEST if isinstance(value, int) else len(value) > _LONGEST:
            return {oid: _cut(value) for oid, value in cells.items()}
    return cells


def _cut(value: Value) -> Value:
    if isinstance(value, int):
        return max(-_GREATEST, min(value, _GREATEST))
    return value[:_LONGEST]


class _General(NamedTuple):
    """prtGeneralEntry, decoded."""

    config_changes: int | None
    name: str
    serial: str
    critical_events: int | None
    all_events: int | None


class _Decoder:
    """The decoding of one reading: the cells, their layout, and the remarks gathered on the way."""

    __slots__ = ("cells", "charset", "console_charset", "device", "layout", "remarks", "tables")

    def __init__(self, cells: Cells, device: int) -> None:
        self.cells = _bounded(cells)
        self.device = device
        self.layout = layout_of(cells)
        self.tables = self.layout.devices.get(device) or {}
        self.remarks: list[Remark] = []
        self.charset: int | None = None
        self.console_charset: int | None = None

    def reading(self, at: datetime, address: str, oddities: Sequence[Oddity]) -> Reading:
        general = self.general()
        system = self.system()
        model, device_status, printer_status, errors = self.host_resources()
        markers = self.markers(oddities)
        shared = self.owns_what_is_shared()
        return Reading(
            at=at,
            address=address,
            device_index=self.device,
            system=system,
            name=general.name,
            model=model or system.descr,
            serial=general.serial,
            mac=hardware_address(self.layout, self.cells)[0] if shared else "",
            device_status=device_status,
            printer_status=printer_status,
            errors=errors,
            config_changes=general.config_changes,
            critical_events=general.critical_events,
            all_events=general.all_events,
            pages_per_minute=self.pages_per_minute(),
            markers=markers,
            supplies=self.supplies(oddities),
            trays=self.rows("prtInputTable", subunits.tray),
            bins=self.rows("prtOutputTable", subunits.output_bin),
            covers=self.rows("prtCoverTable", subunits.cover),
            console=self.console(),
            lights=self.rows("prtConsoleLightTable", subunits.light, console=True),
            alerts=self.rows("prtAlertTable", subunits.alert),
            counters=self.counters(markers, oddities, shared),
            remarks=tuple(self.remarks),
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

    def system(self) -> System:
        descr, object_id, uptime, name, location = map(self.cells.get, _SCALARS)
        notes = Notes("0")
        system = System(
            descr=values.free(descr, None, "sysDescr", notes),
            object_id=values.object_id(object_id, "sysObjectID", notes),
            uptime=values.counter(uptime, "sysUpTime", notes),
            name=values.free(name, None, "sysName", notes),
            location=values.free(location, None, "sysLocation", notes),
        )
        self.note(notes)
        return system

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
        if localisation is not None or console is not None:
            sets = self.character_sets(notes)
            self.charset = sets.get(values.number(localisation, "prtGeneralCurrentLocalization", notes))
            self.console_charset = sets.get(values.number(console, "prtConsoleLocalization", notes), self.charset)
        general = _General(
            values.counter(changes, "prtGeneralConfigChanges", notes),
            values.free(name, self.charset, "prtGeneralPrinterName", notes),
            values.free(serial, self.charset, "prtGeneralSerialNumber", notes),
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

    def markers(self, oddities: Sequence[Oddity]) -> tuple[Marker, ...]:
        rows = []
        for row in self.tables.get("prtMarkerTable", ()):
            marker, remarks = subunits.marker(row.index, row.suffix, self.raws(row))
            rows.append(marker)
            self.remarks += remarks
        if not oddities:
            return tuple(rows)
        fixed, remarks = odd.correct_markers(rows, oddities)
        self.remarks += remarks
        return fixed

    def colorants(self) -> Colorants:
        named: dict[int, str | None] = {}
        for row in self.tables.get("prtMarkerColorantTable", ()):
            named[row.index], remarks = supplies.colorant(row.suffix, self.raws(row), self.charset)
            self.remarks += remarks
        return named

    def supplies(self, oddities: Sequence[Oddity]) -> tuple[Supply, ...]:
        colorants = self.colorants()
        rows: list[Supply] = []
        for row in self.tables.get("prtMarkerSuppliesTable", ()):
            raws = self.raws(row)
            colour, remarks = supplies.colour_of(raws[_SUPPLY_COLORANT], colorants, row.suffix)
            self.remarks += remarks
            supply, remarks = supplies.supply(row.index, row.suffix, raws, self.charset, colour, bool(colorants))
            rows.append(supply)
            self.remarks += remarks
        if not oddities:
            return supplies.told_apart(rows)
        fixed, remarks = odd.correct_supplies(rows, oddities)
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

    def counters(self, markers: Sequence[Marker], oddities: Sequence[Oddity], shared: bool) -> tuple[Counter, ...]:
        lives = counters.of_markers(markers, odd.life_times(oddities))
        if not shared or not self.layout.shared:
            return lives
        totals, remarks = counters.of_imaging(self.layout, self.cells)
        self.remarks += remarks
        return (*lives, *totals)
