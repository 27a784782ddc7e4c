"""Demand as a sum over run-outs, against SciPy's distributions and plain simulation."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import stats

from agent.insight.demand import (
    LIFE_SD,
    Asker,
    Crowd,
    Demand,
    Outlook,
    cover,
    enough,
    first_by,
    lead_times,
    life_by,
    next_swap,
    numbers,
    summary,
    total,
)
from agent.model.insight import PROBABILITIES, Spread
from agent.model.shelf import OrderTerms

CERTAIN = OrderTerms(lead_days=10.0, lead_sd=0.0, review_days=0.0)


def quantiles_of(law) -> tuple[float, ...]:
    return tuple(law.ppf(np.array(PROBABILITIES)).tolist())


def test_the_chance_of_the_next_swap_follows_the_quantiles_of_the_forecast():
    law = stats.gamma(9, scale=2)
    at = np.array([8.0, 12.0, 18.0, 25.0, 33.0])
    made = first_by(np.array([quantiles_of(law)]), at)[0]
    assert made == pytest.approx(law.cdf(at), abs=0.012)
    beyond = first_by(np.array([quantiles_of(law)]), np.array([-1.0, 0.0, 60.0, 1e6]))[0]
    assert beyond[:2] == pytest.approx([0.0, 0.0])
    assert 0.999 < beyond[2] <= beyond[3] <= 1.0


def test_lives_are_log_normal_with_the_mean_given():
    law = stats.lognorm(LIFE_SD, scale=np.exp(np.log(40) - LIFE_SD**2 / 2))
    assert law.mean() == pytest.approx(40)
    at = np.array([0.0, 10.0, 38.0, 90.0])
    assert life_by(np.array([40.0]), at)[0] == pytest.approx(law.cdf(at))


def test_a_sum_of_yes_or_no_is_binomial():
    """Against SciPy's binomial distribution."""
    law = total(np.tile([1.0, 0.2], (30, 1)))
    assert law[:31] == pytest.approx(stats.binom.pmf(np.arange(31), 30, 0.2), abs=1e-12)
    assert enough(law, 0.95) == stats.binom.ppf(0.95, 30, 0.2)


def test_a_sum_of_many_is_still_their_sum():
    """Against SciPy's binomial distribution, where the normal law has taken over."""
    law = total(np.tile([1.0, 0.4], (5000, 1)))
    exact = stats.binom(5000, 0.4)
    assert enough(law, 0.95) == pytest.approx(exact.ppf(0.95), abs=1)
    assert summary(law)[0] == pytest.approx(2000, abs=0.5)


def test_nobody_asks_for_nothing():
    assert total(np.zeros((0, 2))).tolist() == [1.0]
    law = Demand(Crowd.of([]), CERTAIN, 0).law(0)
    assert (enough(law, 0.99), cover(law, 0)) == (0, 1.0)
    assert cover(law, -1) == 0.0


def test_without_a_forecast_demand_is_a_poisson_stream():
    """Against SciPy's Poisson distribution."""
    law = Demand(Crowd.of([Asker(None, 4.0), Asker(None, 10.0)]), CERTAIN, 0).law(0)
    assert law[:12] == pytest.approx(stats.poisson.pmf(np.arange(12), 3.5), abs=2e-4)


@pytest.mark.parametrize("life", [6.0, 15.0, 40.0, 400.0])
def test_later_swaps_follow_a_life_after_the_first(life):
    """Against a simulation with a seed of its own: 200,000 printers."""
    law = stats.gamma(4, scale=2.5)
    generator = np.random.default_rng(11)
    at = law.rvs(200_000, random_state=generator)
    scale = np.log(life) - LIFE_SD**2 / 2
    count = np.zeros(at.size)
    for _ in range(40):
        count += at <= 30
        at = at + generator.lognormal(scale, LIFE_SD, at.size)
    made = numbers(Crowd.of([Asker(quantiles_of(law), life)]), np.arange(1, 129) * (30 / 128))[:, 0, -1]
    for number in range(made.size):
        assert made[number] == pytest.approx(float((count > number).mean()), abs=0.025)
    assert made.sum() == pytest.approx(count.mean(), rel=0.03, abs=0.02)


