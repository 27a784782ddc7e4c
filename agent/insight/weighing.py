"""Now or later: what a job costs on this round, and the least that it will cost if it waits.

All costs are in minutes of work. Doing it now costs the walk (none where somebody goes there anyway) and what is given
up: the pages left in a cartridge, the rest of an interval. Waiting costs, with the chance that it runs dry before the
next round, a standstill and an extra walk; else the same choice comes again on the next round. The least cost of
waiting follows backwards from the farthest round (optimal stopping by backward induction, as in any textbook of
dynamic programming; Bellman 1957, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from agent.insight.days import Floats
from agent.insight.demand import first_by
from agent.model.insight import PROBABILITIES

_ROWS = 1024
_CHANCES = np.array(PROBABILITIES)
_EDGES = np.concatenate([[0.0], (_CHANCES[1:] + _CHANCES[:-1]) / 2, [1.0]])
_WEIGHTS = np.diff(_EDGES)
"""Each kept quantile stands for the share of chances that lies nearest to it."""


@dataclass(frozen=True, slots=True)
class Stake:
    """One job to be weighed.

    ``law``: days from now until it runs dry (falls due), as quantiles at PROBABILITIES. ``harm``: what it costs if that
    happens before anybody came. ``walk``: minutes to go there. ``worth``: minutes of work that a day of its remaining
    life is worth.
    """

    law: tuple[float, ...]
    harm: float
    walk: float
    worth: float


@dataclass(frozen=True, slots=True)
class Sums:
    """``chance``: that it runs dry before the next round. ``spare``: days given up, on average, by doing it now.

    ``waste``: what these are worth. ``later``: the least cost of waiting, walks included.
    """

    chance: float
    spare: float
    waste: float
    later: float


def weigh(stakes: Sequence[Stake], rounds: Sequence[float]) -> list[Sums]:
    """Weigh jobs of one site. ``rounds``: this round and those to come, in days from now (rising, at least two)."""
    at = np.array(rounds, dtype=np.float64)
    made: list[Sums] = []
    for begin in range(0, len(stakes), _ROWS):
        made += _weigh(stakes[begin : begin + _ROWS], at)
    return made


def _weigh(stakes: Sequence[Stake], at: Floats) -> list[Sums]:
    law = np.maximum.accumulate(np.array([one.law for one in stakes], dtype=np.float64), axis=1)
    harm = np.array([one.harm for one in stakes])
    walk = np.array([one.walk for one in stakes])
    worth = np.array([one.worth for one in stakes])
    gone = np.clip(np.maximum.accumulate(first_by(law, at), axis=1), 0.0, 1.0)
    spare = np.maximum(0.0, law[:, :, None] - at[None, None, :]).transpose(0, 2, 1) @ _WEIGHTS
    good = np.maximum(1.0 - gone, 1e-12)
    # Given that it is still good by then.
    waste = worth[:, None] * spare / good
    best = walk + waste[:, -1]
    for k in range(at.size - 2, 0, -1):
        fails = np.clip((gone[:, k + 1] - gone[:, k]) / good[:, k], 0.0, 1.0)
        best = np.minimum(walk + waste[:, k], fails * (harm + walk) + (1.0 - fails) * best)
    chance = gone[:, 1]
    later = chance * (harm + walk) + (1.0 - chance) * best
    rows = zip(chance.tolist(), spare[:, 0].tolist(), (worth * spare[:, 0]).tolist(), later.tolist(), strict=True)
    return [Sums(*row) for row in rows]
