"""When a supply will be used up: the law of the day on which its last page is printed.

Three unknowns are carried to the end: the use a page of this life (a prior from earlier lives here, from the same kind
in the fleet, or from the declared yield, sharpened by what this life has shown), the true share between two steps of
the level, and the pages to come. The first two are laid out on a fixed set of nodes (a low-discrepancy sequence, so
that equal input gives equal output); each node gives a number of impressions left. The third is a law of the sum of
pages for each day ahead. The chance of being empty by day h is the chance that the sum has reached what is left.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from agent.insight.days import CLOSE_HOUR, OPEN_HOUR, Floats, Ints
from agent.insight.series import DAY
from agent.insight.steps import ROUNDINGS, Steps
from agent.insight.usage import Ahead, Flow
from agent.insight.wear import COVERAGE_NOISE, FLOOR, Wear, used
from agent.model.insight import PROBABILITIES, Dates, Night

NODES = 64
HORIZON = 1500
"""Days after which nothing is reckoned any more."""
WANDER = 0.03**2
"""How much the use a page wanders within a life (variance of the logarithm), until the fleet tells how uneven lives are
(common practice, no source)."""
# Kronecker's sequence in three dimensions (generalised golden ratio, the root of x^4 = x + 1).
_G = 1.2207440846057596
_ORDER = np.arange(NODES)
_P = (_ORDER + 0.5) / NODES
_PHI = (0.5 + _ORDER / _G) % 1.0
_PSI = (0.5 + _ORDER / _G**2) % 1.0
_CHI = (0.5 + _ORDER / _G**3) % 1.0
_TODAY_OPEN = (CLOSE_HOUR - OPEN_HOUR) / 24.0
_ROUNDINGS = np.array(ROUNDINGS)
_PROBABILITIES = np.array(PROBABILITIES)
_LOW_MIDDLE_HIGH = np.array([0.1, 0.5, 0.9])
_PLACES = np.arange(2 * HORIZON, dtype=np.float64)
_PARTS = np.array([0.25, 0.5, 0.75])
_MUCH = 0.08
"""A day that carries more of the chance than this is looked at within."""
_FIRST, _OPEN = 0.005, 0.75
"""Below and above it matters little on which side of a night the chance is."""
_NEXT_NIGHTS = 10
_SLOPE = _PLACES * 1e-12


@dataclass(frozen=True, slots=True)
class Left:
    """What is left, on nodes of ``weight`` (they sum to 1).

    ``pages``: impressions until empty; ``share``: the true level; ``use``: the use a page; ``blur``: a further variance
    of the logarithm of the pages; ``measured``: this life itself has shown its use a page.
    """

    pages: Floats
    share: Floats
    use: Floats
    weight: Floats
    blur: float
    measured: bool

    def quantiles(self, values: Floats) -> tuple[float, float, float]:
        """P10, P50 and P90 of a value that each node has."""
        order = values.argsort()
        weight = self.weight[order]
        low, middle, high = np.interp(_LOW_MIDDLE_HIGH, weight.cumsum() - weight / 2, values[order]).tolist()
        return low, middle, high

    @property
    def doubt(self) -> float:
        """The standard deviation of the logarithm of the use a page."""
        logs = np.log(self.use)
        mean = float(self.weight @ logs)
        return math.sqrt(max(0.0, float(self.weight @ (logs - mean) ** 2)))

    def or_another(self, chance: float) -> Left:
        """The same, but with this chance it is another one that was fitted unseen, and is somewhere in its life."""
        share = 0.2 + 0.8 * _PSI
        return Left(
            np.concatenate([self.pages, share / self.use]),
            np.concatenate([self.share, share]),
            np.concatenate([self.use, self.use]),
            np.concatenate([(1 - chance) * self.weight, np.full(share.size, chance / share.size)]),
            self.blur,
            self.measured,
        )

    def until(self, threshold: float) -> Floats:
        """Impressions until the true share falls to ``threshold``; 0 where it is there already."""
        made: Floats = np.maximum(0.0, self.share - threshold) / self.use
        return made


def left(
    one: Wear,
    steps: Steps,
    prior: tuple[float, float] | None,
    a_day: float,
    *,
    coverage: float = COVERAGE_NOISE,
    early: tuple[float, float] = (0.0, 0.1),
) -> Left | None:
    """What is left of the present life; None when nothing at all is known of its use a page.

    ``prior``: mean and variance of the logarithm of the use a page. ``a_day``: impressions of a workday. ``coverage``:
    the variance of one day's use a page around the life's. ``early``: the
    share of supplies that people swap before they are empty, and what is left in these at most: a supply that is still
    in has probably not come so far.
    """
    cut = np.cumsum(steps.chances)
    rounding = _ROUNDINGS[cut[:2].searchsorted(_CHI)]
    mean, variance, measured = _use(used(one, steps, rounding, a_day, coverage), prior)
    if mean is None:
        return None
    size = steps.size
    now = one.end[1]
    if one.last is not None and one.borders:
        anchor = one.last.below + (1 - rounding) * size
        at = one.last.enter[0] + _PHI * (one.last.enter[1] - one.last.enter[0])
        floor = np.maximum(0.0, one.last.below - rounding * size)
    elif one.full:
        anchor = np.ones(NODES)
        at = one.start[0] + _PHI * (one.start[1] - one.start[0])
        floor = np.maximum(0.0, one.shown_last - rounding * size)
    else:
        floor = np.maximum(0.0, one.shown_first - rounding * size)
        top = np.minimum(1.0, one.shown_first + (1 - rounding) * size)
        anchor = floor + _PSI * (top - floor)
        at = np.full(NODES, one.start[1])  # the level was read when so much had been counted
    if one.some:
        floor = np.zeros(NODES)
    since = np.maximum(0.0, now - at)
    sd = math.sqrt(variance)
    # The level has not yet fallen to the next step, which bounds the use from above, with as much room as the
    # unevenness of coverage since the last border makes.
    gap = np.maximum(1e-6, anchor - floor)
    uneven = np.sqrt(FLOOR + coverage / (1.0 + since / max(1.0, a_day)))
    room = gap * (1.0 + uneven) + 0.02 * size
    with np.errstate(divide="ignore"):
        bounded = (since > 0) & (anchor > floor + 0.01 * size)
        most = np.where(bounded, np.log(room) - np.log(np.maximum(since, 1e-9)), np.inf)
    bound = np.minimum(np.maximum((most - mean) / sd, -6.0), 8.0)
    law = ndtr(bound)
    log_use = mean + sd * ndtri(np.minimum(np.maximum(_P * law, 1e-12), 1 - 1e-12))
    use = np.exp(np.minimum(log_use, most))
    # What still prints has not come to the border: close to it, it is a little above rather than on it.
    near = np.maximum(1e-9, gap * uneven)
    share = np.minimum(anchor, floor + near * np.logaddexp(0.0, (anchor - use * since - floor) / near))
    # A node that leaves the use little room is the less likely one (the rest of its law is cut off).
    weight = np.maximum(law, 1e-9)
    weight = weight * (1.0 - early[0] * np.minimum(np.maximum(1.0 - share / max(early[1], 1e-6), 0.0), 1.0))
    return Left(share / use, share, use, weight / weight.sum(), WANDER * min(1.0, coverage / COVERAGE_NOISE), measured)


def _use(seen: tuple[Floats, float] | None, prior: tuple[float, float] | None) -> tuple[Floats | None, float, bool]:
    """What has been seen of this life and what was to be expected, weighed together."""
    if seen is None and prior is None:
        return None, 0.0, False
    if seen is None and prior is not None:
        return np.full(NODES, prior[0]), prior[1], False
    assert seen is not None  # noqa: S101 - for the type checker; the cases above leave no other
    if prior is None:
        return seen[0], seen[1], True
    weight = prior[1] / (prior[1] + seen[1])
    return prior[0] + weight * (seen[0] - prior[0]), prior[1] * seen[1] / (prior[1] + seen[1]), True


@dataclass(frozen=True, slots=True)
class Course:
    """The pages to come, by each day's end.

    ``log_mean``: the logarithm of the mean of their sum; ``level_var``: the variance of the logarithm from a level of
    use that is not known exactly and drifts; ``day_var``: the relative variance of the sum from uneven days.
    """

    log_mean: Floats
    level_var: Floats
    day_var: Floats
    ahead: Ahead
    use: Flow


def course(use: Flow, days: Ahead) -> Course:
    """The law of the sum of pages by each day's end."""
    span = np.maximum(0.0, (days.ends - days.start) / DAY)
    # A random walk averaged over the way has a third of the variance that it has at the end.
    log_mean, day_var = _sums(use, days.worth, days.square)
    return Course(log_mean, use.log_var + use.drift * span / 3.0, day_var, days, use)


