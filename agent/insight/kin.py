"""What one printer's lives and days teach about the others: sums that add up, and the priors drawn from them.

Every printer gives a ``Summary``; ``pool`` adds them up. The sums of one printer can be taken out again, so that a
printer is never its own witness.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from agent.insight.profile import Shape, ShapeSums, shrink
from agent.insight.steps import Steps, chances
from agent.insight.survival import log_normal
from agent.insight.usage import DRIFTS, Habits, UseSums
from agent.insight.wear import COVERAGE_NOISE

Kind = tuple[str, str, str]
"""Model of the printer, kind of the supply, colorant (or empty)."""

BETWEEN = 0.30**2
WITHIN = 0.25**2
"""Variances of the logarithm of the use a page, between printers and from life to life in one, before any is seen
(common practice, no source)."""
YIELD_DOUBT = 0.45**2
"""How far a declared yield may be off what an office prints with its own coverage (variance of the logarithm)."""
_MANY = 200
"""Among more lives than this a printer's own do not matter to the fit of its kind."""
EARLY_LEFT = 0.06
"""What is left in a cartridge that is swapped early, before any is seen (common practice, no source)."""
SOME_LEFT = 0.6 * EARLY_LEFT
"""What is left on average at the end of a life of which no level tells: early swaps are the more common end (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class UseMark:
    """What one printer knows of the use a page of one kind.

    ``count`` lives, the ``mean`` of their logarithms, the sum of ``squares`` around it, and the sum of what measuring
    alone adds to that (``blur``).
    """

    count: int
    mean: float
    squares: float
    blur: float


@dataclass(frozen=True, slots=True)
class KindSums:
    """The marks of several printers, added up. ``cut``: logarithms of lives that only say "longer than this"."""

    printers: float = 0.0
    mean: float = 0.0
    mean_square: float = 0.0
    inverse: float = 0.0
    squares: float = 0.0
    blur: float = 0.0
    freedom: float = 0.0
    ends: tuple[float, ...] = ()
    cuts: tuple[float, ...] = ()

    def plus(self, mark: UseMark | None, ends: tuple[float, ...] = (), cuts: tuple[float, ...] = ()) -> KindSums:
        """With one more printer."""
        return self._with(mark, 1.0, self.ends + ends, self.cuts + cuts)

    def minus(self, one: SupplySummary) -> KindSums:
        """Without one of its printers."""
        return self._with(one.mark, -1.0, _less(self.ends, one.ends), _less(self.cuts, one.cuts))

    def _with(self, mark: UseMark | None, sign: float, ends: tuple[float, ...], cuts: tuple[float, ...]) -> KindSums:
        if mark is None:
            return replace(self, ends=ends, cuts=cuts)
        return KindSums(
            self.printers + sign,
            self.mean + sign * mark.mean,
            self.mean_square + sign * mark.mean**2,
            self.inverse + sign / mark.count,
            self.squares + sign * mark.squares,
            self.blur + sign * mark.blur,
            self.freedom + sign * (mark.count - 1),
            ends,
            cuts,
        )


def _less(values: tuple[float, ...], some: tuple[float, ...]) -> tuple[float, ...]:
    rest = list(values)
    for one in some:
        if one in rest:
            rest.remove(one)
    return tuple(rest)


@dataclass(frozen=True, slots=True)
class UsePrior:
    """What to expect of the logarithm of the use a page.

    ``mean`` with ``doubt`` (the variance of the mean of the kind); the variances ``between`` printers and ``within``
    one printer from life to life. ``source``: in words, where it comes from.
    """

    mean: float
    doubt: float
    between: float
    within: float
    source: str

    def after(self, own: Iterable[tuple[float, float]]) -> tuple[float, float, int]:
        """Mean and variance for the next life of a printer whose earlier lives were ``own`` (log use, variance)."""
        weight = 1.0 / (self.doubt + self.between)
        total, count = weight * self.mean, 0
        for value, variance in own:
            one = 1.0 / (self.within + variance)
            total += one * value
            weight += one
            count += 1
        return total / weight, 1.0 / weight + self.within, count


@dataclass(frozen=True, slots=True)
class SupplySummary:
    """What one supply of one printer teaches: see ``KindSums``, ``Steps``."""

    kind: Kind
    mark: UseMark | None
    ends: tuple[float, ...]
    cuts: tuple[float, ...]
    step: tuple[float, int]
    rounding: tuple[float, float, float]
    declared: float | None
    uneven: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Summary:
    """What one printer teaches the fleet.

    ``ended``: how many lives were swapped early, how many ran dry, and the sum of what was left in those swapped early.
    """

    printer_id: int
    site: str
    use: UseSums | None
    supplies: tuple[SupplySummary, ...]
    ended: tuple[int, int, float] = (0, 0, 0.0)


@dataclass(frozen=True, slots=True)
class Fleet:
    """What is known of the fleet as of some moment. The empty one knows nothing but common practice."""

    habits: Habits = field(default_factory=Habits)
    sites: Mapping[str, Habits] = field(default_factory=dict)
    kinds: Mapping[Kind, KindSums] = field(default_factory=dict)
    steps: Mapping[Kind, Steps] = field(default_factory=dict)
    offset: tuple[float, float] = (0.0, YIELD_DOUBT)
    coverage: float = COVERAGE_NOISE
    early: tuple[float, float] = (0.3, 2 * EARLY_LEFT)
    printers: int = 0
    own: Mapping[int, Mapping[Kind, SupplySummary]] = field(default_factory=dict)
    fitted: Mapping[Kind, UsePrior] = field(default_factory=dict)

    def habits_of(self, site: str) -> Habits:
        """What is known of use at this site, or else in the fleet."""
        return self.sites.get(site, self.habits)

    def steps_of(self, kind: Kind) -> Steps | None:
        """What printers of this model show for this kind of supply."""
        return self.steps.get(kind)

    def use_of(self, kind: Kind, printer_id: int, declared: float | None) -> UsePrior | None:
        """What to expect of a supply of this kind, from other printers of the model, else from the declared yield."""
        own = self.own.get(printer_id, {}).get(kind)
        sums = self.kinds.get(kind, KindSums())
        if sums.ends and (own is None or len(sums.ends) > _MANY):
            return self.fitted.get(kind)
        if own is not None:
            sums = sums.minus(own)
        if sums.printers >= 0.5 or sums.ends:
            return _prior(sums)
        if declared is not None and declared > 0:
            mean, doubt = self.offset
            return UsePrior(mean - math.log(declared), doubt, 0.0, WITHIN, f"the declared yield of {declared:,.0f}")
        return None


def _variances(sums: KindSums) -> tuple[float, float]:
    """Between printers and from life to life, by the method of moments, held by a few imaginary printers."""
    within = (max(0.0, sums.squares - sums.blur) + 6 * WITHIN) / (sums.freedom + 6)
    count = sums.printers
    if count < 2:
        return BETWEEN, within
    mean = sums.mean / count
    spread = max(0.0, sums.mean_square - count * mean**2)
    noise = within * sums.inverse / count
    between = (max(0.0, spread - (count - 1) * noise) + 5 * BETWEEN) / (count - 1 + 5)
    return max(0.01, between), max(0.01, within)


def _prior(sums: KindSums) -> UsePrior:
    between, within = _variances(sums)
    if sums.cuts and sums.ends:
        marks = np.array(sums.ends + sums.cuts)
        fitted = log_normal(marks, np.arange(marks.size) < len(sums.ends))
        if fitted is not None:
            # The whole spread is known from lives that are over and lives that are not; it is parted as usual.
            total = fitted[1] ** 2
            part = min(within, 0.8 * total)
            doubt = total / len(sums.ends)
            return UsePrior(-fitted[0], doubt, max(0.01, total - part), max(0.01, part), _of(len(sums.ends), "lives"))
    mean = sums.mean / sums.printers
    return UsePrior(mean, (between + within) / sums.printers, between, within, _of(round(sums.printers), "printers"))


def _of(many: int, what: str) -> str:
    return f"{many} other {what if many != 1 else what[:-1].replace('live', 'life')} of the same kind"


Own = Mapping[int, Mapping[Kind, SupplySummary]]
"""What each printer teaches of its supplies, by its number."""


def own_of(summary: Summary) -> dict[Kind, SupplySummary]:
    """What one printer teaches of its supplies; of several alike the last."""
    return {supply.kind: supply for supply in summary.supplies}


def pool(summaries: Iterable[Summary], base: Fleet | None = None, own: Own | None = None) -> Fleet:
    """Add up what printers teach. ``base``: the fleet whose shape was used when the summaries were made.

    ``own``: where the same summaries can be looked up, for whoever keeps them in a way of his own; None: the fleet
    keeps them.
    """
    start = (base or Fleet()).habits
    whole = _Uses()
    sites: dict[str, _Uses] = {}
    kinds: dict[Kind, KindSums] = {}
    steps: dict[Kind, _AllSteps] = {}
    kept: dict[int, dict[Kind, SupplySummary]] = {}
    lists: dict[Kind, tuple[list[float], list[float]]] = {}
    declared: dict[Kind, list[float]] = {}
    count, ended, uneven = 0, np.zeros(3), np.zeros(2)
    for summary in summaries:
        count += 1
        ended += summary.ended
        if summary.use is not None:
            whole.add(summary.use, start.shape)
            sites.setdefault(summary.site, _Uses()).add(summary.use, start.shape)
        for supply in summary.supplies:
            ends, cuts = lists.setdefault(supply.kind, ([], []))
            ends.extend(supply.ends)
            cuts.extend(supply.cuts)
            kinds[supply.kind] = kinds.get(supply.kind, KindSums()).plus(supply.mark)
            steps.setdefault(supply.kind, _AllSteps()).add(supply)
            uneven += supply.uneven
            if supply.declared:
                declared.setdefault(supply.kind, []).append(math.log(supply.declared))
        if own is None and summary.supplies:
            kept.setdefault(summary.printer_id, {}).update(own_of(summary))
    kinds = {kind: sums.plus(None, tuple(lists[kind][0]), tuple(lists[kind][1])) for kind, sums in kinds.items()}
    fleet = whole.habits(start)
    return Fleet(
        habits=fleet,
        sites={site: _site(uses, fleet) for site, uses in sites.items()},
        kinds={kind: sums for kind, sums in kinds.items() if sums.printers > 0 or sums.ends},
        steps={kind: found.steps() for kind, found in steps.items()},
        offset=_offset(kinds, declared),
        coverage=float(np.clip((uneven[0] + 4 * COVERAGE_NOISE) / (uneven[1] + 4), 0.002, 0.3)),
        early=_early(ended),
        printers=count,
        own=kept if own is None else own,
        fitted={kind: _prior(sums) for kind, sums in kinds.items() if sums.ends},
    )


def _early(ended: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    """The share of supplies swapped before they are empty, and what is left in them at most (evenly spread below)."""
    early, dry, left = ended
    share = (early + 3 * 0.3) / (early + dry + 3)
    return float(share), float(np.clip(2 * (left + 10 * EARLY_LEFT) / (early + 10), 0.02, 0.4))


def _site(uses: _Uses, fleet: Habits) -> Habits:
    shape = shrink(uses.shape, fleet.shape, fleet.variance, (fleet.spread[0] / 2, fleet.spread[1] / 2))
    closed = (uses.closed[0] + 250 * fleet.shape.closed) / (uses.closed[1] + 250)
    return Habits(Shape(shape.weekday, shape.ends, closed), fleet.roughness, fleet.variance, fleet.drift, fleet.spread)


def _offset(kinds: Mapping[Kind, KindSums], declared: Mapping[Kind, list[float]]) -> tuple[float, float]:
    """By how much the use a page differs from one over the declared yield, over kinds that have both."""
    found = [
        kinds[kind].mean / kinds[kind].printers + float(np.mean(values))
        for kind, values in declared.items()
        if kinds[kind].printers > 0
    ]
    mean = sum(found) / (len(found) + 1.0)
    doubt = (sum((one - mean) ** 2 for one in found) + 3 * YIELD_DOUBT) / (len(found) + 3)
    return mean, doubt


class _AllSteps:
    """What printers of one model show of the steps of one kind of supply."""

    def __init__(self) -> None:
        self._steps: set[tuple[float, int]] = set()
        self._rounding = array("d")

    def add(self, one: SupplySummary) -> None:
        self._steps.add(one.step)
        self._rounding.extend(one.rounding)

    def steps(self) -> Steps:
        sized = [one for one in self._steps if one[0] > 0]
        if not sized:
            return Steps(0.0, chances((0.0, 0.0, 0.0)), 0)
        levels = max(one[1] for one in sized)
        size = min(one[0] for one in sized if one[1] >= min(4, levels))
        total = np.frombuffer(self._rounding).reshape(-1, 3).sum(axis=0)
        return Steps(size, chances((float(total[0]), float(total[1]), float(total[2]))), levels)


class _Uses:
    """The sums of ``UseSums`` over printers."""

    def __init__(self) -> None:
        self.shape = ShapeSums.none()
        self.rough, self.variance, self.closed = np.zeros(2), np.zeros(2), np.zeros(2)
        self.drift = np.zeros(len(DRIFTS))
        self.days, self.ends = np.zeros(3), np.zeros(3)

    def add(self, use: UseSums, shape: Shape) -> None:
        one = use.shape
        self.shape = ShapeSums(
            self.shape.weekday_sum + one.weekday_sum,
            self.shape.weekday_count + one.weekday_count,
            self.shape.ends_sum + one.ends_sum,
            self.shape.ends_count + one.ends_count,
        )
        self.rough += use.roughness
        self.variance += use.variance
        self.closed += use.closed
        if use.drift:
            self.drift += use.drift
        count = one.weekday_count[:5]
        if count.min() > 0 and one.weekday_sum[:5].sum() > 0:
            mean = one.weekday_sum[:5] / count
            self.days += (
                float((count * (mean / mean.mean() - self._fleet_week()) ** 2).sum()),
                float(count.sum()),
                4.0,
            )

    def _fleet_week(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """The week so far, so that one pass is enough; early printers are judged a little roughly."""
        mean = self.shape.weekday_sum[:5] / np.maximum(1.0, self.shape.weekday_count[:5])
        made: np.ndarray[tuple[int], np.dtype[np.float64]] = mean / max(1e-9, float(mean.mean()))
        return made

    def habits(self, start: Habits) -> Habits:
        rough = (self.rough[0] + 30 * start.roughness) / (self.rough[1] + 30)
        variance = (self.variance[0] + 30 * start.variance) / (self.variance[1] + 30)
        shape = shrink(self.shape, start.shape, float(variance), (0.3, 0.3))
        closed = float((self.closed[0] + 100 * start.shape.closed) / (self.closed[1] + 100))
        return Habits(
            Shape(shape.weekday, shape.ends, closed),
            float(rough),
            float(variance),
            self._drift(start.drift),
            (self._spread(float(variance), start.spread[0]), start.spread[1]),
        )

    def _drift(self, before: float) -> float:
        logs = np.log(np.array(DRIFTS))
        score = self.drift - 0.5 * ((logs - math.log(before)) / 1.0) ** 2
        best = int(score.argmax())
        if 0 < best < logs.size - 1 and score[best] - score[best - 1 : best + 2].min() > 2.0:
            # Many printers leave one candidate alone; the truth lies between it and its neighbours (a parabola).
            bend, slope, _ = np.polyfit(logs[best - 1 : best + 2] - logs[best], score[best - 1 : best + 2], 2)
            return float(math.exp(logs[best] - slope / (2 * bend)))
        weight = np.exp(score - score.max())
        return float(math.exp(float((weight * logs).sum() / weight.sum())))

    def _spread(self, noise: float, before: float) -> float:
        squares, count, freedom = self.days[0], self.days[1], self.days[2]
        if count <= 0:
            return before
        own = max(0.0, squares - freedom * noise) / count
        return float(math.sqrt(max(0.02**2, (own * count + 500 * before**2) / (count + 500))))
