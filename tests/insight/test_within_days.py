"""Within a day and over a night: the law of a run-out that is near, against a simulation of days by NumPy."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from agent.insight import runout
from agent.insight.days import CLOSE_HOUR, OPEN_HOUR
from agent.insight.kin import Fleet, Summary, pool
from agent.insight.profile import ShapeSums
from agent.insight.usage import DRIFTS, UseSums, ahead, by_time
from agent.model.insight import PROBABILITIES, Spread
from tests.insight.drawn import at

VARIANCE = 0.36
OFFICE = CLOSE_HOUR - OPEN_HOUR
MIDNIGHT = at(-7)


def law(pages):
    """Seen at midnight before a Monday: 100 pages a workday, uneven, nothing else unknown."""
    use = replace(by_time(Fleet().habits), level=100.0, log_var=0.0, drift=0.0, variance=VARIANCE, by_time=True)
    days = ahead(use, "UTC", MIDNIGHT.timestamp(), 40, frozenset())
    return runout.law(np.array([pages]), 0.0, runout.course(use, days), np.ones(1)), days


def simulated(pages, days, many=40_000):
    """Days until ``pages`` are used up: each day draws its own pace, which it keeps from morning to evening."""
    rng = np.random.default_rng(3)
    worth = np.diff(days.worth, prepend=0.0)
    pace = rng.gamma(1 / VARIANCE, VARIANCE, (many, worth.size)) * worth * 100.0
    total = pace.cumsum(axis=1)
    day = (total >= pages).argmax(axis=1)
    rows = np.arange(many)
    before = np.where(day > 0, total[rows, day - 1], 0.0)
    return day + (OPEN_HOUR + (pages - before) / pace[rows, day] * OFFICE) / 24


@pytest.mark.parametrize("pages", [80.0, 150.0, 260.0, 430.0])
def test_a_run_out_within_days_keeps_the_spread_that_simulated_days_have(pages):
    curve, days = law(pages)
    found = np.array(curve.quantiles()[0])
    exact = np.quantile(simulated(pages, days), PROBABILITIES)
    middle = slice(PROBABILITIES.index(0.1), PROBABILITIES.index(0.9) + 1)
    # Half an hour; a chance that went evenly with the hours of a day would be off by nearly three.
    assert np.abs(found[middle] - exact[middle]).max() < 0.5 / 24


def test_an_interval_of_four_in_five_holds_four_in_five():
    inside = []
    for pages in (60.0, 110.0, 170.0, 240.0, 330.0):
        curve, days = law(pages)
        found, real = dict(zip(PROBABILITIES, curve.quantiles()[0], strict=True)), simulated(pages, days)
        inside.append(((found[0.1] <= real) & (real <= found[0.9])).mean())
    assert np.mean(inside) == pytest.approx(0.8, abs=0.025)


def test_over_a_night_the_chance_stands_still():
    curve, days = law(150.0)
    found, beyond = curve.quantiles()
    spread = Spread(MIDNIGHT, found, beyond, curve.nights())
    real = simulated(150.0, days)
    for day in (0, 1):
        evening, morning = day + (CLOSE_HOUR + 0.5) / 24, day + 1 + (OPEN_HOUR - 0.5) / 24
        assert spread.chance_within(evening) == spread.chance_within(morning)
        assert spread.chance_within(morning) == pytest.approx((real <= morning).mean(), abs=0.01)


def test_the_chance_never_falls_from_one_moment_to_the_next():
    for pages in (5.0, 80.0, 400.0, 1_500.0):
        curve, _ = law(pages)
        found, beyond = curve.quantiles()
        spread = Spread(MIDNIGHT, found, beyond, curve.nights())
        chances = [spread.chance_within(one) for one in np.arange(0.0, 45.0, 0.05).tolist()]
        assert all(one <= other + 1e-9 for one, other in pairwise(chances))
        assert all(0 <= one <= 1 for one in chances)


def test_a_chance_is_asked_by_the_hour_of_the_day():
    curve, days = law(150.0)
    real = simulated(150.0, days)
    for hours in (10.0, 13.0, 24 + 9.0, 48 + 3.0, 72 + 16.0):
        asked = curve.at([at(hours - 7).timestamp()])[0]
        assert asked == pytest.approx((real <= hours / 24).mean(), abs=0.02)


def test_the_fleets_drift_may_lie_between_the_candidates():
    """A parabola in the logarithm has its top where it was put, whatever the candidates are."""
    top = 0.00057
    score = tuple((-200.0 * (np.log(np.array(DRIFTS)) - np.log(top)) ** 2).tolist())
    use = UseSums(ShapeSums.none(), drift=score)
    assert pool([Summary(1, "", use, ())]).habits.drift == pytest.approx(top, rel=0.02)
