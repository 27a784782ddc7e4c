"""Lives of which some are not over: Kaplan-Meier, and the log-normal law with censored lives.

Times are impressions (or days). A life is censored when it was cut short, is still going on, or began unseen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr

from agent.insight.days import Floats


@dataclass(frozen=True, slots=True)
class Curve:
    """A survival curve: from ``at[k]`` on the share ``alive[k]`` lives on. Before ``at[0]`` all live.

    ``sd[k]`` is the standard deviation of ``alive[k]`` (Greenwood).
    """

    at: Floats
    alive: Floats
    sd: Floats

    def when(self, share: float) -> float | None:
        """The first time at which no more than ``share`` is alive; None if the curve does not come down so far."""
        below = np.flatnonzero(self.alive <= share + 1e-12)
        return float(self.at[below[0]]) if below.size else None

    def given(self, age: float) -> Curve:
        """The curve of those that have come to ``age``."""
        past = self.at <= age
        now = float(self.alive[past][-1]) if past.any() else 1.0
        if now <= 0:
            return Curve(self.at[:0], self.alive[:0], self.sd[:0])
        return Curve(self.at[~past], self.alive[~past] / now, self.sd[~past] / now)


def kaplan_meier(times: ArrayLike, ended: ArrayLike) -> Curve:
    """The product-limit estimate (Kaplan and Meier 1958; NIST/SEMATECH e-Handbook 8.2.1.5).

    ``ended[k]``: True where life k really ended at ``times[k]``, False where it is censored there. A life that is
    censored at the time of an end counts as being at risk then. Raises ValueError for lengths that differ.
    """
    time: Floats = np.asarray(times, dtype=np.float64).ravel()
    end: NDArray[np.bool_] = np.asarray(ended, dtype=bool).ravel()
    if time.size != end.size:
        raise ValueError(f"{time.size} times but {end.size} marks of how they ended")
    at, ends = np.unique(time[end], return_counts=True)
    if at.size == 0:
        return Curve(at, at, at)
    risk = time.size - np.searchsorted(np.sort(time), at, side="left")
    alive = np.cumprod(1 - ends / risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(risk > ends, ends / (risk * (risk - ends).astype(np.float64)), 0.0)
    share: Floats = alive.astype(np.float64)
    return Curve(at, share, share * np.sqrt(np.cumsum(terms)))


def log_normal(
    log_times: Floats, ended: NDArray[np.bool_], *, prior_sd: float = 0.4, weight: float = 3.0, rounds: int = 40
) -> tuple[float, float] | None:
    """Mean and standard deviation of the logarithm of the life, by expectation and maximisation over censored lives.

    ``weight`` imaginary lives hold the standard deviation near ``prior_sd``. None when not one life has ended.
    """
    if not bool(ended.any()):
        return None
    mean, sd = float(log_times[ended].mean()), prior_sd
    cut = log_times[~ended]
    known = log_times[ended]
    for _ in range(rounds):
        z = (cut - mean) / sd
        hazard = np.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - log_ndtr(-z))
        first = mean + sd * hazard
        second = mean**2 + sd**2 + sd * (cut + mean) * hazard
        count = log_times.size
        new_mean = float((known.sum() + first.sum()) / count)
        square = float((known**2).sum() + second.sum()) - 2 * new_mean * float(known.sum() + first.sum())
        square += count * new_mean**2
        new_sd = math.sqrt(max(1e-6, (square + weight * prior_sd**2) / (count + weight)))
        done = abs(new_mean - mean) + abs(new_sd - sd) < 1e-6
        mean, sd = new_mean, new_sd
        if done:
            break
    return mean, sd
