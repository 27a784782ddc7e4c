"""Usage: how many impressions a day, what shape the week and the month have, how the level drifts, how sure we are.

The model: pages of a day = level x exposure of the day x noise. The exposure is the day's worth by weekday, month's
end and holidays (``profile``). The level wanders (a random walk in the logarithm); it is followed by a scalar Kalman
filter on the square roots of the pages, which lose little to either of the usual laws of such noise (gamma, log-normal)
and are not upset by single large days. Days without readings between them enter as one observation of their sum.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np

from agent.insight.days import Floats, Ints, day_of, hour_share, midnights
from agent.insight.observed import Days, exposure, local_mean, observe
from agent.insight.profile import MONTH_END_SPREAD, WEEKDAY_SPREAD, Shape, ShapeSums, measure, shrink
from agent.insight.series import Counts, Heard, moment
from agent.model.insight import Usage

DRIFTS = (0.00008, 0.0002, 0.0004, 0.0008, 0.0016, 0.0032)
"""The variances a day of the logarithm of the level that the fleet's history is asked to choose among."""
LEAST_WORKDAYS = 5
"""Fewer workdays than this say too little of a printer's use (common practice, no source)."""
RARE_JOB = 6.0
CLOSED_BELOW = 0.05
CLOSED_AT_MOST = 0.2
_Z80 = 1.2815515655446004


@dataclass(frozen=True, slots=True)
class Habits:
    """What site and fleet know of use before one printer is looked at.

    ``roughness``: E[x] / E[sqrt x]^2 - 1 of a workday's pages x over their level; ``variance``: var(x) / E[x]^2;
    ``drift``: variance a day of the level's logarithm; ``spread``: how printers' shapes differ (``profile.shrink``).
    """

    shape: Shape = field(default_factory=Shape)
    roughness: float = 0.09
    variance: float = 0.40
    drift: float = 0.04 / 60
    spread: tuple[float, float] = (WEEKDAY_SPREAD, MONTH_END_SPREAD)


@dataclass(frozen=True, slots=True)
class UseSums:
    """What one printer's days add to the fleet's ``Habits``."""

    shape: ShapeSums
    roughness: tuple[float, float] = (0.0, 0.0)
    variance: tuple[float, float] = (0.0, 0.0)
    closed: tuple[float, float] = (0.0, 0.0)
    drift: tuple[float, ...] = (0.0,) * len(DRIFTS)


@dataclass(frozen=True, slots=True)
class Flow:
    """A printer's use as of the last contact.

    ``level``: impressions an ordinary workday; ``log_var``: the variance of its logarithm; ``variance``: the squared
    coefficient of variation from workday to workday; ``drift``: variance a day of the logarithm of the level.
    ``reason`` says why the level is 0, or what stands in for a counter.
    """

    name: str
    unit: str
    level: float
    log_var: float
    variance: float
    drift: float
    shape: Shape
    workdays: int
    since: float
    trend: float | None
    reason: str = ""
    by_time: bool = False
    sums: UseSums = field(default_factory=lambda: UseSums(ShapeSums.none()))


@dataclass(frozen=True, slots=True)
class Site:
    """Where days are reckoned: an IANA zone, and ``off``, the ordinals of days on which nobody works."""

    zone: str = "UTC"
    off: frozenset[int] = frozenset()


def _noise(y: Floats, x: Floats) -> tuple[tuple[float, float], tuple[float, float]]:
    """(sum of squares, sum of products) of successive roots and pages: their ratio is the relative variance.

    Successive differences, halved and squared, do not see a slow drift (von Neumann).
    """
    if y.size < 2:
        return (0.0, 0.0), (0.0, 0.0)
    level = np.maximum(1e-9, (y[1:] + y[:-1]).mean() / 2)
    step, pair = np.diff(y) / level, y[1:] * y[:-1] / level**2
    mean = np.maximum(1e-9, (x[1:] + x[:-1]).mean() / 2)
    leap, both = np.diff(x) / mean, x[1:] * x[:-1] / mean**2
    return (float((step**2).sum() / 2), float(pair.sum())), (float((leap**2).sum() / 2), float(both.sum()))


def _blend(sums: tuple[float, float], toward: float, weight: float) -> float:
    return (sums[0] + weight * toward) / (sums[1] + weight)