def _sums(use: Flow, worth: Floats, square: Floats) -> tuple[Floats, Floats]:
    """Of the pages of so much exposure: the logarithm of their mean, and their relative variance from uneven days."""
    worth = np.maximum(worth, 1e-9)
    mean = use.level * worth
    day_var = use.variance * square / worth**2
    return np.log(mean), day_var if use.by_time else day_var + 1.0 / np.maximum(mean, 1e-9)


def chances(pages: Floats, blur: float, way: Course, weight: Floats | None = None) -> Floats:
    """The chance of having used up by each day's end, not falling.

    ``pages``: impressions left at each node, each of ``weight`` (equal without it).
    """
    weight = np.full(pages.size, 1.0 / pages.size) if weight is None else weight
    days = way.log_mean.size
    grid = _grid(days)
    mean, level_var, day_var = way.log_mean[grid], way.level_var[grid], np.minimum(way.day_var[grid], 4.0)
    # Days that are surely too early or surely late enough need no reckoning.
    reach = 4.0 * np.sqrt(level_var + day_var + blur)
    late = mean - reach > math.log(max(1e-9, float(pages.max())))
    near = ~late & (mean + reach > math.log(max(1e-9, float(pages.min()))))
    made = late.astype(np.float64)
    if near.any():
        made[near] = _chances(pages, weight, blur, mean[near], level_var[near], day_var[near])
    if grid.size < days:
        # In between the chance goes with the pages expected, not with the calendar: weekends stay flat.
        made = np.interp(way.log_mean, mean, made)
    # Sums of rounded weights may be a little above 1 and fall a little.
    np.maximum.accumulate(made, out=made)
    return np.minimum(1.0, made, out=made)


