"""A mark that repeats, matched with what turns: one turn of a roller is pi times its diameter of paper.

    marks = compare(94.0, rollers)        # every roller with its best number of turns, those that fit first

How far a distance may be off (common practice, no source): a ruler laid on a blurred mark is good to about 1 mm, and
paper does not move quite as fast as a roller's surface (slip, heat, a sheet that shrinks in the fuser), which makes up
to about 1.5 % of the distance. The two do not depend on one another, so they are added as squares.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from agent.model.shelf import fits
from agent.model.symptom import Match, Roller
from agent.model.upkeep import Plan

RULER_MM = 1.0
FEED = 0.015
SHORTEST_MM, LONGEST_MM = 1.0, 1500.0
"""Distances that make sense: teeth of a gear, and the longest belts."""
TURNS = ((1.0, 1.0), (2.0, 0.4), (0.5, 0.4), (3.0, 0.25), (1 / 3, 0.25))
"""Numbers of turns that are considered, and how much each counts.

Two or three: the mark did not come at every turn, or one was skipped in measuring. A half or a third: two or three
marks lie on one roller.
"""
_LEAST, _MOST = 0.3, 8.0
# After a comma two digits at most: with three it might as well part the thousands.
_WRITTEN = re.compile(r"([+-]?\d{1,9}(?:\.\d{1,9}|,\d{1,2})?) ?(mm|cm|in|inch|inches|\")?")
_UNITS = {"mm": 1.0, "cm": 10.0} | dict.fromkeys(("in", "inch", "inches", '"'), 25.4)


def tolerance(expected: float) -> float:
    """How far, in mm, a measured distance may be from ``expected`` and still be the same."""
    return math.hypot(RULER_MM, FEED * expected)


def distance(text: str) -> float | None:
    """A distance in mm as people write it: ``94.2``, ``94,2 mm``, ``9.4 cm``, ``3 in``; None for nothing.

    Raises ValueError for what is none.
    """
    plain = text.strip().casefold()
    if not plain:
        return None
    found = _WRITTEN.fullmatch(plain[:40])
    if found is None:
        raise ValueError("this is no distance; write it in mm, such as 94.2 (94,2 mm and 9.4 cm will do, too)")
    return round(float(found[1].replace(",", ".")) * _UNITS[found[2] or "mm"], 4)


def sensible(every: float) -> bool:
    """Whether a distance in mm can be one of a repeating mark."""
    return math.isfinite(every) and SHORTEST_MM <= every <= LONGEST_MM


def compare(every: float, rollers: Iterable[Roller]) -> tuple[Match, ...]:
    """Every roller against a distance in mm, each with the number of turns that suits best; the best first.

    Raises ValueError for a distance that is not ``sensible``.
    """
    if not sensible(every):
        raise ValueError(f"a distance of {every} mm cannot be one of a repeating mark")
    made = [_best(every, roller) for roller in rollers]
    return tuple(sorted(made, key=lambda one: (*_order(one), one.roller.name)))


def strength(match: Match) -> float:
    """How well it fits, 0..1: less for a deviation near the tolerance, and for other than one turn."""
    if not match.fits:
        return 0.0
    # The tolerance is taken for two standard deviations.
    return dict(TURNS)[match.turns] * math.exp(-0.5 * (2 * match.deviation / match.tolerance) ** 2)


def factor(matches: Sequence[Match]) -> float:
    """How much more suspect a part is by its rollers: above 1 where one fits, below where none does, 1 without any."""
    if not matches:
        return 1.0
    best = max(strength(one) for one in matches)
    return 1.0 + (_MOST - 1.0) * best if best > 0 else _LEAST


def rollers_of(model: str, plans: Iterable[Plan]) -> tuple[Roller, ...]:
    """What turns in this model, as the upkeep plans say; each name once, the first plan wins."""
    found: dict[str, Roller] = {}
    for plan in plans:
        if fits(model, plan.models):
            for one in plan.rollers:
                found.setdefault(one.name, one)
    return tuple(found.values())


def _match(every: float, roller: Roller, turns: float) -> Match:
    expected = turns * roller.around
    slack = tolerance(expected)
    off = every - expected
    return Match(roller, turns, expected, off, slack, abs(off) <= slack)


def _best(every: float, roller: Roller) -> Match:
    """The number of turns that fits best; where none does, one turn."""
    tried = [_match(every, roller, turns) for turns, _ in TURNS]
    return min((one for one in tried if one.fits), key=_order, default=tried[0])


def _order(match: Match) -> tuple[bool, float, float]:
    return not match.fits, -strength(match), abs(match.deviation) / match.tolerance