def test_one_late_delivery_is_late_for_all():
    """A shared lead time makes the demand more uneven than independent ones would: against a simulation."""
    terms = OrderTerms(lead_days=10.0, lead_sd=4.0, review_days=0.0)
    law = stats.uniform(0, 40)
    made = Demand(Crowd.of([Asker(quantiles_of(law), None)] * 60), terms, 0).law(0)
    generator = np.random.default_rng(5)
    lead = np.maximum(0.0, generator.normal(10, 4, 40_000))
    count = generator.binomial(60, law.cdf(lead))
    mean = float((np.arange(made.size) * made).sum())
    spread = float(np.sqrt((np.arange(made.size) ** 2 * made).sum() - mean**2))
    assert mean == pytest.approx(count.mean(), rel=0.02)
    assert spread == pytest.approx(count.std(), rel=0.05)
    assert enough(made, 0.95) == pytest.approx(np.quantile(count, 0.95), abs=1)


def test_lead_times_keep_mean_and_spread_and_are_never_negative():
    terms = OrderTerms(lead_days=10.0, lead_sd=2.0)
    assert lead_times(terms).mean() == pytest.approx(10)
    assert lead_times(terms).std() == pytest.approx(2)
    assert lead_times(OrderTerms(lead_days=1.0, lead_sd=5.0)).min() == 0.0


def test_people_who_swap_early_ask_early():
    start = datetime(2026, 3, 2, 7, tzinfo=UTC)
    empty = Spread(start, tuple(10.0 + at for at in range(15)), 100)
    low = Spread(start, tuple(6.0 + at for at in range(15)), 100)
    assert next_swap(empty, low, 0.10, 0.0)[7] == 17.0
    assert next_swap(empty, low, 0.10, 0.05)[7] == pytest.approx(15.0)
    assert next_swap(empty, low, 0.10, 0.30)[7] == pytest.approx(13.0)
    assert next_swap(empty, None, None, 0.05, lag=12.0)[:3] == (0.0, 0.0, 0.0)


def crowd_of(count: int, last: float, seed: int = 3) -> Crowd:
    generator = np.random.default_rng(seed)
    return Crowd.of(
        [
            Asker(tuple(np.sort(generator.uniform(0, last, 15)).tolist()), float(generator.uniform(20, 300)))
            for _ in range(count)
        ]
    )


@pytest.mark.parametrize(("count", "last"), [(400, 3000.0), (400, 90.0), (1500, 40.0)])
def test_the_law_of_a_large_crowd_is_that_of_its_sum(count, last):
    """The law fitted to mean and variance, against the exact sum of the same numbers."""
    crowd = crowd_of(count, last)
    outlook = Outlook.of(crowd, 12.0)
    assert outlook.chances is None
    fitted = outlook.law(12.0)
    exact = total(np.vstack([np.ones(count), numbers(crowd, outlook.times)[:, :, -1]]).T)
    size = max(fitted.size, exact.size)
    gap = np.cumsum(np.pad(fitted, (0, size - fitted.size))) - np.cumsum(np.pad(exact, (0, size - exact.size)))
    assert np.abs(gap).max() < 0.006
    for level in (0.5, 0.9, 0.95, 0.99):
        assert enough(fitted, level) == pytest.approx(enough(exact, level), abs=1)


@pytest.mark.parametrize(("mean", "variance"), [(3.0, 2.4), (3.0, 3.0), (3.0, 4.5), (900.0, 700.0), (0.0, 0.0)])
def test_a_fitted_law_has_the_mean_and_variance_that_were_asked_for(mean, variance):
    from agent.insight.demand import _fitted

    law = _fitted(mean, variance)
    k = np.arange(law.size)
    assert float((k * law).sum()) == pytest.approx(mean, rel=0.01)
    assert float((k**2 * law).sum() - (k * law).sum() ** 2) == pytest.approx(variance, rel=0.05)


def test_the_outlook_between_two_steps_lies_between_them():
    outlook = Outlook.of(crowd_of(20, 60.0), 30.0)
    means = [summary(outlook.law(at))[0] for at in (0.0, 0.1, 5.0, 5.1, 29.9, 30.0, 31.0)]
    assert means == sorted(means)
    assert means[0] == pytest.approx(0.0, abs=1e-9)
    assert means[5] == pytest.approx(float(outlook.mean[-1]))


def test_a_large_fleet_is_reckoned_quickly():
    """4,000 supplies of one part, near and far."""
    import time

    crowd = crowd_of(4000, 120.0)
    began = time.perf_counter()
    made = Demand(crowd, OrderTerms(), 180.0)
    assert made.law(7.0).sum() == pytest.approx(1.0)
    assert made.law(90.0).sum() == pytest.approx(1.0)
    assert time.perf_counter() - began < 12.0
