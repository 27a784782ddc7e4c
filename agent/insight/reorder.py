"""The textbook's reorder point, for parts of which no printer's forecast tells the demand.

Demand in lead time is taken as normal (many pieces) or Poisson (few): mean d L, and where lead time varies too,
variance L sd_d^2 + d^2 sd_L^2.
"""

from __future__ import annotations

import math

from scipy.special import ndtr, ndtri, pdtr

FEW = 10.0
"""Up to so many pieces in lead time the demand is taken as Poisson: a bell is too wide on the left there (common
practice, no source)."""


def safety_factor(risk: float) -> float:
    """The normal quantile z that is exceeded with this chance. Raises ValueError unless 0 < risk < 1."""
    if not 0 < risk < 1:
        raise ValueError(f"a risk lies between 0 and 1, not at {risk}")
    return float(ndtri(1 - risk))


def lead_time_demand(daily: float, daily_sd: float, lead: float, lead_sd: float = 0.0) -> tuple[float, float]:
    """Mean and standard deviation of the demand in lead time; all in pieces and days.

    Raises ValueError for negative arguments.
    """
    if min(daily, daily_sd, lead, lead_sd) < 0:
        raise ValueError("demand, lead time and their standard deviations cannot be negative")
    return daily * lead, math.sqrt(lead * daily_sd**2 + daily**2 * lead_sd**2)


def normal_reorder_point(mean: float, sd: float, z: float) -> tuple[float, float]:
    """Safety stock and reorder point."""
    return z * sd, mean + z * sd


def poisson_cover(mean: float, stock: int) -> float:
    """The chance that a Poisson demand of this mean does not exceed the stock: G(stock) of base-stock theory."""
    return float(pdtr(stock, mean)) if stock >= 0 else 0.0


def poisson_base_stock(mean: float, level: float) -> int:
    """The smallest stock that covers a Poisson demand with this chance (0 < level < 1, else ValueError)."""
    if not 0 < level < 1:
        raise ValueError(f"a service level lies between 0 and 1, not at {level}")
    if mean < 0:
        raise ValueError("demand cannot be negative")
    # The normal quantile is near; from there it is a few steps.
    stock = max(0, int(mean + float(ndtri(level)) * math.sqrt(mean)) - 3)
    while stock > 0 and poisson_cover(mean, stock - 1) >= level:
        stock -= 1
    while poisson_cover(mean, stock) < level:
        stock += 1
    return stock


def normal_cover(mean: float, sd: float, stock: float) -> float:
    """The chance that a normal demand does not exceed the stock; pieces are whole, so half a piece is added."""
    if sd <= 0:
        return 1.0 if stock >= mean else 0.0
    return float(ndtr((stock + 0.5 - mean) / sd))
