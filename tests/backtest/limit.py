"""The limit: how well any method at all could know the pages to come in a simulated fleet.

An exact Bayesian filter (on a grid of the logarithm of the level of use) that is told everything except the level: the
pages left, each printer's weekday shape, its day-to-day variation and the law of it, the law of the drift, and every
day's pages without gaps. What its forecasts err more than the oracle's, no method can avoid that must learn the level
from the pages.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln

from tests.backtest.hardness import DRIFT_A_DAY
from tests.backtest.world import World

GRID = np.linspace(-2.5, 2.5, 251)


def levels(world: World) -> np.ndarray:
    """The expected level of use (logarithm 0 at the simulation's beginning) at 8 o'clock: (printers, days)."""
    step = np.exp(-0.5 * (GRID[:, None] - GRID[None, :]) ** 2 / DRIFT_A_DAY)
    step /= step.sum(axis=0, keepdims=True)
    chance = np.full((world.printers, GRID.size), 1.0 / GRID.size)
    found = np.zeros((world.printers, world.days))
    for day in range(world.days):
        found[:, day] = chance @ np.exp(GRID)
        chance = chance * _likelihood(world, day)
        chance /= chance.sum(axis=1, keepdims=True)
        chance = chance @ step.T
    return found


def _likelihood(world: World, day: int) -> np.ndarray:
    """How likely the day's pages are at each level of the grid; quiet days say nothing."""
    mean = world.plain[:, day, None] * np.exp(GRID)[None, :]
    pages = np.maximum(world.demand[:, day, None], 0.5)
    variance = world.variation[:, None] ** 2 + 1 / mean  # of the day, and of whole pages (Poisson)
    shape = 1 / variance
    as_gamma = shape * np.log(shape * pages / mean) - shape * pages / mean - gammaln(shape)
    spread = np.log1p(variance)
    as_log_normal = -0.5 * (np.log(pages / mean) + spread / 2) ** 2 / spread - 0.5 * np.log(spread)
    told = np.where(world.gamma[:, None], as_gamma, as_log_normal)
    told = np.where(world.busy[:, day, None], told, 0.0)
    made: np.ndarray = np.exp(told - told.max(axis=1, keepdims=True))
    return made


def until_dry(world: World, level: np.ndarray, printer: int, day: int) -> float:
    """Days until the pages left are used up if the level stays as the filter knows it."""
    return world.time_until_dry(printer, day, pages={printer: world.plain[printer] * level[printer, day]})


def in_theory(days: float, drift: float = DRIFT_A_DAY, variation: float = 0.4008) -> float:
    """By what factor the best forecast's error must exceed the oracle's, so many days ahead (standard deviations).

    A random walk with variance ``drift`` a day, seen through workdays with the squared coefficient of variation
    ``variation`` (0.4008 is the mean square of 0.45 .. 0.8 evenly), is known to the positive root of p^2 = q (p + r)
    (Muth 1960); on the way it moves on, on average by a third of what it moves by the end.
    """
    step = drift * 7 / 5
    known = (step + np.sqrt(step * step + 4 * step * variation)) / 2
    noise = variation / (days * 5 / 7)
    return float(np.sqrt(1 + (known + drift * days / 3) / noise))