def _rises(chance: Floats) -> Floats:
    """What each day adds to the chance by its end."""
    rise = chance.copy()
    rise[1:] -= chance[:-1]
    return rise


Inner = tuple[Floats, Floats]
"""Moments within days, as places (the number of the day and the share of its office hours), and the chance at each."""


def within(pages: Floats, blur: float, way: Course, weight: Floats, chance: Floats) -> Inner | None:
    """The chance of having used up at moments within those days that carry much of it (``chance``: by days' ends).

    A busy day is busy from its morning on: half of its pages have come by half of its hours, so the chance does not go
    evenly with the hours of a day, and a law that let it would be too wide for what runs out in a few days.
    """
    day = (_rises(chance) > _MUCH).nonzero()[0]
    if not day.size:
        return None
    days = way.ahead
    before, before_square = np.where(day > 0, days.worth[day - 1], 0.0), np.where(day > 0, days.square[day - 1], 0.0)
    worth = before[:, None] + (days.worth[day] - before)[:, None] * _PARTS
    square = before_square[:, None] + (days.square[day] - before_square)[:, None] * _PARTS**2
    log_mean, day_var = _sums(way.use, worth.ravel(), square.ravel())
    level_var = np.repeat(way.level_var[day], _PARTS.size)
    made = _chances(pages, weight, blur, log_mean, level_var, np.minimum(day_var, 4.0))
    return (day[:, None] + _PARTS).ravel(), made


@lru_cache(maxsize=2 * HORIZON)  # one for each number of days that can be asked for
def _grid(days: int) -> Ints:
    """Which of the days are reckoned: the next six weeks each, later ones ever farther apart (by about 3 %)."""
    far = np.round(np.geomspace(42, max(days, 43), max(2, int(math.log(max(days, 43) / 42) / 0.03) + 2))).astype(
        np.int64
    )
    near = np.arange(min(42, days))
    return np.unique(np.concatenate([near, far[far < days], [days - 1]]))


def _chances(
    pages: Floats, weight: Floats, blur: float, log_mean: Floats, level_var: Floats, day_var: Floats
) -> Floats:
    # The sum of positive, uneven days is skewed: its cube root is nearly normal (Wilson and Hilferty 1931).
    sd = np.sqrt((day_var + level_var + blur) / 9.0)
    mean = 1.0 - day_var / 9.0
    root = np.cbrt(pages)[:, None] * np.exp(np.minimum(np.maximum(log_mean, -20.0), 60.0) / -3.0)
    # In one place from here on: with 64 nodes and tens of days, new arrays would cost as much as the reckoning.
    np.subtract(mean, root, out=root)
    np.divide(root, sd, out=root)
    made: Floats = weight @ ndtr(root, out=root)
    return made


