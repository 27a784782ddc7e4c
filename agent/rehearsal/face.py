"""What a simulated printer shows of itself: its state as cells of MIB-II, Host Resources and Printer-MIB.

OIDs and enumerations: RFC 3418 (system), RFC 2863 (ifPhysAddress), RFC 2790 (hrDevice, hrPrinter), RFC 3805
(Printer-MIB), PWG 5106.3 (imaging counters).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from agent.model.wire import Value
from agent.rehearsal import ber
from agent.rehearsal.body import Life
from agent.rehearsal.kinds import CODECS, PERCENT, SHEETS
from agent.rehearsal.wear import PRINTS_FOR, WARM_UP, Worn

SYSTEM, IF_ENTRY, DEVICE, HR_PRINTER = (
    "1.3.6.1.2.1.1",
    "1.3.6.1.2.1.2.2.1",
    "1.3.6.1.2.1.25.3.2.1",
    "1.3.6.1.2.1.25.3.5.1",
)
PRT, COUNTERS = "1.3.6.1.2.1.43", "1.3.6.1.4.1.2699.1.3.1"
_UPTIME = f"{SYSTEM}.3.0"
_TAGGED = {
    f"{PRT}.5.1.1.1.": ber.COUNTER32, f"{PRT}.5.1.1.18.": ber.COUNTER32, f"{PRT}.5.1.1.19.": ber.COUNTER32,
    f"{PRT}.10.2.1.4.": ber.COUNTER32, f"{PRT}.10.2.1.5.": ber.COUNTER32, f"{DEVICE}.6.": ber.COUNTER32,
    f"{PRT}.18.1.1.9.": ber.TIME_TICKS, f"{IF_ENTRY}.5.": ber.GAUGE32,
}  # fmt: skip
_SHADES = {"black": b"black", "cyan": b"cyan", "magenta": b"magenta", "yellow": b"yellow"}


@dataclass(frozen=True, slots=True)
class Frame:
    """How whoever reads the printers sees their time: from the moment ``since`` on it runs ``speed`` times too fast.

    A reader whose own clock is the simulated one needs the plain ``Frame()``. One who lives in real time sees sysUpTime
    grow by real seconds, and a printer that is ``speed`` times as quick as its data sheet says.
    """

    speed: float = 1.0
    since: float = math.inf

    def seconds(self, begin: float, end: float) -> float:
        """The reader's seconds between two simulated moments, never negative."""
        quick = max(0.0, end - max(begin, self.since))
        return max(0.0, end - begin - quick + quick / self.speed)


def tag_of(oid: str, value: Value) -> int:
    """The BER tag of a cell: by its column where the standard says Counter32, Gauge32 or TimeTicks."""
    if isinstance(value, str):
        return ber.OID
    if isinstance(value, bytes):
        return ber.OCTETS
    if oid == _UPTIME:
        return ber.TIME_TICKS
    for column, tag in _TAGGED.items():
        if oid.startswith(column):
            return tag
    return ber.INTEGER


def _text(worn: Worn, text: str) -> bytes:
    return text.encode(CODECS[worn.kind.charset], "replace")


def shown_level(life: Life) -> tuple[int, int]:
    """``(capacity, level)`` as the printer gives them: in whole steps, in its unit, with its oddities."""
    part = life.part
    if part.shows == "some":
        return part.capacity, -3 if life.shown > 0 else 0
    step = part.step
    percent = min(100, math.ceil(round(life.shown * 100 / step, 9)) * step)
    if part.shows == "fill":
        percent = 100 - percent
    whole = part.capacity if part.capacity > 0 else 100
    return part.capacity, whole * percent // 100


def fixed(worn: Worn) -> dict[str, Value]:
    """The cells that only an exchange, a move or a new layout changes."""
    kind, device = worn.kind, worn.who.device_index
    tables = {
        **_system(worn), **_device(worn, device), **_general(worn, device), **_paper(worn, device),
        **_marking(worn, device), **_paths(worn, device),
    }  # fmt: skip
    if kind.oldest_tables:
        dropped = (f"{PRT}.6.", f"{PRT}.7.", f"{PRT}.15.", f"{PRT}.5.1.1.2.", f"{PRT}.5.1.1.10.", f"{PRT}.13.")
        tables = {oid: cell for oid, cell in tables.items() if not oid.startswith(dropped)}
    return tables


