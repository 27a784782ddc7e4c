"""Now or later: the least cost of waiting against a search by hand over all rounds, with drawn lives."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.insight.weighing import Stake, weigh
from agent.model.insight import PROBABILITIES

DAILY = tuple(float(day) for day in range(60))


def normal(mean: float, sd: float) -> tuple[float, ...]:
    law = NormalDist(mean, sd)
    return tuple(max(0.0, law.inv_cdf(chance)) for chance in PROBABILITIES)


def by_hand(mean: float, sd: float, harm: float, walk: float, worth: float) -> float:
    """The least mean cost of a visit planned for any one round after this, over many drawn lives.

    Nothing is learnt while one waits but that it still runs, so the best plan is one round, fixed beforehand.
    """
    lives = np.random.default_rng(7).normal(mean, sd, 400_000)
    costs = []
    for at in DAILY[1:]:
        dry = lives < at
        costs.append(float(np.where(dry, harm + walk, walk + worth * (lives - at)).mean()))
    return min(costs)


@pytest.mark.parametrize(
    ("mean", "sd", "harm", "walk", "worth"),
    [(10, 1.5, 90, 10, 3.0), (10, 1.5, 90, 10, 20.0), (20, 4, 90, 10, 1.0), (6, 2, 300, 5, 4.0), (15, 3, 30, 40, 6.0)],
)
def test_the_cost_of_waiting_is_that_of_the_best_round_to_come(mean, sd, harm, walk, worth):
    (sums,) = weigh([Stake(normal(mean, sd), harm, walk, worth)], DAILY)
    # The law is kept as fifteen quantiles, straight between them; that is what the tolerance is for.
    assert sums.later == pytest.approx(by_hand(mean, sd, harm, walk, worth), rel=0.08, abs=0.7)
    assert sums.waste == pytest.approx(worth * mean, rel=0.03)


def test_the_chance_is_that_of_the_law():
    (sums,) = weigh([Stake(normal(3, 2), 90, 10, 1)], (0.0, 2.0, 5.0))
    assert sums.chance == pytest.approx(NormalDist(3, 2).cdf(2), abs=0.01)


def test_what_is_empty_already_costs_a_standstill_to_leave_alone():
    (sums,) = weigh([Stake((0.0,) * len(PROBABILITIES), 90, 10, 1)], DAILY)
    assert sums.waste == 0.0
    assert sums.chance == pytest.approx(1.0, abs=0.01)
    assert sums.later == pytest.approx(100, rel=0.01)


def test_many_are_weighed_as_one_by_one():
    stakes = [Stake(normal(mean, 1 + mean / 9), 90, 10, mean / 5) for mean in np.linspace(0.5, 80, 1500)]
    whole = weigh(stakes, DAILY)
    alone = [weigh([one], DAILY)[0] for one in stakes[1020:1030]]
    for one, other in zip(whole[1020:1030], alone, strict=True):
        assert one == other or all(
            getattr(one, name) == pytest.approx(getattr(other, name)) for name in ("chance", "spare", "waste", "later")
        )


@settings(max_examples=60)
@given(st.floats(0, 100), st.floats(0.05, 20), st.floats(0, 500), st.floats(0, 60), st.floats(0, 50))
def test_sums_are_sane_whatever_is_weighed(mean, sd, harm, walk, worth):
    (sums,) = weigh([Stake(normal(mean, sd), harm, walk, worth)], DAILY)
    assert 0 <= sums.chance <= 1
    assert sums.waste >= 0
    # The dearest way to wait is to let it run dry; the cheapest costs no less than nothing.
    assert -1e-6 <= sums.later <= harm + walk + worth * mean + 10 * worth * sd + 1e-6


@settings(max_examples=40)
@given(st.floats(1, 30), st.floats(0.2, 5), st.floats(0, 100))
def test_a_dearer_standstill_never_makes_waiting_cheaper(mean, sd, harm):
    law = normal(mean, sd)
    (one,), (other,) = (weigh([Stake(law, cost, 10, 2)], DAILY) for cost in (harm, harm + 50))
    assert other.later >= one.later - 1e-9
