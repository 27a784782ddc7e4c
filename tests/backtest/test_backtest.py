"""A small backtest: loose bounds that a broken method would not hold. The whole one is ``make backtest``."""

from __future__ import annotations

import numpy as np
import pytest

from tests.backtest import limit, report, swapping, trial, world
from tests.backtest.hardness import DRIFT_A_DAY, HARSH, drift

SEED = 401  # neither a tuning seed nor one of the whole backtest


@pytest.fixture(scope="module", params=[0.01, 0.10, 0.25])
def small(request):
    made = world.make(SEED, request.param, printers=24)
    rows, reasons = trial.run(made, trial.Plan(many=8, every=150), told=True)
    return report.score(rows, reasons, {"line": (0.6, 1.0, 1.5), "mean": (0.6, 1.0, 1.5)})


def test_the_interval_covers_about_as_often_as_it_says(small):
    assert 0.68 <= small["all"]["coverage"] <= 0.92


def test_it_errs_little_more_than_an_oracle(small):
    assert small["all"]["ratio_to_oracle_mean"] <= 2.6


def test_it_beats_the_line_and_the_mean(small):
    assert small["all"]["less_pinball"] >= 0.15


def test_it_leans_neither_way(small):
    assert abs(small["all"]["bias_median"]) <= 0.45


def test_nearly_all_get_an_answer(small):
    assert small["without_answer"] <= 0.06


@pytest.mark.parametrize("step", [0.01, 0.10])
def test_swaps_are_told_and_noise_is_not(step):
    found = swapping.run(SEED, step, 12, told=True)
    for how in ("hindsight", "live"):
        assert found[how]["recall"] >= 0.95, how
        assert found[how]["precision"] >= 0.95, how
    assert found["live"]["within_24_h"] >= 0.95


def test_the_oracle_is_right_when_nothing_varies():
    made = world.make(SEED, 0.01, printers=3, days=150)
    made.wear = made.expected.copy()
    for day in (20, 60, 100):
        assert made.time_until_dry(0, day, pages=made.expected) == made.time_until_dry(0, day)


def test_the_limit_knows_the_level_as_well_as_theory_says():
    # A random walk with q a day seen through noise r: the variance of the steady Kalman filter is the positive root of
    # p^2 = q (p + r) (Muth 1960). Here a workday says something, 5 of 7 days, with r about the squared variation.
    made = world.make(SEED, 0.01, printers=40, days=240, hard=HARSH)
    level = made.expected[:, :240] / made.plain[:, :240]
    miss = np.log(limit.levels(made)[:, 160:] / level[:, 160:])
    q, r = DRIFT_A_DAY * 7 / 5, float((made.variation**2).mean())
    theory = (q + np.sqrt(q * q + 4 * q * r)) / 2
    assert miss.std() == pytest.approx(np.sqrt(theory), rel=0.2)


@pytest.mark.parametrize("smooth", [1, 21, 42])
def test_the_limit_in_theory_is_that_of_the_best_linear_forecast(smooth):
    # For a walk and for walks averaged over three and six weeks, each with sd 0.2 over 60 days. Slow or jumpy, it
    # matters little.
    rng = np.random.default_rng(5)
    walk = np.cumsum(rng.normal(0, 1, (4_000, 280 + smooth)), axis=1)
    summed = np.cumsum(np.pad(walk, ((0, 0), (1, 0))), axis=1)
    path = (summed[:, smooth:] - summed[:, :-smooth])[:, :280] / smooth
    path = (path - path[:, 249:250]) * 0.2 / np.std(path[:, 249] - path[:, 189])
    for days, factor in ((3, 1.05), (7, 1.12), (15, 1.26), (30, 1.54)):
        assert _best_factor(path, days) == pytest.approx(factor, abs=0.04)
        assert limit.in_theory(days) == pytest.approx(factor, abs=0.04)


def test_the_slow_drift_leaves_a_little_less_unknown():
    path = drift(np.random.default_rng(5), 4_000, 280, "slow")
    path -= path[:, 249:250]
    for days, factor in ((3, 1.04), (7, 1.10), (15, 1.21), (30, 1.46)):
        assert _best_factor(path, days) == pytest.approx(factor, abs=0.03)


def _best_factor(path, days):
    """By brute force (normal laws): what the mean level ahead is not known to, given 250 days of noisy levels."""
    past, ahead = path[:, :250], path[:, 250 : 250 + days].mean(axis=1)
    noisy = past.T @ past / len(path) + 1.0 + 0.4008 * 7 / 5 * np.eye(250)  # 1.0: where it began is not known
    both = past.T @ ahead / len(path) + 1.0
    left = ahead @ ahead / len(path) + 1.0 - both @ np.linalg.solve(noisy, both)
    return np.sqrt(1 + left / (0.4008 / (days * 5 / 7)))


def test_pinball_is_least_at_the_quantile():
    # Koenker and Bassett (1978): the expected loss is least at the quantile asked for.
    sample = np.random.default_rng(1).gamma(3, 2, 20_000)
    losses = [
        trial.pinball(sample, np.full(sample.size, guess), 0.9).mean()
        for guess in np.quantile(sample, [0.8, 0.9, 0.97])
    ]
    assert losses[1] < losses[0]
    assert losses[1] < losses[2]


def test_hours_in_which_nobody_prints_are_taken_out():
    assert trial.open_days(np.array([0.0, 5 / 24, 10 / 24, 0.9, 1.0])).tolist() == pytest.approx([0, 0.5, 1, 1, 1])
    assert trial.work_days(np.array([0]), np.array([7.0])).tolist() == [5.0]