@dataclass(frozen=True, slots=True)
class Curve:
    """The chance (``full``) at places: the number of the day and the share of its office hours. Both rise.

    Place 0 is the start, whose chance is that of having been used up ``already``. ``chance``: by days' ends alone.
    """

    chance: Floats
    full: Floats
    places: Floats
    days: Ahead
    already: float

    def at(self, moments: Sequence[float]) -> list[float]:
        """The chance by these moments (POSIX seconds, not before the start)."""
        ends, start = self.days.ends, self.days.start
        begun, places = _office((ends[0] - start) / 3600.0), []
        for one in moments:  # so few that arrays would cost more
            day = min(int(ends.searchsorted(one, side="right")), ends.size - 1)
            share = _office((ends[day] - one) / 3600.0)
            places.append(day + (share if day else (share - begun) / max(1e-9, 1.0 - begun)))
        found: list[float] = np.minimum(np.interp(places, self.places, self.full), 1.0).tolist()
        return found

    def moments(self, places: Floats) -> Floats:
        """Days after the start at which these places (0 or more) are come to; those past the last day are cut there."""
        ends = (self.days.ends - self.days.start) / DAY
        whole = places.astype(np.int64)
        top = ends.size - 1
        close = ends[np.minimum(whole, top)] - (1 - CLOSE_HOUR / 24.0)
        begin = np.maximum(0.0, close - _TODAY_OPEN)
        made: Floats = np.where(whole > top, ends[top], begin + (places - whole) * np.maximum(0.0, close - begin))
        return np.maximum(0.0, made)

    def quantiles(self) -> tuple[tuple[float, ...], float]:
        """Days after the start at which it comes to PROBABILITIES, and the last day reckoned."""
        moment = self.moments(np.interp(_PROBABILITIES, self.full, self.places))
        moment = np.where(self.already >= _PROBABILITIES, 0.0, moment)
        found: list[float] = np.maximum.accumulate(moment).tolist()
        return tuple(found), float((self.days.ends[-1] - self.days.start) / DAY)

    def nights(self) -> tuple[Night, ...]:
        """The nights while it is still open whether, of a law whose few quantiles pass over them; else none."""
        if float(_rises(self.chance).max()) < _MUCH:
            return ()
        # Few: they are kept for each supply of a fleet.
        first, last = np.minimum(self.chance.searchsorted((_FIRST, _OPEN)), _NEXT_NIGHTS).tolist()
        midnight = (self.days.ends[first:last] - self.days.start) / DAY
        close, opens = midnight - (1 - CLOSE_HOUR / 24.0), midnight + OPEN_HOUR / 24.0
        return tuple(zip(close.tolist(), opens.tolist(), self.chance[first:last].tolist(), strict=True))


def law(pages: Floats, blur: float, way: Course, weight: Floats, already: float = 0.0) -> Curve:
    """The law of using up ``pages`` (``weight`` at each node) on this way, looked at within the days that matter.

    ``already``: the chance that it was used up at the start.
    """
    chance = np.maximum(already, chances(pages, blur, way, weight))
    return curve(chance, way.ahead, already, within(pages, blur, way, weight, chance))


def _office(to_midnight: float) -> float:
    """The share of a day's pages that is printed by so many hours before its end.

    On the day a clock is changed the morning is an hour off, no more.
    """
    return min(1.0, max(0.0, (24.0 - to_midnight - OPEN_HOUR) / (CLOSE_HOUR - OPEN_HOUR)))


def curve(chance: Floats, days: Ahead, already: float = 0.0, inner: Inner | None = None) -> Curve:
    """``chance`` (by each day's end) as a curve: even within a day, but where ``inner`` says more.

    ``already``: the chance that it was used up at the start.
    """
    # A tiny slope makes each value the chance of one moment only.
    many = chance.size + 1
    full, places = _SLOPE[:many].copy(), _PLACES[:many]
    full[0] += already
    full[1:] += chance
    if inner is not None:
        at = inner[0].astype(np.int64) + 1
        new = at + np.arange(at.size)
        old = np.ones(many + at.size, dtype=bool)
        old[new] = False
        merged, spots = np.empty(old.size), np.empty(old.size)
        merged[old], spots[old], spots[new] = full, places, inner[0]
        # Between the chances of the days' ends around it, whatever rounding made of it.
        merged[new] = np.minimum(np.maximum(inner[1], full[at - 1]), full[at])
        full, places = merged, spots
    return Curve(chance, full, places, days, already)


def dates(chance: Floats, first_day: int) -> Dates:
    """Whole days: the median day, and p10 .. p90 (both included) chosen to hold as near 80 % as whole days can."""
    last = chance.size - 1
    middle = min(last, int(chance.searchsorted(0.5)))
    before = np.concatenate([[0.0], chance[:middle]])
    low = min(middle, int(np.abs(before - 0.1).argmin()))
    high = max(middle, int(np.abs(chance[middle:] - 0.9).argmin()) + middle)
    return Dates(*(date.fromordinal(first_day + one) for one in (low, middle, high)))
