"""Yields: pages per life against the declared yield, implied coverage, outliers with their odds.

A declared yield (ISO/IEC 19752 for mono toner, 19798 for colour) is measured at about 5 % coverage a colour, on at
least nine cartridges in three printers, until the print fades or the printer stops. It is the lower bound of a
one-sided 90 % interval of the mean: mean - t(0.90, n-1) s / sqrt(n) (formula from memory).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
from scipy.special import stdtr, stdtrit

from agent.insight.shelf import Shelf
from agent.model.fleet import PrinterHistory
from agent.model.insight import DRY, EARLY, Insight, Life
from agent.model.yields import LifeYield, ModelYield

DECLARED_COVERAGE = 5.0
LEAST_LIVES = 9
LEAST_PRINTERS = 3
MOST_STRETCH = 0.2
"""A life that was swapped early tells a whole yield when no more than this was left in it (common practice)."""
LEAST_USED = 0.5
ODD_BELOW = 0.05
"""A life counts as remarkable when one so short comes up less often than this among all lives of its kind."""
_LEAST_SPREAD = 0.20
"""Lives of one kind vary at least so much, as standard deviation of the logarithm (common practice, no source)."""
_COVERED = ("toner", "ink", "matteToner", "matteInk")
_CENT = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Witness:
    """One printer's history with what was worked out of it."""

    history: PrinterHistory
    insight: Insight


def declared_style(pages: Sequence[float]) -> float:
    """The figure in the style of a declared yield. Raises ValueError for fewer than two lives."""
    n = len(pages)
    if n < 2:
        raise ValueError("one life has no spread; at least two are needed, and nine to declare a yield")
    values = np.asarray(pages, dtype=np.float64)
    return float(values.mean() - stdtrit(n - 1, 0.90) * values.std(ddof=1) / math.sqrt(n))


def implied_coverage(declared: float, whole: float) -> float:
    """The coverage at which a cartridge of this declared yield gives ``whole`` pages, in per cent a colour."""
    return DECLARED_COVERAGE * declared / whole


def money(amount: Decimal) -> Decimal:
    """Rounded to cents, half to even."""
    return amount.quantize(_CENT, rounding=ROUND_HALF_EVEN)


def share_of(price: Decimal, share: float) -> Decimal:
    """A share of a price. The share is a measurement, so it is taken to six digits and no further."""
    return price * Decimal(repr(round(share, 6)))


def lives(witnesses: Iterable[Witness], shelf: Shelf) -> list[LifeYield]:
    """Each life of each supply against its declared yield, outliers marked."""
    made = [_one(witness, life, shelf) for witness in witnesses for life in witness.insight.lives]
    return _mark_outliers(made, {one.history.printer.id: one.history.printer.model for one in witnesses})


def _declared(witness: Witness, life: Life, shelf: Shelf) -> tuple[str | None, int | None]:
    """The part and its declared yield: of the settings, or what the printer says of itself."""
    fitting = shelf.fitting(witness.history.printer.model, life.supply)
    part = fitting[0].name if len(fitting) == 1 else None
    told = {one.declared_yield for one in fitting if one.declared_yield is not None}
    if len(told) == 1:
        return part, told.pop()
    key = life.supply.partition(" (")[0]
    for track in witness.history.supplies:
        last = track.points[-1].capacity if track.points else None
        if track.key == key and track.unit in ("impressions", "sheets") and isinstance(last, int) and last > 100:
            return part, last
    return part, None


def _one(witness: Witness, life: Life, shelf: Shelf) -> LifeYield:
    part, declared = _declared(witness, life, shelf)
    whole = whole_of(life)
    ratio = whole / declared if whole is not None and declared else None
    covered = life.kind.startswith(_COVERED)
    lost = None
    price = next((one.price for one in shelf.parts if one.name == part), None)
    worth = None
    if life.ended == EARLY and life.left is not None:
        full = whole if whole is not None else declared
        lost = life.left * full if full is not None else None
        worth = money(share_of(price, life.left)) if price is not None else None
    return LifeYield(
        witness.history.printer.id,
        witness.history.printer.name,
        life,
        part,
        declared,
        life.impressions,
        whole,
        ratio,
        implied_coverage(declared, whole) if covered and declared and whole else None,
        lost,
        worth,
    )


