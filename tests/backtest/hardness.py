"""How hard a simulated fleet is: as it was asked for, and harsher, as real printers are.

All fleets have the hardness that ``world`` lists. ``AS_ASKED`` has just that; ``HARSH`` has much besides.

The one thing that was asked for and can be read in several ways is the "slow drift of volume (sd 0.2 in log over 60
days)". ``drift`` makes two readings of it; docs/backtest.md says why the one was taken for ``AS_ASKED``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from agent.insight.days import Floats

DRIFT_A_DAY = 0.2**2 / 60
"""The variance by which the logarithm of the level of use moves in a day."""
KNOT = 60
"""Days from one knot of the slow drift to the next."""
BY_MODEL = (0.0, 0.5, 1.0, 0.5, 0.0, 1.0, 0.5)
"""How the models round a level: down (0), to the nearest (0.5), up (1). It is not told."""


@dataclass(frozen=True)
class Hardness:
    """What may differ.

    ``drift``: see the function. ``weekends``: what a day of the weekend (or a holiday) is worth beside a workday: this
    share of printers has the first worth, the others the second. ``weekdays``: how printers' weekday factors differ;
    ``coverage``: how the use a page differs from day to day (both sd of the logarithm). ``early``: the share of
    cartridges that somebody means to swap early, at 0 to 12 %; an eighth of these run dry before, in a day that takes
    more than was left. ``used``: the share of cartridges that were used before. ``stands``: of printers that run dry,
    how many stand for hours. ``shaken``: the share of cartridges that somebody shakes near their end. ``odd``: levels
    flicker, are unknown at times and odd after power-up, and counters are reset.
    """

    drift: Literal["slow", "walk"]
    weekends: tuple[float, float, float]
    weekdays: float = 0.0
    coverage: float = 0.0
    early: float = 0.6
    used: float = 0.0
    stands: float = 0.0
    shaken: float = 0.0
    odd: bool = False


AS_ASKED = Hardness("slow", (1.0, 0.2, 0.2), early=0.68)
HARSH = Hardness("walk", (0.8, 0.005, 0.08), weekdays=0.1, coverage=0.1, used=0.04, stands=0.5, shaken=0.2, odd=True)


def drift(rng: np.random.Generator, n: int, total: int, how: str) -> Floats:
    """The logarithm of the level of use: (n, total days).

    "walk": a bare random walk, which moves by sd 0.2 over any 60 days and jumps a little every day. "slow": it moves by
    sd 0.2 from one knot to the next, 60 days on, and evenly in between; the knots of each printer lie elsewhere. (From
    any day to the sixtieth after it that is sd 0.16, as such a stretch holds parts of two moves.)
    """
    if how == "walk":
        return np.cumsum(rng.normal(0, 0.2 / np.sqrt(60), (n, total)), axis=1)
    knots = np.arange(0, total + 2 * KNOT, KNOT)
    walk = np.cumsum(rng.normal(0, 0.2, (n, knots.size)), axis=1)
    days = np.arange(total) + rng.uniform(0, KNOT, n)[:, None]
    return np.array([np.interp(day, knots, one) for day, one in zip(days, walk, strict=True)])
