"""A simulated fleet is as hard as it was asked for: each figure is measured from what the simulation made."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from tests.backtest import kept, world
from tests.backtest.hardness import AS_ASKED, DRIFT_A_DAY, HARSH, KNOT, drift

DAYS = world.calendar(660)
WEEK = np.array([day.weekday() for day in DAYS])
CLOSED = world.holidays(660)
OFF = np.array([day in CLOSED for day in DAYS])


def test_what_is_shown_has_the_gaps():
    history = kept.histories(world.make(11, 0.01, printers=3))[0]
    assert any((run.last - run.first).days >= 1 for run in history.contacts if not run.reachable)


@pytest.fixture(scope="module", params=[AS_ASKED, HARSH], ids=["as asked", "harsh"])
def fleet(request):
    return world.make(11, 0.01, printers=120, hard=request.param)


def test_workdays_vary_by_45_to_80_per_cent(fleet):
    # Single printers' figures rest on 450 days each, and whole pages add a little: 1 / pages a day.
    work = fleet.plain.mean(axis=0) > 0.6 * fleet.plain.mean()
    ratio = fleet.demand[:, work] / fleet.expected[:, work]
    found = np.sqrt(np.maximum(0.0, ratio.var(axis=1) - (1 / fleet.expected[:, work]).mean(axis=1)))
    assert np.quantile(found, 0.1) == pytest.approx(0.485, abs=0.06)
    assert np.median(found) == pytest.approx(0.625, abs=0.06)
    assert np.quantile(found, 0.9) == pytest.approx(0.765, abs=0.08)


def test_weekends_and_holidays_are_quiet(fleet):
    workday = fleet.demand[:, (WEEK < 5) & ~OFF].mean(axis=1)
    for quiet in (WEEK >= 5, OFF & (WEEK < 5)):
        share = float(np.median(fleet.demand[:, quiet].mean(axis=1) / workday))
        assert share == pytest.approx(0.2, abs=0.06) if fleet.hard is AS_ASKED else share < 0.05


def test_the_last_workdays_of_a_month_have_35_per_cent_more(fleet):
    later = np.array([DAYS[min(at + 3, 659)].month != day.month for at, day in enumerate(DAYS)])
    ends, middle = later & (WEEK == 0) & ~OFF, np.array([8 < day.day < 20 for day in DAYS]) & (WEEK == 0) & ~OFF
    # Mondays in the last three days of a month beside other Mondays.
    ratio = (fleet.demand / fleet.expected * fleet.plain)[:, ends].mean() / fleet.plain[:, middle].mean()
    assert ratio == pytest.approx(1.35, abs=0.12)


def test_the_slow_drift_moves_by_20_per_cent_from_knot_to_knot():
    path = drift(np.random.default_rng(3), 3_000, 400, "slow")
    assert (np.diff(path, axis=1) * KNOT).std() == pytest.approx(0.2, rel=0.03)
    assert np.mean(np.abs(np.diff(path, 2, axis=1)) > 1e-9) < 2.1 / KNOT  # even in between
    assert (path[:, 360] - path[:, 300]).std() == pytest.approx(0.2 * np.sqrt(2 / 3), rel=0.06)


def test_the_walk_moves_by_20_per_cent_over_any_60_days():
    path = drift(np.random.default_rng(3), 3_000, 400, "walk")
    assert (path[:, 360] - path[:, 300]).std() == pytest.approx(0.2, rel=0.05)
    assert np.diff(path, axis=1).var() == pytest.approx(DRIFT_A_DAY, rel=0.02)


def test_the_use_a_page_differs_from_life_to_life_and_between_printers(fleet):
    lives = defaultdict(list)
    for life in fleet.lives:
        lives[life.printer].append(np.log(life.use))
    many = [np.array(one) for one in lives.values() if len(one) >= 4]
    within = np.sqrt(sum(((one - one.mean()) ** 2).sum() for one in many) / sum(one.size - 1 for one in many))
    assert 0.2 <= within <= 0.3
    own = np.array([np.mean(lives[at]) for at in range(fleet.printers)]) + np.log(fleet.declared)
    kinds = np.array([own[fleet.model == kind].mean() for kind in fleet.model])
    noise = within**2 / np.mean([len(one) for one in lives.values()])
    assert np.sqrt((own - kinds).var() - noise) == pytest.approx(0.3, abs=0.06)


def test_60_per_cent_are_swapped_early_at_0_to_12_per_cent(fleet):
    over = [life for life in fleet.lives if life.end_slot >= 0]
    early = np.array([life.end for life in over if not life.dry])
    assert early.size / len(over) == pytest.approx(0.6 if fleet.hard is AS_ASKED else 0.53, abs=0.05)
    assert early.max() <= 0.12
    assert np.quantile(early, 0.9) > 0.09


def test_there_are_gaps_of_days_without_readings(fleet):
    silent = (~fleet.heard).reshape(fleet.printers, -1, 3).all(axis=2)
    assert silent.mean() == pytest.approx(4 / 60, abs=0.01)


def test_the_fleet_as_asked_has_nothing_besides():
    made = world.make(12, 0.10, printers=20)
    assert made.hard is AS_ASKED
    assert np.array_equal(made.wear, made.demand)
    assert (np.diff(made.count, axis=1) >= 0).all()
    assert (made.shown >= 0).all()
    rises = np.diff(made.shown, axis=1) > 1e-9
    swaps = {(life.printer, life.first) for life in made.lives if life.first}
    assert {(int(at), int(slot) + 1) for at, slot in np.argwhere(rises)} <= swaps