def whole_of(life: Life) -> float | None:
    """What a life would have yielded from full to empty; None where too little of it was seen."""
    if life.impressions is None or life.impressions <= 0:
        return None
    if life.ended == DRY and life.fitted is not None and not life.used_before:
        return float(life.impressions)
    start = 1.0 if life.fitted is not None and not life.used_before else life.start_level
    end = 0.0 if life.ended == DRY else life.left
    if start is None or end is None or start - end < LEAST_USED:
        return None
    return life.impressions / (start - end)


def tells(one: LifeYield) -> bool:
    """Whether a life may stand for its kind: seen from its fitting, new, and used up or nearly so."""
    life = one.life
    if one.whole is None or life.fitted is None or life.used_before or life.removed is None:
        return False
    return life.ended == DRY or (life.left is not None and life.left <= MOST_STRETCH)


def _mark_outliers(found: list[LifeYield], models: dict[int, str]) -> list[LifeYield]:
    """Mark the lives that ended dry far too early, with the chance of that among their kind.

    A life is compared with its fellows in the same printer where there are four or more, else in the same model: by
    the median and the median absolute deviation of the logarithms (which one bad life does not move), and Student's t.
    """
    groups: dict[tuple[str, str], list[int]] = defaultdict(list)
    for index, one in enumerate(found):
        if tells(one):
            groups[models[one.printer_id], one.life.supply].append(index)
    made = list(found)
    for members in groups.values():
        for index in members:
            one = found[index]
            if one.life.ended != DRY:
                continue
            own = [other for other in members if other != index and found[other].printer_id == one.printer_id]
            fellows = own if len(own) >= 4 else [other for other in members if other != index]
            odds = odds_of(one.whole or 0.0, [found[other].whole or 0.0 for other in fellows], alone=fellows is own)
            if odds is not None and odds * len(members) < ODD_BELOW:
                text = (
                    f"{one.life.supply} of {one.printer} died after {one.whole:,.0f} pages; of its kind only one in "
                    f"{1 / max(odds, 1e-9):,.0f} does so: look for a leak, a bad batch or a refill, and claim for it"
                )
                made[index] = replace(one, odds=odds, text=text)
    return made


def odds_of(pages: float, fellows: Sequence[float], *, alone: bool = False) -> float | None:
    """The chance that one more life of the same kind is as short as ``pages`` or shorter; None with too few fellows.

    ``alone``: the fellows are of one printer; otherwise printers differ, too, and the least spread is wider.
    """
    if len(fellows) < 4 or pages <= 0:
        return None
    logs = np.log(np.maximum(1.0, np.asarray(fellows, dtype=np.float64)))
    middle = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - middle)))
    spread = max(spread, float(logs.std(ddof=1)) * 0.7, _LEAST_SPREAD * (1.0 if alone else 1.5))
    t = (math.log(pages) - middle) / (spread * math.sqrt(1 + 1 / logs.size))
    return float(stdtr(logs.size - 1, t))


def models(found: Sequence[LifeYield], names: dict[int, str]) -> list[ModelYield]:
    """The yields of each kind of supply in each model. ``names``: printer id -> model."""
    groups: dict[tuple[str, str, str | None], list[LifeYield]] = defaultdict(list)
    for one in found:
        groups[names[one.printer_id], one.life.supply.partition(" (")[0].partition("#")[0], one.part].append(one)
    return [_model(key, group) for key, group in sorted(groups.items(), key=lambda item: (item[0][0], item[0][1]))]


def _model(key: tuple[str, str, str | None], group: Sequence[LifeYield]) -> ModelYield:
    chosen = [one for one in group if tells(one)]
    pages = [one.whole for one in chosen if one.whole is not None]
    declared = {one.declared for one in group if one.declared is not None}
    printers = len({one.printer_id for one in chosen})
    n = len(pages)
    mean = float(np.mean(pages)) if pages else None
    reason = ""
    figure = None
    if n < LEAST_LIVES:
        reason = f"n too small: {n} whole {'life' if n == 1 else 'lives'}, {LEAST_LIVES} are needed"
    else:
        figure = declared_style(pages)
        if printers < LEAST_PRINTERS:
            reason = f"from {printers} printer(s) only; a declared yield rests on {LEAST_PRINTERS} or more"
    one_declared = declared.pop() if len(declared) == 1 else None
    covered = group[0].life.kind.startswith(_COVERED)
    return ModelYield(
        key[0],
        key[1],
        key[2],
        one_declared,
        n,
        printers,
        sum(1 for one in chosen if one.life.ended != DRY),
        mean,
        float(np.std(pages, ddof=1)) if n > 1 else None,
        figure,
        implied_coverage(one_declared, mean) if covered and one_declared and mean else None,
        reason,
    )
