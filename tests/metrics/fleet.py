"""A small fleet in memory, of an invented library with invented printers."""

from __future__ import annotations

from datetime import UTC, datetime

from agent.model.fleet import Place, Printer, PrinterView
from agent.model.health import Durations, Snapshot, Vitals
from agent.model.reading import (
    CONSUMED,
    RECEPTACLE,
    Alert,
    Amount,
    Bin,
    Counter,
    Cover,
    Mark,
    Reading,
    Supply,
    System,
    Tray,
)

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def supply(key: str, level: Amount, capacity: Amount = 8000, unit: str = "impressions", **other: object) -> Supply:
    kind, _, colorant = key.partition(":")
    fields: dict[str, object] = {
        "key": key,
        "index": 1,
        "marker": 1,
        "supply_class": CONSUMED,
        "kind": kind,
        "description": f"{key} for the Quillon C720",
        "colorant": colorant or None,
        "unit": unit,
        "capacity": capacity,
        "level": level,
        **other,
    }
    return Supply(**fields)  # type: ignore[arg-type]


def reading(**other: object) -> Reading:
    fields: dict[str, object] = {
        "at": NOW,
        "address": "192.0.2.7",
        "device_index": 1,
        "system": System(descr="Quillon C720", uptime=360_000),
        "device_status": "warning",
        "printer_status": "idle",
        "errors": frozenset(("lowToner",)),
        "supplies": (
            supply("toner:black", 2000),
            supply("toner:cyan", Mark.SOME),
            supply("toner:magenta", Mark.UNKNOWN),
            supply("toner:yellow", 55, Mark.UNKNOWN, "percent"),
            supply("wasteToner", 30, 100, "percent", supply_class=RECEPTACLE),
        ),
        "trays": (
            Tray(1, "sheetFeedAutoRemovableTray", "Tray 1", "", "A4", "sheets", 500, 125, None),
            Tray(2, "sheetFeedManual", "", "By hand", "", "sheets", Mark.UNKNOWN, Mark.SOME, None),
        ),
        "bins": (Bin(1, "removableBin", "Top", "", "sheets", 250, 200, None),),
        "covers": (Cover(1, "Front door", "coverOpen"), Cover(2, "Rear door", "coverClosed"), Cover(3, "Odd", "other")),
        "alerts": (Alert(7, "warning", "untrained", "markerSupplies", 1, 1, "markerTonerAlmostEmpty", 1104, "low", 5),),
        "counters": (
            Counter("life", "impressions", 123456),
            Counter("sheets", "sheets", 70000),
            Counter("h", "hours", 9),
        ),
        **other,
    }
    return Reading(**fields)  # type: ignore[arg-type]


def view(number: int, name: str = "Reading room", *, reachable: bool = True, **other: object) -> PrinterView:
    place = Place("Main library", "Old wing", "1", "104", "Europe/London")
    printer = Printer(number, name, f"192.0.2.{number}", serial=f"QC{number:05}", model="Quillon C720", place=place)
    return PrinterView(printer, reading(**other), reachable, NOW)


def snapshot(*views: PrinterView) -> Snapshot:
    durations = Durations().add(0.05).add(0.3).add(999.0)
    vitals = Vitals(
        version="0.1.0",
        python="3.11",
        engine="gufo",
        started=NOW,
        sweeps=durations,
        swept=NOW,
        stops=3,
        readings={"read": 40, "silent": 2},
        requests=120,
        retries=4,
        timeouts=3,
        buffered=1,
        buffer_limit=1000,
        waiting=2,
        dead=1,
        alarms={("high", "unacknowledged"): 2},
        settings_accepted=1,
        settings_loaded=NOW,
        exports={"sent": 5, "failed": 1},
    )
    return Snapshot({one.printer.id: one for one in views}, vitals)


HOSTILE = (
    'a"b\\c\nd{e="f"} 1\n# TYPE x counter\n',
    "\x00\x07\x1b[31mred\x1b[0m\u202egnp.exe",
    "caf\u00e9 \u2603 \U0001f5a8",
    "\ud800 broken",
    "x" * 100_000,
    "# EOF\n",
    "",
)