def _rows(table: str, index: str, columns: dict[int, Value]) -> dict[str, Value]:
    return {f"{PRT}.{table}.{column}.{index}": cell for column, cell in columns.items()}


def _system(worn: Worn) -> dict[str, Value]:
    kind, who = worn.kind, worn.who
    return {
        f"{SYSTEM}.1.0": f"{kind.title} printer, firmware 4.{kind.number}.2".encode(),
        f"{SYSTEM}.2.0": kind.object_id,
        f"{SYSTEM}.4.0": b"Print room, extension 20",
        f"{SYSTEM}.5.0": who.name.encode(),
        f"{SYSTEM}.6.0": str(who.place).encode("ascii", "replace"),
        f"{SYSTEM}.7.0": 72,
        f"{IF_ENTRY}.1.1": 1, f"{IF_ENTRY}.2.1": b"lo0", f"{IF_ENTRY}.3.1": 24, f"{IF_ENTRY}.5.1": 0,
        f"{IF_ENTRY}.6.1": b"", f"{IF_ENTRY}.8.1": 1,
        f"{IF_ENTRY}.1.2": 2, f"{IF_ENTRY}.2.2": b"eth0", f"{IF_ENTRY}.3.2": 6, f"{IF_ENTRY}.5.2": 100_000_000,
        f"{IF_ENTRY}.6.2": who.mac, f"{IF_ENTRY}.8.2": 1,
    }  # fmt: skip


def _device(worn: Worn, device: int) -> dict[str, Value]:
    beside: dict[str, Value] = {
        f"{DEVICE}.1.20": 20, f"{DEVICE}.2.20": "1.3.6.1.2.1.25.3.1.4", f"{DEVICE}.3.20": b"Ethernet interface",
        f"{DEVICE}.4.20": "0.0", f"{DEVICE}.5.20": 2, f"{DEVICE}.6.20": 0,
    }  # fmt: skip
    return {
        f"{DEVICE}.1.{device}": device,
        f"{DEVICE}.2.{device}": "1.3.6.1.2.1.25.3.1.5",
        f"{DEVICE}.3.{device}": worn.kind.title.encode(),
        f"{DEVICE}.4.{device}": worn.kind.object_id,
        f"{DEVICE}.6.{device}": 0,
        **beside,
    }


def _general(worn: Worn, device: int) -> dict[str, Value]:
    kind, who = worn.kind, worn.who
    return {
        **_rows("5.1.1", f"{device}", {
            2: 1, 3: 3, 4: b"", 5: b"", 6: 1, 7: 1, 8: 1, 9: 1, 10: 1, 11: 2, 12: 24, 13: 3, 14: 4, 15: 4,
            16: who.name.encode(), 17: who.serial.encode(),
        }),
        **_rows("6.1.1", f"{device}.1", {2: _text(worn, "Front cover")}),
        **_rows("6.1.1", f"{device}.2", {2: _text(worn, "Rear cover"), 3: 4}),
        **_rows("7.1.1", f"{device}.1", {2: kind.language.encode(), 3: b"", 4: kind.charset}),
    }  # fmt: skip


def _paper(worn: Worn, device: int) -> dict[str, Value]:
    cells: dict[str, Value] = {}
    for place, tray in enumerate(worn.kind.trays, 1):
        wide, long = (297_000, 420_000) if "a3" in tray.media else (210_000, 297_000)
        cells |= _rows("8.2.1", f"{device}.{place}", {
            2: 5 if tray.manual else 3, 3: 4, 4: long, 5: wide, 6: long, 7: wide, 8: SHEETS, 9: tray.holds,
            12: tray.media.encode(), 13: _text(worn, tray.name), 14: b"", 15: b"", 16: b"", 17: b"",
            18: _text(worn, f"{tray.name}, {tray.holds} sheets" if tray.holds > 0 else tray.name), 20: 80,
            21: b"stationery", 22: b"white",
        })  # fmt: skip
    cells |= _rows("9.2.1", f"{device}.1", {
        2: 4, 3: SHEETS, 4: 250, 5: -3, 6: 0, 7: _text(worn, "Top bin"), 12: _text(worn, "Face-down output bin"),
    })  # fmt: skip
    return cells


