"""Facts of the wear model: it repeats itself by seed, it knows the calendar, and what it does adds up."""

from __future__ import annotations

import statistics
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from agent.rehearsal import kinds, rhythm
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.truth import Deed
from agent.rehearsal.wear import Worn

START = datetime(2025, 9, 1, tzinfo=UTC)
SPAN = timedelta(days=150)
LONDON = ZoneInfo("Europe/London")


Pages = dict[str, dict[date, int]]


@pytest.fixture(scope="module")
def worn_and_pages() -> tuple[Fleet, Pages]:
    """A fleet after 150 days, and its impressions by kind (added up) and local day."""
    fleet = Fleet(11, 24, start=START)
    made: Pages = defaultdict(lambda: defaultdict(int))
    before = {worn.who.name: worn.counts.life for worn in fleet.printers}
    day = datetime(2025, 9, 2, tzinfo=LONDON)
    while day < START + SPAN:
        fleet.advance(day)
        for worn in fleet.printers:
            made[worn.kind.name][day.date() - timedelta(days=1)] += worn.counts.life - before[worn.who.name]
            before[worn.who.name] = worn.counts.life
        day += timedelta(days=1)
    return fleet, made


@pytest.fixture(scope="module")
def pages(worn_and_pages: tuple[Fleet, Pages]) -> Pages:
    return worn_and_pages[1]


@pytest.fixture(scope="module")
def worn_out(worn_and_pages: tuple[Fleet, Pages]) -> Fleet:
    return worn_and_pages[0]


def of_day(pages: Pages, day: date) -> int:
    return sum(days[day] for days in pages.values())


def state(worn: Worn) -> tuple[object, ...]:
    lives = tuple((key, life.left, life.shown, life.pages) for key, life in worn.lives.items())
    return worn.who, worn.counts, lives, worn.on, worn.stops, worn.board


@pytest.mark.parametrize("steps", [1, 7, 411])
def test_time_may_be_cut_into_any_steps(steps: int) -> None:
    at_once, by_steps = (Fleet(5, 15, start=START) for _ in range(2))
    end = START + timedelta(days=12, hours=11)
    at_once.advance(end)
    for step in range(steps):
        by_steps.advance(START + (end - START) * (step + 1) / steps)
    assert [state(worn) for worn in by_steps.printers] == [state(worn) for worn in at_once.printers]
    assert sorted(by_steps.truth.deeds, key=repr) == sorted(at_once.truth.deeds, key=repr)


@pytest.mark.parametrize("day", [date(2025, 10, 26), date(2026, 3, 29)], ids=["autumn", "spring"])
def test_days_go_on_where_the_clocks_change(day: date) -> None:
    start = datetime(day.year, day.month, day.day, 12, tzinfo=UTC) - timedelta(days=3)
    fleet = Fleet(5, 2, start=start)
    fleet.advance(start + timedelta(days=7))
    assert fleet.printers[0].now == (start + timedelta(days=7)).timestamp()


def test_another_seed_is_another_fleet() -> None:
    one, other = (Fleet(seed, 3, start=START) for seed in (1, 2))
    for fleet in (one, other):
        fleet.advance(START + timedelta(days=3))
    assert [w.counts.life for w in one.printers] != [w.counts.life for w in other.printers]
    assert {w.who.serial for w in one.printers}.isdisjoint(w.who.serial for w in other.printers)


def test_weekdays_are_busier_than_weekends(pages: Pages) -> None:
    days = [date(2025, 9, 2) + timedelta(days=n) for n in range(140)]
    plain = [of_day(pages, day) for day in days if rhythm.is_working_day(day) and not rhythm.is_month_end(day)]
    weekend = [of_day(pages, day) for day in days if day.weekday() >= 5]
    assert statistics.mean(plain) > 10 * statistics.mean(weekend)


def test_month_ends_are_busier_than_other_days(pages: Pages) -> None:
    days = [date(2025, 9, 2) + timedelta(days=n) for n in range(110)]  # up to the holidays
    plain = [of_day(pages, day) for day in days if rhythm.is_working_day(day) and not rhythm.is_month_end(day)]
    ends = [of_day(pages, day) for day in days if rhythm.is_month_end(day)]
    assert len(ends) == 9
    assert statistics.mean(ends) > 1.3 * statistics.mean(plain)


def test_nobody_prints_on_closing_days(pages: Pages) -> None:
    closed = [date(2025, 12, 24), date(2025, 12, 25), date(2025, 12, 26), date(2025, 12, 31), date(2026, 1, 1)]
    assert [of_day(pages, day) for day in closed] == [0] * 5


def test_the_last_three_working_days_end_a_month() -> None:
    # August 2025 ended on a Sunday (calendar)
    assert [day for day in range(1, 32) if rhythm.is_month_end(date(2025, 8, day))] == [27, 28, 29]


