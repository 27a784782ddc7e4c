"""In which steps a printer shows a level, and how it rounds.

A printer that shows tenths may round down (90 % means 90 to 100), to the nearest (85 to 95) or up (80 to 90). The
standard does not say (RFC 3805, prtMarkerSuppliesLevel), so it is learnt: a new cartridge stays at its first step for
no, half or a whole step's worth of pages.

``rounding`` o means: shown v stands for a true share between v - o x step and v + (1 - o) x step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from agent.insight.days import Floats

ROUNDINGS = (0.0, 0.5, 1.0)
"""Down, to the nearest, up."""
PRIOR = (0.3, 0.45, 0.25)
"""How often each is met (common practice, no source; a few lives outweigh it)."""
FINEST = 0.001
COARSEST = 0.25
"""Assumed while a level has not moved and nothing is known of its kind: then it may stand for much or little."""
_CANDIDATES = (50.0, 100 / 3, 25.0, 20.0, 50 / 3, 12.5, 10.0, 25 / 3, 5.0, 4.0, 2.5, 2.0, 1.0, 0.5, 0.25)
_STEPS = np.array(_CANDIDATES)[:, None]
_TOLERATED = np.minimum(0.26, np.array(_CANDIDATES) / 5)


@dataclass(frozen=True, slots=True)
class Steps:
    """``size``: the share by which the level moves at least. ``chances``: how likely each of ROUNDINGS is.

    ``levels``: how many different levels this rests on. ``rounding`` is the expected rounding, ``rounding_var`` its
    variance while it is not known for certain.
    """

    size: float
    chances: tuple[float, float, float] = PRIOR
    levels: int = 0
    rounding: float = field(init=False)
    rounding_var: float = field(init=False)

    def __post_init__(self) -> None:
        mean = sum(one * chance for one, chance in zip(ROUNDINGS, self.chances, strict=True))
        spread = sum((one - mean) ** 2 * chance for one, chance in zip(ROUNDINGS, self.chances, strict=True))
        object.__setattr__(self, "rounding", mean)
        object.__setattr__(self, "rounding_var", spread)


SOME_ONLY = Steps(1.0, (0.0, 0.0, 1.0), 2)
"""A printer that says only "some remaining" or nothing: one step, from full to empty, and 0 means 0."""


def find_step(shown: Floats) -> tuple[float, int]:
    """The coarsest step that explains the levels shown (shares 0..1), and how many different levels there were.

    Few different levels fit many steps; the caller should look at the number.
    """
    tenths = np.rint(shown * 1000)  # tenths of a percent
    tenths.sort()
    fresh = np.ones(tenths.size, dtype=bool)
    np.not_equal(tenths[1:], tenths[:-1], out=fresh[1:])
    values = tenths[fresh] / 10.0
    if values.size < 2:
        return 0.0, int(values.size)
    # Amounts are whole units of the supply, so shares are off by a little: 333 of 1001 for a third.
    ratio = values / _STEPS
    off = (np.abs(ratio - np.rint(ratio)) * _STEPS).max(axis=1)
    fitting = (off <= _TOLERATED).nonzero()[0]
    return (float(_STEPS[fitting[0], 0]) / 100 if fitting.size else FINEST), int(values.size)


def settle(own: tuple[float, int], fleet: Steps | None) -> Steps:
    """The step to use: the printer's own where it has shown enough levels, else no coarser than its kind's."""
    size, levels = own
    if fleet is not None and fleet.levels > levels:
        size = min(size, fleet.size) if size > 0 and levels >= 3 else fleet.size
    if size <= 0:
        size = COARSEST
    return Steps(size, fleet.chances if fleet is not None else PRIOR, max(levels, fleet.levels if fleet else 0))


def chances(log_likelihood: tuple[float, float, float]) -> tuple[float, float, float]:
    """The chances of the three roundings from their prior and the summed log-likelihoods."""
    score = [math.log(prior) + one for prior, one in zip(PRIOR, log_likelihood, strict=True)]
    top = max(score)
    weight = [math.exp(max(-60.0, one - top)) for one in score]
    total = sum(weight)
    return weight[0] / total, weight[1] / total, weight[2] / total


def first_step_says(ratio: float, sd: float) -> tuple[float, float, float]:
    """The log-likelihood of each rounding, from the pages of a new cartridge's first step over those of a whole step.

    ``sd``: how far off the ratio may be. The tails are heavy: one odd life must not decide.
    """
    made = [-math.log1p(((ratio - one) / sd) ** 2 / 3) * 2 for one in ROUNDINGS]
    return made[0], made[1], made[2]
