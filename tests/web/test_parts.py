"""Days and words by themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from agent.insight.meter import meter
from agent.mib.alert_codes import ALERT_CODE
from agent.mib.enums import ALERT_TRAINING
from agent.model.alert_words import TRAINING, meaning
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    Place,
    Printer,
    PrinterHistory,
    PrinterView,
)
from agent.model.reading import Alert
from agent.web import charts
from agent.web.roster import Roster
from agent.web.volume import by_day, weeks
from agent.web.words import clock, harmless, percent
from tests.web.world import StoreHouse

LONDON = "Europe/London"


def history(points: list[tuple[datetime, int]], runs: list[tuple[datetime, datetime]]) -> PrinterHistory:
    track = CounterTrack("life", "impressions", 2**32, tuple(CountPoint(at, value) for at, value in points))
    printer = Printer(1, "desk", "192.0.2.1", place=Place("Library", zone=LONDON))
    return PrinterHistory(printer, tuple(ContactRun(first, last, True) for first, last in runs), (), (track,))


def test_days_are_the_sites_also_when_the_clock_is_changed() -> None:
    # In 2026 the clock in London goes forward on 29 March at 01:00 UTC (IANA tz database).
    zone = ZoneInfo(LONDON)
    points = [(datetime(2026, 3, 27, 0, 5, tzinfo=zone), 1000)]
    for day in (27, 28, 29, 30):
        points.append((datetime(2026, 3, day, 23, 55, tzinfo=zone), points[-1][1] + day))
    until = datetime(2026, 3, 30, 23, 58, tzinfo=zone)
    told = history(points, [(points[0][0], until)])
    found = by_day(meter(told, until), told.contacts, LONDON, until, 3)
    assert [(one.on.day, one.pages) for one in found] == [(28, 28), (29, 29), (30, 30)]
    assert weeks(found) == [(date(2026, 3, 30), 30, 1), (date(2026, 3, 23), 57, 2)]


def test_pages_of_days_on_which_nobody_heard_of_the_printer_are_not_made_up() -> None:
    start = datetime(2026, 3, 2, 8, tzinfo=UTC)
    points = [(start, 100), (start + timedelta(hours=5), 150), (start + timedelta(days=3), 450)]
    runs = [(start, start + timedelta(hours=9)), (start + timedelta(days=3), start + timedelta(days=3, hours=2))]
    told = history(points, runs)
    until = start + timedelta(days=3, hours=2)
    found = by_day(meter(told, until), told.contacts, LONDON, until, 30)
    assert [(one.pages, one.gathered) for one in found] == [(50, 1), (None, 1), (None, 1), (300, 3)]


def test_no_counter_gives_no_days_and_no_chart() -> None:
    assert by_day(None, (), LONDON, datetime(2026, 3, 2, tzinfo=UTC), 30) == []
    assert charts.volume([]) is None


def test_every_code_of_the_standards_has_words() -> None:
    # PrtAlertCodeTC (RFC 3805) and IANA-PRINTER-MIB for finishers, as agent.mib has them (checked there).
    for code, label in ALERT_CODE.items():
        told = meaning(Alert(1, "warning", "trained", "finDevice", 2, 0, label, code, "", None))
        assert told.means.endswith("."), label
        assert code in (1, 2) or not told.means.startswith("It says"), label


def test_every_training_level_says_who_may_do_it() -> None:
    assert set(TRAINING) == set(ALERT_TRAINING.values()) - {"other", "unknown"}


def test_words() -> None:
    assert percent(None) == "unknown"
    assert percent(0.004) == "<1%"
    assert percent(0.0) == "0%"
    assert percent(0.996) == ">99%"
    assert clock(datetime(2026, 7, 1, 12, tzinfo=UTC), "Europe/London") == "1 Jul 2026, 13:00"
    assert clock(datetime(2026, 7, 1, 12, tzinfo=UTC), "No/Where") == "1 Jul 2026, 12:00"
    assert harmless("a\u202eb") == "a[U+202E]b"
    assert len(harmless("x" * 10_000)) <= 500


def test_a_row_stays_while_the_printer_says_the_same_and_is_made_anew_when_it_does_not(house: StoreHouse) -> None:
    roster = Roster()
    views = house.views()
    first = {row.printer.id: row for row in roster.rows(views, {}, {}, ())}
    again = {number: _read_again(view) for number, view in views.items()}
    assert all(roster_row is first[roster_row.printer.id] for roster_row in roster.rows(again, {}, {}, ()))
    view = again[1]
    assert view.reading is not None
    emptier = tuple(replace(one, level=0) for one in view.reading.supplies)
    changed = {**again, 1: replace(view, reading=replace(view.reading, supplies=emptier))}
    renewed = {row.printer.id: row for row in roster.rows(changed, {}, {}, ())}
    assert renewed[1] is not first[1]
    assert renewed[1].bars[0].warning == "empty"
    assert renewed[2] is first[2]


def _read_again(view: PrinterView) -> PrinterView:
    """As the next sweep brings it: everything is another object."""
    reading = view.reading
    if reading is None:
        return view
    supplies = tuple(replace(one) for one in reading.supplies)
    return replace(view, reading=replace(reading, at=reading.at + timedelta(minutes=5), supplies=supplies))