def follow(work: Days, roughness: float, drift: float) -> tuple[float, float, float, list[float]]:
    """The filter: roots of pages per exposure (``work.pages``) -> the level, its variance, log-likelihood, path.

    The level is that of the root, its variance relative to the level squared.
    """
    roots, worth, length, day = work.pages, work.worth, work.length, work.last
    level = float(roots[:15].mean()) or 0.1
    spread, likelihood, path = 1.0, 0.0, []
    noises = roughness / np.maximum(np.where(length <= 1, 0.2, 1.0), worth)
    drifted = drift / 4 * np.diff(day, prepend=day[:1])
    for root, noise, wandered in zip(roots.tolist(), noises.tolist(), drifted.tolist(), strict=True):
        spread += wandered
        total = spread + noise
        miss = root / level - 1.0
        if spread < 0.2:
            likelihood -= 0.5 * (miss * miss / total + math.log(total * level * level))
            limit = 4.0 * math.sqrt(total)
            miss = limit if miss > limit else -limit if miss < -limit else miss  # noqa: FURB136
        gain = spread / total
        moved = 1.0 + gain * miss
        # Written out, as a call of max() for each day would cost more than all the rest.
        moved = moved if moved > 0.05 else 0.05  # noqa: FURB136
        level *= moved
        level = level if level > 1e-6 else 1e-6  # noqa: FURB136
        # The variance is relative to the level, so it is rescaled with it.
        spread = (1.0 - gain) * spread / (moved * moved) if spread < 0.2 else (1.0 - gain) * spread
        path.append(level)
    return level, spread, likelihood, path


def flow(
    counts: Counts, contact: Heard, site: Site, habits: Habits, *, name: str, unit: str, learn: bool = False
) -> Flow:
    """A printer's use by one counter. ``learn``: also work out what the fleet wants to know of it (slower)."""
    nothing = Flow(name, unit, 0.0, 1.0, habits.variance, habits.drift, habits.shape, 0, math.nan, None)
    if counts.at.size < 2:
        return replace(nothing, reason="the page counter has not moved yet")
    seen = observe(counts, contact, site.zone, habits.shape, site.off)
    if seen is None or seen.pages.size < LEAST_WORKDAYS:
        return replace(nothing, reason="fewer than five whole days of page counts")
    mean = local_mean(seen)
    single = (seen.length == 1) & (mean > 0) & seen.usable
    ratio = seen.pages[single] / mean[single]
    sums = measure(seen.last[single], ratio, habits.shape, site.off)
    busy = ratio[seen.worth[single] >= 0.3]
    noise = (float(busy.var()) * busy.size + 25 * habits.variance) / (busy.size + 25) if busy.size else habits.variance
    shape = shrink(sums, habits.shape, noise, habits.spread)
    worth = _worth_of(seen, shape, site.off)
    work, shares = _working(seen, worth, mean)
    if int(seen.length[work].sum()) < LEAST_WORKDAYS or float(seen.pages[work].sum()) <= 0:
        reason = f"only {int(work.sum())} workday(s) of page counts; {LEAST_WORKDAYS} are needed"
        return replace(nothing, reason=reason)
    closed = (shares[0] + 60.0 * habits.shape.closed) / (shares[1] + 60.0)
    return _fit(
        replace(nothing, shape=replace(shape, closed=min(0.2, closed)), since=float(counts.at[0])),
        Days(seen.pages[work], worth[work], seen.last[work], seen.length[work], work[work]),
        habits,
        UseSums(sums, closed=shares),
        learn=learn,
    )


def _working(
    seen: Days, worth: Floats, mean: Floats
) -> tuple[np.ndarray[tuple[int], np.dtype[np.bool_]], tuple[float, float]]:
    """Which observations say how much a workday prints; and how many single workdays were shut, of how many."""
    ratio = np.divide(seen.pages, worth * np.maximum(mean, 1e-9), out=np.zeros_like(mean), where=worth > 0)
    work = (worth >= 0.3) & seen.usable
    single = work & (seen.length == 1)
    shut = single & (ratio < CLOSED_BELOW)
    count, of = float(shut.sum()), float(single.sum())
    # Rare empty days are days on which nobody was there. Where they are common they belong to the printer's habits.
    return (work & ~shut, (count, of)) if of and count / of <= CLOSED_AT_MOST else (work, (0.0, of))


def _fit(blank: Flow, work: Days, habits: Habits, sums: UseSums, *, learn: bool) -> Flow:
    x = work.pages / work.worth
    # One day of a great job says little of the days to come, and must not pass for unevenness of every day.
    x = np.minimum(x, RARE_JOB * max(float(np.median(x)), float(x.mean()) / 2))
    roots = np.sqrt(x)
    alone = work.length == 1
    rough, rel = _noise(roots[alone], x[alone])
    roughness = max(0.004, _blend(rough, habits.roughness, 25.0))
    variance = max(0.015, _blend(rel, habits.variance, 25.0))
    # The mean of several days is steadier than one day, so the expectation of its root is a little higher.
    several = np.where(alone, 1.0, np.sqrt((1 + roughness) / (1 + roughness / np.maximum(1.0, work.worth))))
    even = replace(work, pages=roots / several)
    level, spread, _, path = follow(even, roughness, habits.drift)
    drifts = tuple(follow(even, roughness, one)[2] for one in DRIFTS) if learn else ()
    return replace(
        blank,
        level=level**2 * (1 + roughness),
        log_var=4.0 * spread,
        variance=variance,
        workdays=int(work.length.sum()),
        trend=_trend(path, work.last),
        sums=replace(sums, roughness=rough, variance=rel, drift=drifts),
    )


