"""The shape of use: weekdays, months' ends, holidays. Estimated for each printer, shrunk to its site and fleet.

The shape gives each day its exposure: how many ordinary workdays it is worth. An ordinary workday is worth 1.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from agent.insight.days import FAR, Floats, Ints, weekday, workdays_to_month_end

DEFAULT_WEEKDAY = (1.0, 1.0, 1.0, 1.0, 1.0, 0.03, 0.03)
"""An office week before anything is known (common practice, no source)."""
HOLIDAY_WORTH = 0.03
"""What a holiday is worth beside an ordinary workday (common practice, no source)."""
WEEKDAY_SPREAD = 0.15
MONTH_END_SPREAD = 0.12
"""How much the shapes of printers differ when no fleet says so (standard deviations of the factors)."""


@dataclass(frozen=True, slots=True)
class Shape:
    """``weekday``: factors Monday to Sunday. ``ends``: factors by how many workdays follow in the month, 0 .. FAR.

    ``closed``: the share of workdays on which nobody prints for reasons that no calendar told.
    """

    weekday: tuple[float, ...] = DEFAULT_WEEKDAY
    ends: tuple[float, ...] = (1.0,) * (FAR + 1)
    closed: float = 0.0

    def worth(self, days: Ints, holidays: Collection[int] = frozenset()) -> Floats:
        """The exposure of consecutive days (ordinals). ``holidays``: ordinals of days on which nobody works."""
        if days.size == 0:
            return np.array([])
        made: Floats = np.array(self.weekday)[weekday(days)] * np.array(self.ends)[workdays_to_month_end(days)]
        if holidays:
            off = _among(days, holidays)
            made = np.where(off, np.minimum(made, HOLIDAY_WORTH), made)
        return made


@dataclass(frozen=True, slots=True)
class ShapeSums:
    """What one printer's days say about the shape: sums of the ratios of pages to the local mean, and their number."""

    weekday_sum: Floats
    weekday_count: Floats
    ends_sum: Floats
    ends_count: Floats

    @staticmethod
    def none() -> ShapeSums:
        """Nothing seen."""
        return ShapeSums(np.zeros(7), np.zeros(7), np.zeros(FAR + 1), np.zeros(FAR + 1))


def _among(days: Ints, some: Collection[int]) -> NDArray[np.bool_]:
    """Which of the days, in order, are among ``some``."""
    made = np.zeros(days.size, dtype=bool)
    first, last = int(days[0]), int(days[-1])
    for one in some:
        if first <= one <= last:
            at = int(np.searchsorted(days, one))
            made[at] = days[at] == one
    return made


def measure(days: Ints, ratio: Floats, shape: Shape, off: Collection[int]) -> ShapeSums:
    """Sum up ``ratio`` (pages over the local mean of an ordinary workday) by weekday and by place in the month.

    Each factor is measured with the other taken out by ``shape``.
    """
    if days.size == 0:
        return ShapeSums.none()
    day = weekday(days)
    end = _ends_of(days)
    plain = np.ones(days.size, dtype=bool)
    if off:
        plain = ~_among(days, off)
    by_end = ratio / np.array(shape.ends)[end]
    by_day = ratio / np.maximum(0.05, np.array(shape.weekday)[day])
    work = plain & (day < 5)
    return ShapeSums(
        np.bincount(day[plain], by_end[plain], minlength=7).astype(np.float64),
        np.bincount(day[plain], minlength=7).astype(np.float64),
        np.bincount(end[work], by_day[work], minlength=FAR + 1).astype(np.float64),
        np.bincount(end[work], minlength=FAR + 1).astype(np.float64),
    )


def _ends_of(days: Ints) -> Ints:
    """``workdays_to_month_end`` for days that need not be consecutive."""
    first, last = int(days[0]), int(days[-1])
    whole = workdays_to_month_end(np.arange(first, last + 1))
    return whole[days - first]


def shrink(sums: ShapeSums, toward: Shape, noise: float, spread: tuple[float, float]) -> Shape:
    """A shape between what the sums say and ``toward``, by the weight that the data deserve.

    ``noise``: the variance of one day's ratio. ``spread``: the standard deviations by which the weekday factors and
    the month-end factors of this printer (or site) may differ from ``toward``.
    """
    days = _weigh(sums.weekday_sum, sums.weekday_count, np.array(toward.weekday), noise, spread[0])
    level = days[:5].mean()
    if level > 0:
        days = days / level
    far = sums.ends_sum[FAR] / sums.ends_count[FAR] if sums.ends_count[FAR] else 1.0
    ends = _weigh(sums.ends_sum / max(far, 1e-9), sums.ends_count, np.array(toward.ends), noise, spread[1])
    ends[FAR] = 1.0
    return replace(toward, weekday=tuple(days.tolist()), ends=tuple(np.clip(ends, 0.3, 4.0).tolist()))


def _weigh(total: Floats, count: Floats, toward: Floats, noise: float, spread: float) -> Floats:
    worth = noise / max(spread, 1e-3) ** 2
    # Quiet days (weekends) have little noise of their own, so their few pages are soon believed.
    worth_each = worth * np.clip(toward, 0.1, 1.0)
    made: Floats = (total + worth_each * toward) / (count + worth_each)
    return made
