"""Use from counters: weekdays, months' ends, resets, gaps, the level and its uncertainty."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from agent.insight.kin import Fleet, pool
from agent.insight.printer import Terms, look, summarise
from agent.insight.profile import Shape
from agent.insight.usage import Site, flow
from agent.model.fleet import ContactRun
from tests.insight.drawn import START, at, counter, history, steady, track


def usage_of(counts, *, days, terms=None, zone="UTC", contacts=None):
    made = history([track([(0, 90)])], [counts], until=24 * days, zone=zone, contacts=contacts)
    return look(made, Fleet(), at(24 * days), terms)


def counts_of(pages, begin=1_000):
    """One reading each morning; ``pages`` of each day."""
    total = np.concatenate([[begin], begin + np.cumsum(pages)])
    return counter([(24.0 * day, int(value)) for day, value in enumerate(total) if day == 0 or value != total[day - 1]])


def test_an_even_office_prints_the_same_every_workday():
    _, counts = steady(100)
    use = usage_of(counts, days=100).usage[0]
    assert use.per_workday == pytest.approx(100, rel=0.03)
    assert use.low < 100 < use.high
    assert use.per_week == pytest.approx(500, rel=0.03)
    assert max(use.weekday[5:]) < 0.1


def test_a_printer_that_works_on_saturdays_is_found_out():
    pages = [100 if day % 7 < 5 else 60 if day % 7 == 5 else 0 for day in range(200)]
    use = usage_of(counts_of(pages), days=200).usage[0]
    assert use.weekday[5] == pytest.approx(0.6, abs=0.1)
    assert use.weekday[6] < 0.1


def test_months_ends_are_learnt():
    rng = np.random.default_rng(3)
    pages = []
    for day in range(390):
        today = (START + timedelta(days=day)).date()
        ahead = [today + timedelta(days=more) for more in range(1, 9)]
        left = sum(one.month == today.month and one.weekday() < 5 for one in ahead)
        high = 1.5 if left < 3 else 1.0
        pages.append(int(rng.gamma(25, 8 * high)) if today.weekday() < 5 else 0)
    use = usage_of(counts_of(pages), days=390).usage[0]
    assert use.month_end == pytest.approx(1.4, abs=0.12)


def test_variation_from_day_to_day_is_measured():
    rng = np.random.default_rng(4)
    pages = [int(rng.gamma(4, 50)) if day % 7 < 5 else 0 for day in range(390)]  # coefficient of variation 1/2
    use = usage_of(counts_of(pages), days=390).usage[0]
    assert use.variation == pytest.approx(0.5, abs=0.08)
    assert use.per_workday == pytest.approx(200, rel=0.25)


def test_a_level_that_doubled_is_followed_and_told_as_a_trend():
    pages = [0 if day % 7 > 4 else 100 if day < 200 else 200 for day in range(260)]
    use = usage_of(counts_of(pages), days=260).usage[0]
    assert use.per_workday == pytest.approx(200, rel=0.12)
    assert use.trend == pytest.approx(2.0, rel=0.2)


def test_a_reset_counter_does_not_spoil_the_level():
    _, counts = steady(120)
    points = [
        point if index < 50 else replace(point, value=point.value - counts.points[49].value)
        for index, point in enumerate(counts.points)
    ]
    found = usage_of(replace(counts, points=tuple(points)), days=120)
    assert found.usage[0].per_workday == pytest.approx(100, rel=0.06)
    assert any("reset" in note.text for note in found.notes)


def test_a_counter_that_wraps_goes_on_counting():
    # RFC 2578 section 7.1.6: after the greatest value comes 0.
    _, counts = steady(120, begin=2**32 - 3_000)
    points = tuple(replace(point, value=point.value % 2**32) for point in counts.points)
    assert min(point.value for point in points) < 5_000
    use = usage_of(replace(counts, points=points), days=120).usage[0]
    assert use.per_workday == pytest.approx(100, rel=0.03)


def test_an_absurd_leap_is_left_out_and_noted():
    _, counts = steady(120)
    points = [
        point if index < 40 else replace(point, value=point.value + 500_000_000)
        for index, point in enumerate(counts.points)
    ]
    found = usage_of(replace(counts, points=tuple(points)), days=120)
    assert found.usage[0].per_workday == pytest.approx(100, rel=0.06)
    assert any("leapt" in note.text for note in found.notes)


def test_a_gap_without_readings_is_no_idleness():
    _, counts = steady(120)
    hidden = [point for point in counts.points if not 50 * 24 <= (point.at - START).total_seconds() / 3600 < 71 * 24]
    runs = (
        ContactRun(START, at(49 * 24), True),
        ContactRun(at(50 * 24), at(70 * 24), False),
        ContactRun(at(71 * 24), at(120 * 24), True),
    )
    use = usage_of(replace(counts, points=tuple(hidden)), days=120, contacts=runs).usage[0]
    assert use.per_workday == pytest.approx(100, rel=0.05)


def test_holidays_that_the_settings_name_do_not_lower_the_level():
    off = {(START + timedelta(days=day)).date() for day in range(84, 96)}
    pages = [0 if day % 7 > 4 or 84 <= day < 96 else 100 for day in range(98)]
    told = usage_of(counts_of(pages), days=98, terms=Terms(holidays=frozenset(off))).usage[0]
    untold = usage_of(counts_of(pages), days=98).usage[0]
    assert told.per_workday == pytest.approx(100, rel=0.04)
    # Two empty weeks out of fourteen are rare enough to be taken for closed days, not for the printer's habit.
    assert untold.per_workday == pytest.approx(100, rel=0.1)


def test_days_are_the_sites_own():
    # Read at noon UTC, which is just after midnight in Auckland: what came since is the pages of the day there.
    total, points = 1_000, []
    for day in range(120):
        if day % 7 < 5:
            total += 100
            points.append((24.0 * day + 5, total))
    use = usage_of(counter([(0, 1_000), *points]), days=120, zone="Pacific/Auckland").usage[0]
    assert min(use.weekday[:5]) > 0.85
    assert max(use.weekday[5:]) < 0.15


def test_a_zone_that_does_not_exist_is_noted_and_utc_taken():
    _, counts = steady(60)
    found = usage_of(counts, days=60, zone="Nowhere/Atlantis")
    assert any("Nowhere/Atlantis" in note.text for note in found.notes)
    assert found.usage[0].per_workday is not None


@pytest.mark.parametrize("days", [0, 1, 3, 6])
def test_a_few_days_say_too_little(days):
    _, counts = steady(days + 1)
    use = usage_of(counts, days=days).usage[0]
    assert use.per_workday is None
    assert use.reason


def test_a_short_history_is_shrunk_toward_the_fleets_shape():
    fridays = [100 if day % 7 < 4 else 10 if day % 7 == 4 else 0 for day in range(380)]
    teachers = [
        history([track([(0, 90)])], [counts_of(fridays)], until=24 * 380, number=number) for number in range(12)
    ]
    fleet = pool([summarise(one, Fleet(), at(24 * 380)) for one in teachers])
    assert fleet.habits.shape.weekday[4] < 0.3
    pupil = history([track([(0, 90)])], [counts_of(fridays[:21])], until=24 * 21, number=99)
    alone = look(pupil, Fleet(), at(24 * 21)).usage[0]
    taught = look(pupil, fleet, at(24 * 21)).usage[0]
    assert taught.weekday[4] < 0.4 < alone.weekday[4]


def test_the_stated_uncertainty_of_the_level_is_honest():
    """Over many simulated printers the true level lies within the 80 % range about as often as it says."""
    rng = np.random.default_rng(11)
    inside, tried = 0, 150
    for _ in range(tried):
        level = np.exp(np.cumsum(rng.normal(0, 0.2 / np.sqrt(60), 300)))
        pages = [int(rng.gamma(3, 100 * level[day])) if day % 7 < 5 else 0 for day in range(300)]
        use = usage_of(counts_of(pages), days=300).usage[0]
        inside += use.low <= 300 * level[-1] <= use.high
    assert 0.70 <= inside / tried <= 0.90


def test_shape_worth_of_no_days_is_empty():
    assert Shape().worth(np.array([], dtype=np.int64)).size == 0


def test_holidays_are_nearly_idle():
    day = date(2025, 5, 1).toordinal()
    worth = Shape().worth(np.arange(day, day + 2), {day})
    assert worth[0] < 0.1 < worth[1]


def test_flow_without_points_gives_its_reason():
    from agent.insight.series import Counts, Heard

    empty = np.array([])
    made = flow(
        Counts(empty, empty, empty, np.array([], dtype=bool)),
        Heard(empty, empty, 300.0, empty),
        Site(),
        Fleet().habits,
        name="life",
        unit="impressions",
    )
    assert made.level == 0.0
    assert "not moved" in made.reason