def _worth_of(seen: Days, shape: Shape, holidays: Collection[int]) -> Floats:
    first = int(seen.last[0]) - int(seen.length[0]) + 1
    days = np.arange(first, int(seen.last[-1]) + 1)
    starts = np.concatenate([[0], np.cumsum(seen.length)[:-1]])
    made: Floats = np.add.reduceat(shape.worth(days, holidays), starts)
    return made


def _trend(path: list[float], days: Ints) -> float | None:
    """The level now over the level of 60 days before (the filter's own, so a slow and steady figure)."""
    if days.size < 30 or days[-1] - days[0] < 90:
        return None
    then = int(np.searchsorted(days, days[-1] - 60, side="right")) - 1
    return (path[-1] / path[then]) ** 2 if then >= 10 and path[then] > 0 else None


def by_time(habits: Habits, name: str = "elapsed workdays") -> Flow:
    """What stands in for use when no counter can be used: one ordinary workday a workday, as uneven as others are."""
    return Flow(
        name,
        "workdays",
        1.0,
        0.02,
        habits.variance,
        habits.drift,
        habits.shape,
        0,
        math.nan,
        None,
        "no usable page counter: elapsed workdays stand in for pages",
        by_time=True,
    )


def clock_counts(at: Floats, zone: str, shape: Shape, holidays: Collection[int]) -> Counts:
    """Elapsed exposure as if it were a counter, known at these moments (in order, not empty)."""
    gone = exposure(at, zone, shape, holidays)
    return Counts(at, gone, np.concatenate([at[:1], at[:-1]]), np.zeros(at.size, dtype=bool))


def describe(use: Flow) -> Usage:
    """The flow as a value for people and JSON."""
    known = use.level > 0 and not use.by_time
    sd = math.sqrt(use.log_var) * _Z80
    week = sum(use.shape.weekday) * (1 - use.shape.closed)
    return Usage(
        counter=use.name,
        unit=use.unit,
        per_workday=use.level if known else None,
        low=use.level * math.exp(-sd) if known else None,
        high=use.level * math.exp(sd) if known else None,
        variation=math.sqrt(use.variance) if known else None,
        weekday=use.shape.weekday,
        month_end=float(np.mean(use.shape.ends[:3])),
        trend=use.trend,
        workdays=use.workdays,
        per_week=float(use.level * week) if known else None,
        since=moment(use.since) if not math.isnan(use.since) else None,
        reason=use.reason,
        by_time=use.by_time,
    )


@dataclass(frozen=True, slots=True)
class Ahead:
    """The days ahead.

    ``ends[h]``: the midnight that ends day h (0 is the day of the start), POSIX seconds; ``worth[h]`` and
    ``square[h]``: the exposure and its square summed from the start to there; ``work[h]``: whole workdays by then.
    """

    start: float
    ends: Floats
    worth: Floats
    square: Floats
    work: Ints
    first_day: int

    def until(self, horizon: int) -> Ahead:
        """The first ``horizon`` days of these."""
        return Ahead(
            self.start,
            self.ends[:horizon],
            self.worth[:horizon],
            self.square[:horizon],
            self.work[:horizon],
            self.first_day,
        )


def ahead(use: Flow, zone: str, start: float, horizon: int, holidays: Collection[int]) -> Ahead:
    """The exposure that lies ahead from ``start``, day by day for ``horizon`` days."""
    first = day_of(zone, start)
    days = np.arange(first, first + horizon)
    edges = midnights(zone, first, first + horizon)
    worth = use.shape.worth(days, holidays) * (1 - use.shape.closed)
    left = 1.0 - float(hour_share(np.array([(start - edges[0]) / 3600.0]))[0])
    worth[0] *= left
    work = worth >= 0.3
    square = worth**2
    if left > 0:
        square[0] = square[0] / left  # Part of a day is as uneven as the day.
    return Ahead(start, edges[1:], np.cumsum(worth), np.cumsum(square), np.cumsum(work), first)


__all__ = [
    "DRIFTS",
    "Ahead",
    "Flow",
    "Habits",
    "UseSums",
    "ahead",
    "by_time",
    "clock_counts",
    "describe",
    "flow",
    "follow",
]
