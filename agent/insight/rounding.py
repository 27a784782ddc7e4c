"""What a life that was seen from its fitting tells of how its printer rounds the levels that it shows.

A new cartridge is full, whatever is shown of it. In coarse steps the first border tells: it comes after no, half or a
whole step's worth of pages. In fine steps several may go by between two readings, so one border tells little; but the
use a page is known well from all that came later, and says where the true level stood at each of the first borders.
"""

from __future__ import annotations

import math

import numpy as np

from agent.insight.lives import Stretch
from agent.insight.runout import WANDER
from agent.insight.steps import ROUNDINGS, Steps, first_step_says
from agent.insight.wear import MANY, Believed, Wear, drops_of

_EARLY = 8
"""So many borders after the first are averaged. Later ones tell little, as the use a page wanders."""
_NOTHING = 0.0, 0.0, 0.0
_SHARP, _BLURRED = 0.5, 2.0
"""So sharp (in steps) the first border by itself tells most, and so blurred nothing."""
_SILENT = 0.8
"""A life whose own doubt is larger, in steps, cannot tell one rounding from the next."""
_USED = (np.arange(8) + 0.5) / 8
_WEIGHT = np.append(np.full(_USED.size, 0.75 / _USED.size), 0.25)
"""A cartridge was fitted anywhere between two readings, or when nothing was printed any more before the second."""
_NEARLY, _ODD = 0.1, 0.03


def rounding_says(
    levels: Believed, stretch: Stretch, one: Wear, steps: Steps, a_day: float, coverage: float
) -> tuple[float, float, float]:
    """The log-likelihoods of ROUNDINGS by one life; zeros when it tells nothing.

    ``a_day``: impressions of a workday; ``coverage``: the variance of one day's use a page.
    """
    swap = stretch.swap
    if swap is None or steps.size >= 1.0:
        return _NOTHING
    if steps.size >= 0.04 and abs(1.0 - steps.size - one.shown_first) < 0.3 * steps.size:
        # A new cartridge that is shown one step below full: rounded down. It may be a used one, which is rare.
        return math.log(0.75), math.log(0.06), math.log(0.04)
    found = _first_border(one, steps.size)
    # In steps of some percent a new cartridge may be shown one step below full.
    fresh = not swap.used_before and one.shown_first > 1.0 - 2.5 * steps.size
    if (one.full or fresh) and one.borders >= MANY and (found is None or found[1] > _SHARP):
        says = _by_many(levels, stretch, one, steps.size, max(1.0, a_day), coverage)
        if says is not None:
            return says
    if found is None or found[1] > _BLURRED:
        return _NOTHING
    return first_step_says(found[0], math.hypot(0.2, found[1] / 2))


def _first_border(one: Wear, size: float) -> tuple[float, float] | None:
    """The steps that were used by the first border, and how blurred that is."""
    if not one.full or one.first is None or one.last is None or one.borders < 3 or one.first.above < 0.98:
        return None
    span = one.first.below - one.last.below
    pages = (sum(one.last.enter) - sum(one.first.enter)) / 2
    if span <= 0 or pages <= 0:
        return None
    a_step = pages / span * size
    first = (sum(one.first.leave) - sum(one.start)) / 2
    blur = (one.first.leave[1] - one.first.leave[0] + one.start[1] - one.start[0]) / a_step
    # Fine steps: the first level shown may be a step or two below full, and what lay above it has been printed too.
    return first / a_step - (1.0 - one.first.above) / size, blur


def _by_many(
    levels: Believed, stretch: Stretch, one: Wear, size: float, a_day: float, coverage: float
) -> tuple[float, float, float] | None:
    """By the mean of the first borders, less what had been used by then; None where these are too far on to tell.

    The very first border is left out: the level began at a full step's edge, so where between two readings it was
    crossed is not even.
    """
    drops, above, _ = drops_of(levels.shares[stretch.first : stretch.last + 1])
    at = stretch.first + np.array(drops)
    below = levels.shares[at]
    most = levels.high[at]
    # Of several steps that went by at once the last one's border was crossed in the last part of the pages.
    width = (most - levels.low[at]) / np.maximum(1.0, (np.array(above) - below) / size)
    pages = most - width / 2
    early, late = slice(1, 1 + _EARLY), slice(-_EARLY, None)
    way = float(pages[late].mean() - pages[early].mean())
    fall = float(below[early].mean() - below[late].mean())
    if way <= 0 or fall <= 0:
        return None
    a_step = way / fall * size
    first = float(levels.high[stretch.first])
    gone = float(pages[early].mean()) - first
    # Days of uneven coverage by then, and over the way by which the use a page is known.
    days, all_days = max(0.0, gone) / a_day, way / a_day
    uneven = coverage * (a_day / a_step) ** 2 * (days + days**2 / max(1.0, all_days))
    blur = float((width[early] ** 2).sum()) / _EARLY**2 / 12 / a_step**2
    sd = math.sqrt(0.1**2 + blur + uneven + WANDER * (gone / a_step) ** 2)
    if sd > _SILENT:
        return None
    # Steps that were used when it was first seen: by how its rounding has them, and between fitting and then.
    border = (1.0 - float(below[early].mean())) / size - 1.0 - gone / a_step
    shown = (1.0 - one.shown_first) / size
    open_for = (one.start[1] - one.start[0]) / a_step
    used = np.append(_USED * open_for, 0.0) + (first - one.start[1]) / a_step
    # How people time their swaps is assumed, so where that decides, many lives must not add up to certainty.
    trust = 1.0 / (1.0 + open_for**2)
    says = []
    for rounding in ROUNDINGS:
        fits = (1.0 + ((border + rounding - used) / sd) ** 2 / 3) ** -2
        seen = (used >= shown - 1.0 + rounding - _NEARLY) & (used <= shown + rounding + _NEARLY)
        says.append(trust * math.log(float(_WEIGHT @ np.where(seen, fits, _ODD * fits))))
    return says[0], says[1], says[2]
