"""Kaplan-Meier and the censored log-normal law, against a handbook, lifelines and SciPy."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from agent.insight.survival import kaplan_meier, log_normal

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import lifelines
    from lifelines.datasets import load_waltons


def test_the_handbook_example_comes_out():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.1.5: 20 units; the survival after each failure.
    failures, censored = [10, 32, 56, 98, 122, 181], [50, 100, 125, 150] + [200] * 10
    curve = kaplan_meier(failures + censored, [True] * 6 + [False] * 14)
    assert curve.at.tolist() == failures
    np.testing.assert_allclose(curve.alive, [0.95, 0.90, 0.8471, 0.7941, 0.7374, 0.6704], atol=5e-5)
    assert curve.when(0.9) == 32
    assert curve.when(0.5) is None


def test_it_agrees_with_lifelines_on_the_waltons_data():
    # lifelines 0.30, KaplanMeierFitter and its Greenwood variance, on its own data set (163 flies, some censored).
    data = load_waltons()
    fitter = lifelines.KaplanMeierFitter().fit(data["T"], data["E"])
    curve = kaplan_meier(data["T"].to_numpy(), data["E"].to_numpy() == 1)
    np.testing.assert_allclose(curve.alive, fitter.survival_function_at_times(curve.at).to_numpy(), rtol=1e-12)
    assert curve.when(0.5) == fitter.median_survival_time_


@given(st.lists(st.tuples(st.integers(1, 60), st.booleans()), min_size=1, max_size=60))
def test_it_agrees_with_lifelines_on_anything(lives):
    times, ended = [life[0] for life in lives], [life[1] for life in lives]
    curve = kaplan_meier(times, ended)
    if not any(ended):
        assert curve.at.size == 0
        return
    fitter = lifelines.KaplanMeierFitter().fit(times, ended)
    np.testing.assert_allclose(curve.alive, fitter.survival_function_at_times(curve.at).to_numpy(), atol=1e-12)
    assert np.all(np.diff(curve.alive) <= 0)


def test_the_curve_of_those_that_came_so_far_begins_at_one():
    curve = kaplan_meier([1, 2, 3, 4], [True] * 4).given(2)
    assert curve.at.tolist() == [3, 4]
    np.testing.assert_allclose(curve.alive, [0.5, 0.0])


def test_lengths_that_differ_are_refused():
    with pytest.raises(ValueError, match="2 times but 1"):
        kaplan_meier([1, 2], [True])


def test_the_censored_log_normal_is_the_greatest_likelihood():
    # SciPy's stats.CensoredData with norm.fit maximises the same likelihood; no imaginary lives here (weight 0).
    rng = np.random.default_rng(5)
    logs = rng.normal(9.0, 0.4, 300)
    limit = rng.normal(9.2, 0.4, 300)
    seen, ended = np.minimum(logs, limit), logs <= limit
    found = log_normal(seen, ended, weight=1e-9, rounds=4000)
    data = stats.CensoredData(uncensored=seen[ended], right=seen[~ended])
    mean, sd = stats.norm.fit(data)
    assert found == pytest.approx((mean, sd), rel=2e-3)


def test_without_an_end_there_is_no_law():
    assert log_normal(np.array([1.0, 2.0]), np.array([False, False])) is None