def _marking(worn: Worn, device: int) -> dict[str, Value]:
    kind = worn.kind
    cells = _rows("10.2.1", f"{device}.1", {
        2: kind.mark_tech, 3: 7, 6: len(kind.colours), 7: 0, 8: 3, 9: 600, 10: 600, 11: 4_200, 12: 4_200, 13: 4_200,
        14: 4_200,
    })  # fmt: skip
    for place, colour in enumerate(kind.colours, 1):
        cells |= _rows("12.1.1", f"{device}.{place}", {2: 1, 3: 3, 4: _SHADES[colour], 5: 256})
    for place, part in enumerate(kind.parts, 1):
        colorant = kind.colours.index(part.colour) + 1 if part.colour else 0
        unit = part.unit if part.unit != PERCENT or not kind.oldest_tables else 7
        cells |= _rows("11.1.1", f"{device}.{place}", {
            2: 1, 3: colorant, 4: part.supply_class, 5: part.kind, 6: _text(worn, part.description), 7: unit,
            8: part.capacity,
        })  # fmt: skip
    return cells


def _paths(worn: Worn, device: int) -> dict[str, Value]:
    return {
        **_rows("13.4.1", f"{device}.1", {
            2: 7, 3: 4, 5: 297_000, 6: 210_000, 7: 148_000, 8: 105_000, 9: 5, 10: _text(worn, "Straight path"), 11: 0,
        }),
        **_rows("14.1.1", f"{device}.1", {
            2: 11, 3: b"1.1", 4: 1, 5: 1, 6: 3, 7: 2, 8: 0, 9: b"Port=9100",
        }),
        **_rows("15.1.1", f"{device}.1", {
            2: 6, 3: b"3", 4: b"1", 5: _text(worn, "Page description"), 6: b"2.1",
            7: 3, 8: 600, 9: 600, 10: 3, 11: 3, 12: 3,
        }),
        **_rows("17.6.1", f"{device}.1", {4: 5, 5: _text(worn, "Ready")}),
        **_rows("17.6.1", f"{device}.2", {4: 10, 5: _text(worn, "Attention")}),
    }  # fmt: skip


def is_printing(worn: Worn, at: float) -> bool:
    """True during and shortly after a run of printing."""
    return not worn.blocked and at - worn.printed < PRINTS_FOR


