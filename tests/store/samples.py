"""An invented fleet for the store's tests."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from sqlalchemy import create_engine, text

from agent.model.alarm import AlarmRecord, AlarmState, Message
from agent.model.contact import Contact
from agent.model.fleet import Place, Printer, PrinterHistory
from agent.model.reading import (
    CONSUMED,
    RECEPTACLE,
    Alert,
    Amount,
    Bin,
    Counter,
    Cover,
    Light,
    Mark,
    Marker,
    Reading,
    Remark,
    SubUnitStatus,
    Supply,
    System,
    Tray,
)
from agent.store import Store

TABLES = (
    "printer",
    "contact_run",
    "supply",
    "supply_point",
    "counter",
    "counter_point",
    "status_point",
    "snapshot",
    "ledger",
    "alarm",
    "letter",
)
MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def printer(number: int = 1) -> Printer:
    return Printer(
        id=0,
        name=f"desk-{number}",
        address=f"127.0.0.{number}",
        serial=f"TG{number:05}",
        mac=f"02:00:00:00:00:{number % 256:02x}",
        model="Tallgrass M40",
        place=Place("Harrow Lane Library", "Main", "1", f"1.{number}", "Europe/London"),
        tags=("loan desk", "mono"),
        first_seen=MONDAY,
    )


def toner(level: Amount, colorant: str = "black", *, capacity: Amount = 100, unit: str = "percent") -> Supply:
    return Supply(f"toner:{colorant}", 1, 1, CONSUMED, "toner", f"{colorant} toner", colorant, unit, capacity, level)


def waste(level: Amount) -> Supply:
    return Supply("wasteToner", 5, 1, RECEPTACLE, "wasteToner", "waste bottle", None, "percent", Mark.UNKNOWN, level)


def reading(at: datetime, level: Amount = 80, count: int = 1000, *, status: str = "idle", **more: object) -> Reading:
    changed: dict[str, object] = {
        "supplies": (toner(level), waste(Mark.SOME)),
        "counters": (Counter("life", "impressions", count), Counter("total", "impressions", count, 2**31)),
        **more,
    }
    return Reading(
        at,
        "127.0.0.1",
        1,
        System("Tallgrass M40", "1.3.6.1.4.1.99999.1", 4711, "desk-1", "Loan desk"),
        model="Tallgrass M40",
        serial="TG00001",
        device_status="running",
        printer_status=status,
        **changed,  # type: ignore[arg-type]
    )


def full_reading(at: datetime) -> Reading:
    """One that has something in every field."""
    status = SubUnitStatus(27, "broken", non_critical_alert=True, critical_alert=True)
    return reading(
        at,
        name="desk-1",
        mac="02:00:00:00:00:01",
        errors=frozenset({"lowToner", "jammed"}),
        config_changes=3,
        critical_events=1,
        all_events=9,
        pages_per_minute=40.5,
        markers=(Marker(1, "electrophotographicLaser", "impressions", 1000, 12, status),),
        trays=(Tray(1, "sheetFeedAutoRemovableTray", "Tray 1", "", "A4", "sheets", 500, Mark.SOME, status),),
        bins=(Bin(1, "removableBin", "Top", "", "sheets", Mark.UNKNOWN, Mark.OTHER, None),),
        covers=(Cover(1, "Front", "coverOpen"),),
        console=("Papierstau \N{LATIN SMALL LETTER U WITH DIAERESIS}", "[bold]"),
        lights=(Light(1, "Attention", "red", 500, 500),),
        alerts=(Alert(3, "critical", "untrained", "input", 1, -2, "jam", 8, "paper jam", 12345),),
        remarks=(Remark("prtMarkerSuppliesLevel.1.2", "above its capacity"),),
    )


def contact(printer_id: int, at: datetime, level: Amount = 80, count: int = 1000, **more: object) -> Contact:
    return Contact(at, printer_id, True, reading(at, level, count, **more))  # type: ignore[arg-type]


def silence(printer_id: int, at: datetime) -> Contact:
    return Contact(at, printer_id, False, None, "silent", "no answer from 127.0.0.1 within 10 s")


def alarm(
    key: str = "toner-low|1|toner:black", revision: int = 1, state: AlarmState = AlarmState.NORMAL
) -> AlarmRecord:
    rule, printer_id, subject = key.split("|")
    return AlarmRecord(
        key, rule, int(printer_id), subject, state, MONDAY, "high", True, MONDAY, revision=revision, facts={"level": 7}
    )


def message(
    dedupe_key: str = "toner-low|1|toner:black|1|raised|desk", channel: str = "desk", at: datetime = MONDAY
) -> Message:
    return Message(dedupe_key, channel, "raised", "high", at, "toner-low|1|toner:black", 1, "new", "black toner is low")


def levels(history: PrinterHistory, key: str = "toner:black") -> list[tuple[datetime, Amount]]:
    return [(point.at, point.level) for track in history.supplies if track.key == key for point in track.points]


def counts(history: PrinterHistory, name: str = "life") -> list[tuple[datetime, int]]:
    return [(point.at, point.value) for track in history.counters if track.name == name for point in track.points]


def step(points: list[tuple[datetime, Amount]], at: datetime) -> Amount | None:
    """The value of the step function at this moment."""
    return next((value for moment, value in reversed(points) if moment <= at), None)


def everything(store_url: str) -> Mapping[str, list[tuple[object, ...]]]:
    """Every row of every table, read past the store."""
    address = store_url.replace("postgresql://", "postgresql+psycopg://")
    engine = create_engine(address)
    try:
        with engine.connect() as connection:
            return {
                name: sorted((tuple(row) for row in connection.execute(text(f"SELECT * FROM {name}"))), key=repr)
                for name in TABLES
            }
    finally:
        engine.dispose()


def furnished(store: Store, count: int = 1) -> list[int]:
    """Put printers into the store; gives their ids."""
    return [one.id for one in store.save_printers([printer(number) for number in range(1, count + 1)])]
