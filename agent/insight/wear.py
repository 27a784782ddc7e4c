"""How fast one life is used up: where its level stood for certain, and what a page took of it.

A level that is shown in steps is known best where it changes: when the level shown falls from one step to the next the
true share stands at the border between them. So a life is measured from its start (a new cartridge is full) or its
first border to its last border, with the pages in between; what came after the last border only bounds the use.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from agent.insight.days import Floats
from agent.insight.lives import Shown, Stretch
from agent.insight.series import Bools, Counts
from agent.insight.steps import ROUNDINGS, Steps

COVERAGE_NOISE = 0.03
"""The variance by which one workday's use a page differs from the life's mean, before the fleet tells (common
practice, no source)."""
MANY = 24
FLOOR = 0.01**2
"""Nothing is measured better than this (variance of the logarithm of the use)."""


@dataclass(frozen=True, slots=True)
class Border:
    """A change of the level shown, from ``above`` to ``below``, somewhere between two page counts.

    ``enter``: when the border just above ``below`` was crossed; ``leave``: when that just under ``above`` was.
    """

    above: float
    below: float
    enter: tuple[float, float]
    leave: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Wear:
    """One life in pages and shares. ``start``: the pages at its beginning (least, most). ``full``: it began full.

    ``shown_first``, ``shown_last``: the levels shown at its two ends; ``lowest``: the lowest believed. ``end``: the
    pages at its end or now. ``borders``: how many changes downwards (``middle`` is the
    one in the middle of many). ``some``: it now shows only "some remaining".
    """

    start: tuple[float, float]
    full: bool
    seen_start: bool
    shown_first: float
    shown_last: float
    lowest: float
    end: tuple[float, float]
    first: Border | None
    last: Border | None
    borders: int
    some: bool
    middle: Border | None = None

    @property
    def pages(self) -> float:
        """Impressions from its beginning (or the first reading) to its end (or now)."""
        return max(0.0, (self.end[0] + self.end[1] - self.start[0] - self.start[1]) / 2)


@dataclass(frozen=True, slots=True)
class Believed:
    """The levels of a supply that are believed; lists where single ones are asked for, for lists are quicker then.

    ``shares``: the same as ``share``; ``low``, ``high``, ``some``: as in ``Shown``, of which few are asked for.
    """

    at: list[float]
    share: list[float]
    only_some: bool
    shares: Floats
    low: Floats
    high: Floats
    some: Bools

    @staticmethod
    def of(seen: Shown, believed: Sequence[int]) -> Believed:
        """The levels with these indices."""
        if len(believed) == seen.at.size:  # by far the most: all of them, in their order
            at, share = seen.at, seen.share
            return Believed(at.tolist(), share.tolist(), seen.only_some, share, seen.low, seen.high, seen.some)
        index = np.array(believed, dtype=np.int64)
        share = seen.share[index]
        return Believed(
            seen.at[index].tolist(),
            share.tolist(),
            seen.only_some,
            share,
            seen.low[index],
            seen.high[index],
            seen.some[index],
        )

    def pages(self, at: int) -> tuple[float, float]:
        """The impressions, at least and at most, when the level with this index was first shown."""
        return float(self.low[at]), float(self.high[at])


def wear(levels: Believed, stretch: Stretch, counts: Counts, steps: Steps) -> Wear:
    """Measure one life."""
    begin, stop = stretch.first, stretch.last + 1
    share, swap = levels.share, stretch.swap
    start = levels.pages(begin)
    if swap is not None and swap.logged and swap.at > levels.at[begin]:
        start = _bracket(counts, swap.at)
    if not stretch.followed:
        now = float(counts.total[-1]) if counts.total.size else 0.0
        end = (now, now)
    elif stop < len(share) and levels.at[stop] == stretch.until:
        end = levels.pages(stop)
    else:
        end = _bracket(counts, stretch.until)
    top = 1.0 - steps.size * (1.0 if steps.rounding < 0.25 else 0.0) - 0.012
    full = swap is not None and not swap.used_before and (share[begin] >= top or bool(levels.some[begin]))
    if levels.only_some and swap is not None and swap.logged and share[begin] < 0.5:
        return Wear(start, full, True, 1.0, 1.0, 1.0, end, None, None, 0, bool(levels.some[stop - 1]))
    drops, above, lowest = drops_of(levels.shares[begin:stop])
    edges: list[Border] = []
    middle = None
    if drops:
        # The highest level from each on: where it is above a border's, the level flickered back over it.
        later = np.maximum.accumulate(levels.shares[begin:stop][::-1])[::-1]
        edges = [_border(levels, (begin, drops[at], above[at]), later, end[1], steps.size) for at in (0, -1)]
        if len(drops) >= MANY:
            at = len(drops) // 2
            middle = _border(levels, (begin, drops[at], above[at]), later, end[1], steps.size)
    return Wear(
        start,
        full,
        swap is not None,
        share[begin],
        share[stop - 1],
        lowest,
        end,
        edges[0] if edges else None,
        edges[1] if edges else None,
        len(drops),
        bool(levels.some[stop - 1]),
        middle,
    )


def _bracket(counts: Counts, at: float) -> tuple[float, float]:
    low, high = counts.bracket(np.array([at]))
    return float(low[0]), float(high[0])


def drops_of(share: Floats) -> tuple[list[int], list[float], float]:
    """Where in a life the level fell below all before it, the lowest before each such fall; and the lowest of all."""
    floor = np.minimum.accumulate(share)
    found = (floor[1:] < floor[:-1] - 1e-9).nonzero()[0] + 1
    return found.tolist(), floor[found - 1].tolist(), float(floor[-1])


def _border(levels: Believed, drop: tuple[int, int, float], later: Floats, end: float, size: float) -> Border:
    """The border of a drop: where its life begins, its place within that, and the level above it.

    ``later``: for each level of the life the highest from there on; ``end``: the pages at the life's end.
    """
    begin, place, above = drop
    at = begin + place
    below = levels.share[at]
    least, most = levels.pages(at)
    # A level that flickers back has its border anywhere between the first fall and the last return.
    limit = below + 0.6 * size
    if later[place] > limit:
        back = int(np.flatnonzero(later > limit)[-1]) + 1
        most = float(levels.high[begin + back]) if back < later.size else end
    many = max(1.0, (above - below) / size)
    width = most - least
    return Border(above, below, (least + width * (many - 1) / many, most), (least, least + width / many))


def measured(one: Wear, steps: Steps, rounding: float, a_day: float, coverage: float) -> tuple[float, float] | None:
    """The logarithm of the use a page if levels are rounded so, and its variance; None before anything is lost.

    ``a_day``: impressions of a workday, which says how many days' coverages were averaged; ``coverage``: the variance
    of one day's.
    """
    if one.last is None:
        return None
    size = steps.size
    below = one.last.below + (1 - rounding) * size
    if one.full:
        above, begin = 1.0, one.start
    elif one.borders >= 2 and one.first is not None:
        above, begin = one.first.above - rounding * size, one.first.leave
    else:
        return None
    stop = one.last.enter
    pages = (stop[0] + stop[1] - begin[0] - begin[1]) / 2
    if pages <= 0:
        return None
    fall = max(above - below, 0.15 * size)
    width = ((stop[1] - stop[0]) ** 2 + (begin[1] - begin[0]) ** 2) / 12
    variance = FLOOR + width / pages**2 + coverage / (1 + pages / max(1.0, a_day))
    if one.full and one.borders == 1:
        variance += 0.05  # The first border hangs on the rounding alone.
    return math.log(fall / pages), variance


def used(one: Wear, steps: Steps, rounding: Floats, a_day: float, coverage: float) -> tuple[Floats, float] | None:
    """``measured`` for each of several roundings (each of ROUNDINGS)."""
    found = [measured(one, steps, each, a_day, coverage) for each in ROUNDINGS]
    kept = [each for each in found if each is not None]
    if len(kept) < len(ROUNDINGS):
        return None
    return np.array([each[0] for each in kept])[np.searchsorted(ROUNDINGS, rounding)], kept[0][1]


def halves(one: Wear, steps: Steps, a_day: float) -> tuple[float, float] | None:
    """How differently the two halves of a finely shown life were used; None where it was not shown finely.

    The squared difference of the logarithms of the use a page, and what one day's variance of coverage is multiplied by
    to give it on average.
    """
    if one.first is None or one.middle is None or one.last is None or a_day <= 0:
        return None
    marks = [
        (border.below + (1 - steps.rounding) * steps.size, sum(border.enter) / 2)
        for border in (one.first, one.middle, one.last)
    ]
    pages = np.diff([mark[1] for mark in marks])
    falls = -np.diff([mark[0] for mark in marks])
    if pages.min() <= 0 or falls.min() <= 0:
        return None
    blur = sum((border.enter[1] - border.enter[0]) ** 2 / 12 for border in (one.first, one.middle, one.last))
    gap = float(np.log(falls[1] / pages[1]) - np.log(falls[0] / pages[0]))
    measured = float(blur * (1 / pages**2).sum())
    return max(-0.02, min(gap * gap, 0.25) - measured), float((a_day / pages).sum())


def left_at_end(one: Wear, steps: Steps, log_use: float | None) -> tuple[float, float]:
    """The share that was left at the end of a life, and how far off that may be."""
    size, rounding = steps.size, steps.rounding
    top = one.lowest + (1 - rounding) * size
    bottom = max(0.0, one.lowest - rounding * size)
    if one.last is None or log_use is None:
        if one.full and log_use is not None:
            guess = 1.0 - math.exp(log_use) * one.pages
            return min(1.0, max(bottom, guess)), size / 2
        return (top + bottom) / 2, (top - bottom) / 3.5
    since = max(0.0, (sum(one.end) - sum(one.last.enter)) / 2)
    guess = top - math.exp(log_use) * since
    return min(1.0, max(bottom, min(top, guess))), max(
        0.004, min((top - bottom) / 3.5, math.exp(log_use) * since * 0.2)
    )
