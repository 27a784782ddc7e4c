"""The textbook's reorder points, against worked examples from outside."""

from __future__ import annotations

import pytest
from scipy import stats

from agent.insight.reorder import (
    lead_time_demand,
    normal_cover,
    normal_reorder_point,
    poisson_base_stock,
    poisson_cover,
    safety_factor,
)


def test_stevenson_reorder_point_for_a_risk_of_three_per_cent():
    """Stevenson, Operations Management, chapter on inventory, example 8: mean 50, sd 5, risk 3 %."""
    z = round(safety_factor(0.03), 2)
    assert z == 1.88
    safety, point = normal_reorder_point(50, 5, z)
    assert safety == pytest.approx(9.40)
    assert point == pytest.approx(59.40)


def test_taylor_carpet_store():
    """Taylor, Introduction to Management Science, the carpet store: 30 a day, sd 5, ten days, 95 % (z 1.65)."""
    mean, sd = lead_time_demand(30, 5, 10)
    safety, point = normal_reorder_point(mean, sd, 1.65)
    assert safety == pytest.approx(26.1, abs=0.05)
    assert point == pytest.approx(326.1, abs=0.05)


def test_demand_and_lead_time_both_vary():
    """sigma = sqrt(L sd^2 + d^2 sdL^2), formula from memory; the carpet store with a lead time of sd 3 days."""
    mean, sd = lead_time_demand(30, 5, 10, 3)
    assert sd**2 == pytest.approx(8350)
    safety, point = normal_reorder_point(mean, sd, 1.65)
    assert safety == pytest.approx(150.77, abs=0.005)
    assert point == pytest.approx(450.77, abs=0.005)


@pytest.mark.parametrize(
    ("stock", "chance"), [(12, 0.791556), (13, 0.864464), (14, 0.916542), (15, 0.951260), (16, 0.972958)]
)
def test_poisson_base_stock_table(stock, chance):
    """Hopp and Spearman, Factory Physics, 2.4.2: Poisson demand of mean 10."""
    assert poisson_cover(10, stock) == pytest.approx(chance, abs=5e-7)
    assert poisson_cover(10, stock) == pytest.approx(stats.poisson.cdf(stock, 10), abs=1e-12)
    assert poisson_base_stock(10, chance - 1e-6) == stock
    assert poisson_base_stock(10, chance + 1e-6) == stock + 1


@pytest.mark.parametrize("mean", [0.0, 0.003, 0.4, 2.5, 9.0, 77.0, 1234.5])
@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.999])
def test_base_stock_equals_scipys_quantile(mean, level):
    expected = 0 if mean == 0 else stats.poisson.ppf(level, mean)
    assert poisson_base_stock(mean, level) == expected


def test_cover_of_a_certain_demand_is_all_or_nothing():
    assert (normal_cover(5, 0, 4), normal_cover(5, 0, 5)) == (0.0, 1.0)
    assert poisson_cover(3, -1) == 0.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: safety_factor(0),
        lambda: safety_factor(1),
        lambda: lead_time_demand(-1, 1, 1),
        lambda: lead_time_demand(1, 1, 1, -1),
        lambda: poisson_base_stock(-1, 0.9),
        lambda: poisson_base_stock(1, 1.0),
    ],
)
def test_what_cannot_be_is_refused(call):
    with pytest.raises(ValueError, match=r"negative|between 0 and 1"):
        call()
