"""How many of a part will be asked for: a distribution, added up over the run-outs of the printers that use it.

For one supply the first swap comes when its run-out forecast says, the next ones a life later each (lives vary, too).
The supplies are taken as independent of one another given the lead time, which they share: an order for all is late
together. Everything is worked out for all supplies of a part at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammainc, gammaln, ndtr, ndtri, xlog1py, xlogy

from agent.insight.days import Floats, Ints
from agent.model.insight import PROBABILITIES, Spread
from agent.model.shelf import OrderTerms

MOST_SWAPS = 60
"""More swaps of one supply within one horizon are not told apart."""
LEAD_NODES = 9
LIFE_SD = 0.35
"""Standard deviation of the logarithm of a life in days (coverage and volume both vary; common practice, no source)."""
_STEPS = 128
_ROWS = 256
_FEW = _ROWS
"""Up to so many askers the sum is worked out exactly; the law of more is fitted to its mean and variance."""
_BELL = 400.0
"""A sum of independent demands with a larger variance than this is normal to all intents."""
_CHANCES = np.array(PROBABILITIES)
_P10 = PROBABILITIES.index(0.1)


@dataclass(frozen=True, slots=True)
class Asker:
    """One supply of one printer, as the shelf sees it.

    ``first``: the moment of its next swap, in days from the moment asked, as quantiles at PROBABILITIES; None where it
    has no forecast. ``life``: days from one swap to the next, None if not known.
    """

    first: tuple[float, ...] | None
    life: float | None


@dataclass(frozen=True, slots=True)
class Crowd:
    """All askers of a part as arrays.

    ``first`` (askers x quantiles) is NaN without forecast, ``life`` infinite where it is not known.
    """

    first: Floats
    life: Floats

    @staticmethod
    def of(askers: Sequence[Asker]) -> Crowd:
        """The arrays."""
        none = (math.nan,) * len(PROBABILITIES)
        first = np.array([none if one.first is None else one.first for one in askers], dtype=np.float64)
        life = np.array([math.inf if one.life is None else max(one.life, 0.25) for one in askers], dtype=np.float64)
        return Crowd(first.reshape(len(askers), len(PROBABILITIES)), life)


def next_swap(
    empty: Spread, low: Spread | None, threshold: float | None, left_at_swap: float, lag: float = 0.0
) -> tuple[float, ...]:
    """The quantiles of the next swap, where people swap with a share of ``left_at_swap`` still good.

    Between the day on which the level comes to ``threshold`` and the day on which it is empty, quantile by quantile.
    ``lag``: days between the start of the spreads and the moment asked for.
    """
    days = np.array(empty.days)
    if low is not None and threshold and threshold > 0 and left_at_swap > 0:
        days = days + (np.array(low.days) - days) * min(1.0, left_at_swap / threshold)
    return tuple(np.maximum.accumulate(np.maximum(0.0, days - lag)).tolist())


def first_by(quantiles: Floats, at: Floats) -> Floats:
    """The chance that the next swap comes within so many days: askers x moments.

    ``quantiles``: askers x PROBABILITIES, in days. Between them it is linear; below the first the chance falls off
    to 0 at day 0; above the last the remaining chance dies away as fast as it does between the last two.
    """
    days = quantiles + np.arange(_CHANCES.size) * 1e-9
    place = np.clip((days[:, :, None] <= at[None, None, :]).sum(axis=1), 1, _CHANCES.size - 1)
    rows = np.arange(days.shape[0])[:, None]
    left, right = days[rows, place - 1], days[rows, place]
    share = np.clip((at[None, :] - left) / np.maximum(right - left, 1e-12), 0.0, 1.0)
    made = _CHANCES[place - 1] + share * (_CHANCES[place] - _CHANCES[place - 1])
    early = np.maximum(days[:, :1], 1e-9)
    # Before P01 it falls off as a power of time, as steeply as between P01 and P10.
    steep = math.log(_CHANCES[_P10] / _CHANCES[0]) / np.maximum(
        1e-6, np.log(np.maximum(days[:, _P10 : _P10 + 1], early) / early)
    )
    share = np.clip(at[None, :] / early, 0.0, 1.0)
    made = np.where(at[None, :] < early, _CHANCES[0] * share ** np.clip(steep, 1.0, 200.0), made)
    fall = math.log((1 - _CHANCES[-2]) / (1 - _CHANCES[-1]))
    scale = np.maximum(days[:, -1:] - days[:, -2:-1], 0.5) / fall
    over = np.maximum(0.0, at[None, :] - days[:, -1:])
    made = np.where(over > 0, 1 - (1 - _CHANCES[-1]) * np.exp(-over / scale), made)
    found: Floats = np.where(at[None, :] < 0, 0.0, made)
    return found


def life_by(life: Floats, at: Floats) -> Floats:
    """The chance that a life is over within so many days: askers x moments; log-normal with the mean ``life``."""
    with np.errstate(divide="ignore"):
        z = (np.log(np.maximum(at, 1e-12))[None, :] - np.log(life)[:, None] + LIFE_SD**2 / 2) / LIFE_SD
    made: Floats = np.where(at[None, :] > 0, ndtr(z), 0.0)
    return made


def numbers(crowd: Crowd, times: Floats) -> Floats:
    """The chances of at least 1, 2 ... swaps by each of ``times``: numbers x askers x times.

    ``times``: evenly spaced from the first step on, in days. A supply of which neither run-out nor life is known asks
    for none: that must be said beside the result.
    """
    horizon = float(times[-1])
    most = min(MOST_SWAPS, 3 + math.ceil(2.5 * float((horizon / crowd.life).max(initial=0.0))))
    made = np.zeros((most, crowd.life.size, times.size))
    told = ~np.isnan(crowd.first[:, 0])
    known = np.isfinite(crowd.life)
    silent = ~told & known
    if silent.any():
        # Without a forecast it may be anywhere in its life: a Poisson stream of that rate. That is more uneven than
        # lives are, which errs on the side of too much stock.
        rate = times[None, :] / crowd.life[silent][:, None]
        for number in range(most):
            made[number, silent] = gammainc(number + 1, rate)
    if told.any():
        made[0, told] = first_by(crowd.first[told], times)
    again = np.flatnonzero(told & known & (crowd.life < 6 * horizon))
    if again.size:
        _renew(crowd.life[again], times, made, again)
    return np.minimum.accumulate(made, axis=0)


def _renew(life: Floats, times: Floats, made: Floats, rows: Ints) -> None:
    """Second and later swaps: the first one and then a life, on the grid of times, by convolution."""
    step = float(times[0])
    here = np.diff(made[0, rows], axis=1, prepend=0.0)
    # A gap of n steps stands for lengths around n steps; 0 steps for very short ones.
    gap = np.diff(life_by(life, np.concatenate([[0.0], times - step / 2])), axis=1)
    size = 2 * times.size
    turn = np.fft.rfft(gap, size, axis=1)
    for number in range(1, made.shape[0]):
        here = np.maximum(0.0, np.fft.irfft(np.fft.rfft(here, size, axis=1) * turn, size, axis=1)[:, : times.size])
        made[number, rows] = np.cumsum(here, axis=1)
        if float(made[number, rows, -1].max()) < 1e-9:
            break


@dataclass(frozen=True, slots=True)
class Outlook:
    """The demand of a crowd by each of ``times`` (days).

    ``chances``: numbers x askers x times (see ``numbers``), for a crowd that is small enough; else None, and only
    ``mean`` and ``variance`` of the sum by each time are kept.
    """

    times: Floats
    mean: Floats
    variance: Floats
    chances: Floats | None

    @staticmethod
    def of(crowd: Crowd, horizon: float) -> Outlook:
        """The outlook up to a horizon (more than 0 days)."""
        times = _times(horizon)
        mean, variance = np.zeros(_STEPS), np.zeros(_STEPS)
        count = crowd.life.size
        found = None
        for begin in range(0, count, _ROWS):
            some = Crowd(crowd.first[begin : begin + _ROWS], crowd.life[begin : begin + _ROWS])
            found = numbers(some, times)
            odd = 2 * np.arange(1, found.shape[0] + 1) - 1
            each = found.sum(axis=0)
            mean += each.sum(axis=0)
            variance += (np.tensordot(odd, found, axes=1) - each**2).sum(axis=0)
        return Outlook(times, mean, np.maximum(0.0, variance), found if count <= _FEW else None)

    def law(self, at: float) -> Floats:
        """The distribution of the sum by ``at`` days (no further than the horizon)."""
        place = at / float(self.times[0]) - 1
        low = int(np.clip(math.floor(place), -1, self.times.size - 2))
        share = min(1.0, max(0.0, place - low))
        if self.chances is None:
            return _fitted(_between(self.mean, low, share), _between(self.variance, low, share))
        before = self.chances[:, :, low] if low >= 0 else np.zeros(self.chances.shape[:2])
        now = before + share * (self.chances[:, :, low + 1] - before)
        return total(np.concatenate([np.ones((1, now.shape[1])), now]).T)


def _between(values: Floats, low: int, share: float) -> float:
    before = float(values[low]) if low >= 0 else 0.0
    return before + share * (float(values[low + 1]) - before)


def _fitted(mean: float, variance: float) -> Floats:
    """The sum of very many independent numbers, from its mean and variance: normal, binomial or negative binomial.

    A binomial law of the same mean and variance is within a hair of a sum of many yes-or-noes (Ehm 1991, from memory).
    """
    size = int(mean + 12 * math.sqrt(max(variance, mean)) + 24)
    k = np.arange(size)
    if mean <= 1e-9:
        return np.array([1.0])
    if variance > _BELL:
        made = np.diff(ndtr((k + 0.5 - mean) / math.sqrt(variance)), prepend=0.0)
    elif variance < mean * 0.999:
        trials = max(round(mean**2 / (mean - variance)), math.ceil(mean))
        chance = mean / trials
        inside = np.minimum(k, trials)
        made = np.exp(
            gammaln(trials + 1) - gammaln(inside + 1) - gammaln(trials - inside + 1)
            + xlogy(inside, chance) + xlog1py(trials - inside, -chance)
        )  # fmt: skip
        made = np.where(k <= trials, made, 0.0)
    elif variance > mean * 1.001:
        many = mean**2 / (variance - mean)
        chance = many / (many + mean)
        made = np.exp(gammaln(k + many) - gammaln(many) - gammaln(k + 1) + xlogy(many, chance) + xlog1py(k, -chance))
    else:
        made = np.exp(xlogy(k, mean) - mean - gammaln(k + 1))
    found: Floats = made / made.sum()
    return found


def total(chances: Floats) -> Floats:
    """The distribution of the sum. ``chances``: P(at least 0, 1, 2 ...), one row for each independent number."""
    if chances.shape[0] == 0:
        return np.array([1.0])
    each = np.append(-np.diff(chances, axis=1), chances[:, -1:], axis=1)
    numbers = np.arange(each.shape[1])
    means = each @ numbers
    mean, variance = float(means.sum()), float((each @ numbers**2 - means**2).sum())
    size = int(mean + 12 * math.sqrt(max(0.0, variance)) + 24)
    if variance > _BELL:
        edges = (np.arange(size) + 0.5 - mean) / math.sqrt(variance)
        return np.diff(ndtr(edges), prepend=0.0)
    size = 1 << (size - 1).bit_length()
    # The transform of a sum is the product of the transforms.
    waves = np.exp(-2j * math.pi / size * np.outer(numbers, np.arange(size // 2 + 1)))
    product = np.ones(size // 2 + 1, dtype=np.complex128)
    for begin in range(0, each.shape[0], _ROWS):
        product *= np.prod(each[begin : begin + _ROWS] @ waves, axis=0)
    made = np.maximum(0.0, np.fft.irfft(product, size))
    found: Floats = made / made.sum()
    return found


def lead_times(terms: OrderTerms) -> Floats:
    """Lead times in days, equally likely: normal about the mean, but never negative."""
    if terms.lead_sd <= 0:
        return np.array([terms.lead_days])
    z = ndtri((np.arange(LEAD_NODES) + 0.5) / LEAD_NODES)
    # The middles of equal slices have a little less spread than the whole.
    z = z / math.sqrt(float((z**2).mean()))
    made: Floats = np.maximum(0.0, terms.lead_days + terms.lead_sd * z)
    return made


class Demand:
    """The demand of a crowd until a delivery, for any day of ordering up to ``farthest`` days ahead."""

    def __init__(self, crowd: Crowd, terms: OrderTerms, farthest: float) -> None:
        self._leads = lead_times(terms)
        longest = float(self._leads.max())
        self._crowd = crowd
        self._review = terms.review_days
        self._farthest = farthest
        self._near = Outlook.of(crowd, terms.review_days + longest)
        self._far: Outlook | None = None

    def law(self, wait: float) -> Floats:
        """Its distribution if the order is placed in ``wait`` days: wait and lead time together."""
        outlook = self._near
        if wait > self._review:
            if self._far is None:
                self._far = Outlook.of(self._crowd, self._farthest + float(self._leads.max()))
            outlook = self._far
        laws = [outlook.law(wait + float(lead)) for lead in self._leads]
        size = max(law.size for law in laws)
        made: Floats = np.mean([np.pad(law, (0, size - law.size)) for law in laws], axis=0)
        return made


def expected(crowd: Crowd, horizon: float) -> Floats:
    """For each asker the chances of at least 1, 2 ... by ``horizon``: numbers x askers."""
    parts = [
        numbers(Crowd(crowd.first[at : at + _ROWS], crowd.life[at : at + _ROWS]), _times(horizon))[:, :, -1]
        for at in range(0, crowd.life.size, _ROWS)
    ]
    most = max((one.shape[0] for one in parts), default=1)
    padded = [np.pad(one, ((0, most - one.shape[0]), (0, 0))) for one in parts]
    return np.concatenate(padded, axis=1) if padded else np.zeros((1, 0))


def _times(horizon: float) -> Floats:
    return np.linspace(0.0, max(horizon, 1e-3), _STEPS + 1)[1:]


def cover(law: Floats, stock: int) -> float:
    """The chance that the demand does not exceed the stock."""
    return float(min(1.0, law[: stock + 1].sum())) if stock >= 0 else 0.0


def enough(law: Floats, level: float) -> int:
    """The smallest stock that covers the demand with this chance."""
    return int(np.searchsorted(np.cumsum(law), level - 1e-12))


def summary(law: Floats) -> tuple[float, int, int, int]:
    """Mean, and the whole numbers at P10, P50 and P90."""
    sums = np.cumsum(law)
    quantiles = [int(np.searchsorted(sums, chance - 1e-12)) for chance in (0.1, 0.5, 0.9)]
    return float((np.arange(law.size) * law).sum()), quantiles[0], quantiles[1], quantiles[2]
