"""Raw cell -> what it is called and what it means, for people who want to see what a printer really answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from agent.mib import oids, values
from agent.mib.charsets import CODECS
from agent.mib.enums import CAPACITY_UNIT, ENUMS, SUPPLY_UNIT
from agent.mib.layout import host_index, layout_of
from agent.mib.oids import Column
from agent.mib.text import words
from agent.mib.values import Notes
from agent.model.reading import Mark, SubUnitStatus
from agent.model.wire import Cells, Value

_MARKS = {
    Mark.OTHER: "other: no limit is placed on this",
    Mark.UNKNOWN: "unknown",
    Mark.SOME: "some remains, how much is not known",
}


@dataclass(frozen=True, slots=True)
class Explained:
    """One cell: its OID, ``name`` with the instance (``prtMarkerSuppliesLevel.1.3``), value as sent, and meaning."""

    oid: str
    name: str
    raw: str
    meaning: str


def explain(cells: Cells, device_index: int) -> list[Explained]:
    """Every cell of one printer and of the agent it is behind, in the order of the OIDs.

    Cells of other devices are left out. Cells that Lowmark does not know have their OID for a name and no meaning. All
    texts are safe to show.
    """
    explained = []
    charset, console_charset = charsets(cells, device_index)
    own = str(device_index)
    host = str(host_index(layout_of(cells), cells, device_index))
    for oid in sorted(cells, key=_order):
        found = oids.find(oid)
        value = cells[oid]
        if found is None:
            plain = words(oid.encode("utf-8", "replace"))
            explained.append(Explained(plain, plain, _raw(value), ""))
            continue
        column, instance = found
        of = instance.partition(".")[0]
        if (column.oid.startswith(_OF_A_PRINTER) and of != own) or (column.oid.startswith(_OF_A_HOST) and of != host):
            continue
        used = console_charset if column.syntax == "consoleText" else charset
        said = _share(cells, column, instance) or meaning(column, value, instance, used)
        explained.append(Explained(oid, f"{column.name}.{instance}", _raw(value), said))
    return explained


_OF_A_PRINTER = f"{oids.PRINTER}."
_OF_A_HOST = (f"{oids.HR_DEVICE.oid}.", f"{oids.HR_PRINTER.oid}.")


def charsets(cells: Cells, device_index: int) -> tuple[int | None, int | None]:
    """The MIBenum of the character sets of descriptions and of the console, None where the printer names none."""
    of: dict[object, int] = {}
    for row in layout_of(cells).rows(device_index, oids.PRT_LOCALIZATION):
        value = cells.get(row.cells[0])
        if isinstance(value, int):
            of[row.index] = value
    general, console = (
        cells.get(f"{oids.PRT_GENERAL[name]}.{device_index}")
        for name in ("prtGeneralCurrentLocalization", "prtConsoleLocalization")
    )
    charset = of.get(general)
    return charset, of.get(console, charset)


def _order(oid: str) -> tuple[tuple[int, str], ...]:
    return tuple(
        (int(part), "") if part.isascii() and part.isdecimal() and len(part) < 20 else (0, part)
        for part in oid.split(".")
    )


def _raw(value: Value) -> str:
    if isinstance(value, bytes):
        text = words(value)
        if value and text.isascii() and text.encode() == value:
            return f'"{text}"'
        return f"0x{value[:64].hex()}{'...' if len(value) > 64 else ''}"
    return values.shown(value).removeprefix("the OID ")


def meaning(column: Column, value: Value, instance: str, charset: int | None = None) -> str:
    """What the value says, in words; for a value that is not legal, what is wrong with it."""
    notes = Notes(instance)
    said = _SAYS.get(column.syntax, _number)(column, value, notes, charset)
    return "; ".join(part for part in (said, *(remark.what for remark in notes.remarks)) if part)


def _localised(column: Column, value: Value, notes: Notes, charset: int | None) -> str:
    return values.localised(value, charset, column.name, notes)


def _free(column: Column, value: Value, notes: Notes, charset: int | None) -> str:
    return values.free(value, charset, column.name, notes)


def _oid(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    oid = values.object_id(value, column.name, notes)
    return "a printer" if oid == oids.HR_DEVICE_PRINTER else oid


def _hex(_: Column, value: Value, __: Notes, ___: int | None) -> str:
    return value.hex(":") if isinstance(value, bytes) and len(value) <= _LONGEST_ADDRESS else ""


def _ticks(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    ticks = values.counter(value, column.name, notes)
    return "" if ticks is None else _duration(ticks)


def _level(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    amount = values.level(value, column.name, notes)
    return _MARKS[amount] if isinstance(amount, Mark) else f"{amount} left"


def _capacity(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    amount = values.capacity(value, column.name, notes)
    return _MARKS[amount] if isinstance(amount, Mark) else str(amount)


def _sub_unit(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    status = values.status(value, column.name, notes)
    return "" if status is None else _status(status)


def _errors(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    return ", ".join(sorted(values.errors(value, column.name, notes))) or "no error"


def _charset(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    charset = values.number(value, column.name, notes)
    return "" if charset is None else CODECS.get(charset, "a character set that is not known here")


def _counter(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    found = values.counter(value, column.name, notes)
    return "" if found is None else str(found)


def _ordinal(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    found = values.number(value, column.name, notes)
    return "" if found is None else f"row {found}" if found else "none"


def _number(column: Column, value: Value, notes: Notes, _: int | None) -> str:
    if column.syntax in ENUMS:
        return values.label(ENUMS[column.syntax], value, column.name, notes) or ""
    found = values.number(value, column.name, notes)
    return "" if found is None else str(found)


_LONGEST_ADDRESS = 16
_SAYS: Mapping[str, Callable[[Column, Value, Notes, int | None], str]] = {
    "text": _localised,
    "consoleText": _localised,
    "display": _free,
    "string": _free,
    "oid": _oid,
    "hex": _hex,
    "ticks": _ticks,
    "level": _level,
    "capacity": _capacity,
    "status": _sub_unit,
    "hrPrinterDetectedErrorState": _errors,
    "IANACharset": _charset,
    "counter": _counter,
    "ordinal": _ordinal,
}


# Level column -> the columns of its row that say how much is the whole, in what, and for a supply of which class.
_WHOLES = {
    "prtMarkerSuppliesLevel": (
        oids.PRT_SUPPLIES,
        "prtMarkerSuppliesMaxCapacity",
        "prtMarkerSuppliesSupplyUnit",
        SUPPLY_UNIT,
    ),
    "prtInputCurrentLevel": (oids.PRT_INPUT, "prtInputMaxCapacity", "prtInputCapacityUnit", CAPACITY_UNIT),
    "prtOutputRemainingCapacity": (oids.PRT_OUTPUT, "prtOutputMaxCapacity", "prtOutputCapacityUnit", CAPACITY_UNIT),
}
_RECEPTACLE = 4  # PrtMarkerSuppliesClassTC receptacleThatIsFilled


def _share(cells: Cells, column: Column, instance: str) -> str:
    """A level together with its row's capacity and unit; ``""`` unless both are plain numbers."""
    if column.name not in _WHOLES:
        return ""
    table, capacity_name, unit_name, units = _WHOLES[column.name]
    level, capacity, unit = (
        cells.get(f"{oid}.{instance}") for oid in (column.oid, table[capacity_name], table[unit_name])
    )
    if not isinstance(level, int) or not isinstance(capacity, int):
        return ""
    if not 0 <= level <= values.INT32_MAX or not 0 <= capacity <= values.INT32_MAX:
        return ""
    notes = Notes(instance)
    whole = f"{capacity} {values.label(units, unit, unit_name, notes) or ''}".strip()
    room = table is oids.PRT_OUTPUT
    if table is oids.PRT_SUPPLIES:
        room = cells.get(f"{oids.PRT_SUPPLIES['prtMarkerSuppliesClass']}.{instance}") == _RECEPTACLE
    return f"room for {level} of {whole} left" if room else f"{level} of {whole} left"


def _duration(ticks: int) -> str:
    seconds, hundredths = divmod(ticks, 100)
    days, rest = divmod(seconds, 86_400)
    return f"{days} d {rest // 3600:02}:{rest // 60 % 60:02}:{rest % 60:02}.{hundredths:02}"


def _status(status: SubUnitStatus) -> str:
    flags = {
        "non-critical alert": status.non_critical_alert,
        "critical alert": status.critical_alert,
        "off-line": status.offline,
        "moving to its intended state": status.transitioning,
    }
    return ", ".join([status.availability, *(words_ for words_, is_set in flags.items() if is_set)])
