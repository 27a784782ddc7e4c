"""Days, drawings and words by themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from agent.insight.meter import meter
from agent.mib.alert_codes import ALERT_CODE
from agent.mib.enums import ALERT_TRAINING
from agent.model.alert_words import TRAINING, meaning
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    PrinterView,
    SupplyTrack,
)
from agent.model.reading import CONSUMED, Alert, Mark
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
    drawn = charts.volume(found, LONDON)
    assert drawn is not None
    assert [one.kind for one in drawn.columns] == ["workday", "unheard", "unheard", "workday"]


def test_no_counter_gives_no_days_and_no_drawing() -> None:
    assert by_day(None, (), LONDON, datetime(2026, 3, 2, tzinfo=UTC), 30) == []
    assert charts.volume([], LONDON) is None


def level(points: list[tuple[int, int | Mark]]) -> SupplyTrack:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    made = tuple(LevelPoint(start + timedelta(days=day), value, 100) for day, value in points)
    return SupplyTrack("toner", "toner", CONSUMED, "black", "percent", "", made)


def test_a_level_is_drawn_as_the_steps_that_were_seen() -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    shown = charts.Times(start, start + timedelta(days=10), start + timedelta(days=10), LONDON)
    drawn = charts.levels(level([(0, 100), (5, 50), (8, 0)]), None, (), shown)
    wide, high = charts.WIDE - charts.LEFT - charts.RIGHT, charts.HIGH - charts.TOP - charts.BOTTOM
    corners = [(0, 1.0), (5, 1.0), (5, 0.5), (8, 0.5), (8, 0.0), (10, 0.0)]
    expected = [(charts.LEFT + day / 10 * wide, charts.TOP + (1 - share) * high) for day, share in corners]
    got = [tuple(map(float, one.split(","))) for one in drawn.lines[0].split()]
    assert len(drawn.lines) == 1
    assert got == [pytest.approx(one, abs=0.1) for one in expected]


def test_what_is_not_a_number_leaves_a_gap_and_some_is_shown_as_a_band() -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    shown = charts.Times(start, start + timedelta(days=9), start + timedelta(days=9), LONDON)
    drawn = charts.levels(level([(0, 80), (3, Mark.UNKNOWN), (4, Mark.SOME), (6, 70)]), None, (), shown)
    assert len(drawn.lines) == 2
    assert len(drawn.vague) == 1


def test_a_long_history_is_drawn_with_no_more_corners_than_can_be_seen() -> None:
    points = [(0, 100)]
    start = datetime(2026, 3, 1, tzinfo=UTC)
    made = tuple(LevelPoint(start + timedelta(minutes=10 * n), 100 - n % 100, 100) for n in range(20_000))
    track = SupplyTrack("toner", "toner", CONSUMED, "black", "percent", "", made)
    now = made[-1].at
    drawn = charts.levels(track, None, (), charts.Times(start, now, now, LONDON))
    corners = drawn.lines[0].split()
    assert len(points) < len(corners) <= 4 * 500 + 4
    heights = [float(one.split(",")[1]) for one in corners]
    assert min(heights) == pytest.approx(charts.y_of(1.0))
    assert max(heights) == pytest.approx(charts.y_of(0.01))


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