def moving(worn: Worn, at: float, frame: Frame = Frame()) -> dict[str, Value]:
    """The cells that change while it works: status, counts, levels, paper, console, lights and alerts."""
    device, kind, board, counts = worn.who.device_index, worn.kind, worn.board, worn.counts
    hundredths = int(frame.seconds(worn.booted, at) * 100) % 2**32
    cells: dict[str, Value] = {_UPTIME: hundredths}
    status, unit_status, errors, critical = _status(worn, at)
    cells[f"{DEVICE}.5.{device}"], cells[f"{HR_PRINTER}.1.{device}"] = status
    cells[f"{HR_PRINTER}.2.{device}"] = errors
    if not kind.oldest_tables:
        cells[f"{PRT}.6.1.1.3.{device}.1"] = 4
        cells[f"{PRT}.13.4.1.4.{device}.1"] = round(kind.pages_per_minute * 60 * max(1.0, frame.speed))
    cells[f"{PRT}.5.1.1.1.{device}"] = worn.config_changes
    cells[f"{PRT}.5.1.1.18.{device}"] = board.critical_events
    cells[f"{PRT}.5.1.1.19.{device}"] = board.all_events
    cells[f"{PRT}.10.2.1.4.{device}.1"] = counts.life % 2**32
    cells[f"{PRT}.10.2.1.5.{device}.1"] = counts.since_on % 2**32
    cells[f"{PRT}.10.2.1.15.{device}.1"] = unit_status
    for place, life in enumerate(worn.lives.values(), 1):
        cells[f"{PRT}.11.1.1.9.{device}.{place}"] = shown_level(life)[1]
    for place, tray in enumerate(worn.trays, 1):
        empty = tray.sheets <= 0
        level = (-2 if tray.kind.manual else 0) if empty else -(-tray.sheets // 10) * 10
        cells[f"{PRT}.8.2.1.10.{device}.{place}"] = level
        cells[f"{PRT}.8.2.1.11.{device}.{place}"] = 0 if tray.kind.manual else 9 if empty else 8 if tray.called else 0
    cells |= _console(worn, device, critical)
    for row in board.rows.values():
        since = int(frame.seconds(worn.booted, row.at) * 100) % 2**32
        columns: dict[int, Value] = {
            1: row.index, 2: row.severity, 3: row.training, 4: row.group, 5: row.group_index, 6: -2, 7: row.code,
            8: _text(worn, row.text), 9: since,
        }  # fmt: skip
        cells |= _rows("18.1.1", f"{device}.{row.index}", columns)
    if kind.counters:
        cells |= _imaging(worn)
    return cells


def _status(worn: Worn, at: float) -> tuple[tuple[int, int], int, bytes, bool]:
    """``(hrDeviceStatus, hrPrinterStatus)``, marker status, error bits, critical? By RFC 3805 section 2.2.13.2."""
    rows = worn.board.rows.values()
    critical = any(row.severity == 3 for row in rows)
    warning = any(row.severity == 4 for row in rows)
    bits = _error_bits(worn)
    printing = is_printing(worn, at)
    if critical:
        return (5, 1), 3 + 16 + (8 if warning else 0), bits, True
    if at - worn.booted < WARM_UP:
        return (2, 5), 64, bits, False
    return (3 if warning else 2, 4 if printing else 3), (4 if printing else 0) + (8 if warning else 0), bits, False


def _error_bits(worn: Worn) -> bytes:
    """The bits of hrPrinterDetectedErrorState (RFC 2790): bit 0 is the most significant of the first octet."""
    low, second = 0, 0
    for about, row in worn.board.rows.items():
        if about.startswith("tray:"):
            low |= 0x40 if row.severity == 3 else 0x80
            second |= 0x04 if row.code == 808 else 0
        elif about == "jam":
            low |= 0x04
        elif row.code in (1101, 1102):
            low |= 0x10
        elif row.code in (1104, 1105):
            low |= 0x20
        elif row.code in (11, 1112, 1114):
            second |= 0x02
        elif row.code in (1109, 1110):
            low |= 0x01
    return bytes((low, second)) if second else bytes((low,))


def _console(worn: Worn, device: int, critical: bool) -> dict[str, Value]:
    rows = sorted(worn.board.rows.values(), key=lambda row: (row.severity, row.index))
    first = rows[0].text if rows else worn.kind.ready
    second = rows[1].text if len(rows) > 1 else ""
    blink = 500 if rows and not critical else 0
    return {
        f"{PRT}.16.5.1.2.{device}.1": _text(worn, first[:24]),
        f"{PRT}.16.5.1.2.{device}.2": _text(worn, second[:24]),
        f"{PRT}.17.6.1.2.{device}.1": 0 if critical else 1,
        f"{PRT}.17.6.1.3.{device}.1": 1 if critical else 0,
        f"{PRT}.17.6.1.2.{device}.2": 500 if blink else int(critical),
        f"{PRT}.17.6.1.3.{device}.2": blink or int(not critical),
    }


def _imaging(worn: Worn) -> dict[str, Value]:
    """PWG 5106.3: key 1 is the whole system; work totals (3), lifetime (3). Counters wrap at 2^31."""
    counts, wrap = worn.counts, 2**31
    mono = counts.life - counts.colour
    return {
        f"{COUNTERS}.2.1.1.2.1": 3,
        f"{COUNTERS}.8.1.1.4.1.3.3": counts.life % wrap,
        f"{COUNTERS}.8.1.1.5.1.3.3": mono % wrap,
        f"{COUNTERS}.8.1.1.7.1.3.3": counts.colour % wrap,
        f"{COUNTERS}.9.1.1.4.1.3.3": counts.two_sided % wrap,
        f"{COUNTERS}.10.1.1.4.1.3.3": counts.sheets % wrap,
    }