def test_staff_come_in_working_hours_only() -> None:
    friday = datetime(2026, 3, 6, 16, 30, tzinfo=UTC).timestamp()
    after = datetime.fromtimestamp(rhythm.staffed(friday, 2.0, "Europe/London"), LONDON)
    assert after == datetime(2026, 3, 9, 9, 30, tzinfo=LONDON)


def test_a_life_counter_never_falls(worn_out: Fleet) -> None:
    fleet = Fleet(11, 8, start=START)
    before = [worn.counts.life for worn in fleet.printers]
    for hour in range(0, 24 * 40, 5):
        fleet.advance(START + timedelta(hours=hour))
        now = [worn.counts.life for worn in fleet.printers]
        assert all(new >= old for new, old in zip(now, before, strict=True))
        before = now
    assert not any(deed.kind == "lifeReset" for deed in worn_out.truth.deeds)


def swaps(fleet: Fleet) -> list[Deed]:
    return [deed for deed in fleet.truth.deeds if deed.kind == "swap"]


def test_most_swaps_come_early_and_some_parts_run_dry(worn_out: Fleet) -> None:
    toner = [deed for deed in swaps(worn_out) if deed.subject.startswith(("toner", "inkCartridge"))]
    early = [deed for deed in toner if deed.data["early"]]
    assert len(toner) > 80
    assert 0.45 < len(early) / len(toner) < 0.75  # 60 % are meant to
    assert all(0.0 < float(deed.data["left"] or 0) <= 0.12 for deed in early)
    dry = {(deed.printer, deed.subject) for deed in worn_out.truth.deeds if deed.kind == "ranDry"}
    late = [deed for deed in toner if not deed.data["early"]]
    assert {(deed.printer, deed.subject) for deed in late} <= dry


def test_a_swap_raises_the_level_and_a_late_reset_raises_it_days_later() -> None:
    fleet = Fleet(11, 1, start=START)
    worn = fleet.printers[0]
    seen = set()
    for _ in range(30):
        worn.set_left("opc:black", 0.02)
        worn.swap("opc:black")
        late = swaps(fleet)[-1].data["lateReset"]
        seen.add(late)
        life = worn.lives["opc:black"]
        assert life.left == 1.0
        assert life.shown == pytest.approx(0.02 if late else 1.0)
        fleet.advance(datetime.fromtimestamp(worn.now, UTC) + timedelta(days=8))
        assert worn.lives["opc:black"].shown > 0.2
    assert seen == {True, False}


def test_yields_vary_about_what_a_part_is_said_to_last(worn_out: Fleet) -> None:
    shares = []
    for deed in swaps(worn_out):
        worn = worn_out.by_name[deed.printer]
        part = worn.lives[deed.subject].part
        if part.colour == "black" and part.wears == "ink" and deed.data["number"]:
            shares.append(float(deed.data["pages"] or 0) * worn.coverage / part.lasts)
    assert len(shares) > 20
    assert 0.8 < statistics.mean(shares) < 1.2
    assert 0.05 < statistics.stdev(shares) < 0.4


def test_jams_stop_a_printer_until_they_are_cleared() -> None:
    fleet = Fleet(11, 1, start=START)
    worn = fleet.printers[0]
    worn.jam(5.0)
    life = worn.counts.life
    worn.print(50)
    assert worn.counts.life == life
    worn.clear()
    worn.print(50)
    assert worn.counts.life == life + 50


def test_an_empty_toner_stops_a_printer_until_the_swap() -> None:
    worn = Fleet(11, 1, start=START).printers[0]
    worn.set_left("toner:black", 0.0)
    assert worn.blocked
    assert [row.code for row in worn.board.rows.values()] == [1101]  # markerTonerEmpty, RFC 3805
    worn.swap("toner:black")
    assert not worn.blocked
    assert worn.board.rows == {}


def test_the_often_offline_printer_is_off_at_night_and_counts_from_its_last_start() -> None:
    fleet = Fleet(11, 15, start=START)
    worn = next(w for w in fleet.printers if w.kind is kinds.OFTEN_OFF)
    for day in range(1, 15):
        fleet.advance(START + timedelta(days=day, hours=2))
        assert not worn.on
    on = [deed for deed in fleet.truth.deeds if deed.printer == worn.who.name and deed.kind == "on"]
    assert 5 <= len(on) <= 10
    assert worn.counts.since_on < worn.counts.life


def test_no_printer_prints_faster_than_it_can() -> None:
    fleet = Fleet(11, 15, start=START)
    before = [worn.counts.life for worn in fleet.printers]
    at = datetime(2025, 9, 2, 7, tzinfo=UTC)
    fleet.advance(at)
    before = [worn.counts.life for worn in fleet.printers]
    for _ in range(9 * 60):
        at += timedelta(minutes=1)
        fleet.advance(at)
        for place, worn in enumerate(fleet.printers):
            # a run of ten seconds counts at its end, so one may reach over from the minute before
            assert worn.counts.life - before[place] <= worn.kind.pages_per_minute * 70 / 60 + 1
            before[place] = worn.counts.life
