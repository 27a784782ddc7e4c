"""What to order: for each part the demand of the printers that use it, against what lies there and is on its way.

Somebody looks at the shelf every review period. An order that is not placed now is placed a review period later, and
arrives a lead time after that; until then there shall be enough, with the chance that the settings want (a periodic
review, order-up-to policy). Where no printer has a forecast, the textbook's reorder point stands in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

import numpy as np
from scipy.special import ndtri

from agent.insight import reorder
from agent.insight.demand import Asker, Crowd, Demand, cover, enough, expected, next_swap, summary
from agent.insight.reach import day_in, days_after
from agent.insight.shelf import Shelf, Taken
from agent.model.fleet import Printer
from agent.model.insight import PROBABILITIES, Dates, Forecast, Insight, Life, Usage
from agent.model.shelf import Advice, Need, OrderTerms, ShelfState, SparePart
from agent.model.upkeep import DUE, OVERDUE, PrinterUpkeep, UpkeepItem

MOST_NAMED = 12
"""So many printers are named as the reason of an order."""
FEWEST = 3
"""Fewer parts taken than this tell no rate."""
WINDOW_DAYS = 365
FARTHEST = 180
"""Days ahead up to which the day is looked for on which to order."""
_WEEK = 7.0


@dataclass(frozen=True, slots=True)
class User:
    """One printer as the shelf sees it."""

    printer: Printer
    insight: Insight
    upkeep: PrinterUpkeep | None = None


@dataclass(frozen=True, slots=True)
class _Ask:
    printer: Printer
    what: str
    asker: Asker
    run_out: date | None
    basis: str


def advise(
    shelf: Shelf, state: ShelfState, taken: Sequence[Taken], users: Sequence[User], zone: str = "UTC"
) -> tuple[Advice, ...]:
    """What to order of each part, as of the moment of ``state``. ``zone``: the time zone for days of orders."""
    if not shelf.parts:
        return ()
    asks, today = _asks(shelf, users, state.as_of), day_in(zone, state.as_of)
    return tuple(_advise(part, state, taken, some, today) for part, some in zip(shelf.parts, asks, strict=True))


def _advise(part: SparePart, state: ShelfState, taken: Sequence[Taken], asks: Sequence[_Ask], today: date) -> Advice:
    on_hand, on_order = state.on_hand(part.name), state.on_order(part.name)
    bare = Advice(part.name, 0, None, on_hand, on_order, on_hand + on_order, None, None, None, "none", "", (), None)
    forecasts = [one for one in asks if one.asker.first is not None]
    silent = sum(1 for one in asks if one.asker.first is None and one.asker.life is None)
    unknown = f"; of {silent} supplies that use it nothing is known yet" if silent else ""
    if forecasts:
        crowd = Crowd.of([one.asker for one in asks])
        method, reason = "forecasts", f"from {len(forecasts)} run-out forecast(s){unknown}"
    else:
        daily, spread, reason = _past(asks, taken, part.name, state.as_of)
        if daily is None:
            return replace(bare, reason=reason)
        method = "reorderPoint"
        if daily * (part.terms.lead_days + part.terms.review_days) > reorder.FEW:
            return _bell(bare, part, daily, spread, today, reason + unknown)
        crowd = Crowd.of([Asker(None, 1 / daily)] if daily > 0 else [])
        reason += unknown
    made = _order(bare, part, crowd, today, method, reason)
    return replace(made, because=_because(asks, part.terms))


# --- who asks ------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Past:
    """What the lives of the supplies that one part serves tell, of the whole fleet.

    ``left``: the shares that were left when people swapped. ``days``: from fitting to removal.
    """

    left: list[float] = field(default_factory=list)
    days: list[float] = field(default_factory=list)

    @property
    def habit(self) -> float:
        """How much is usually left when people swap; 0 until a few swaps have been seen."""
        return float(np.mean(self.left)) if len(self.left) >= FEWEST else 0.0


def _asks(shelf: Shelf, users: Sequence[User], as_of: datetime) -> list[list[_Ask]]:
    """Who asks for each part of the shelf. Each printer is opened once for its lives and once for the rest."""
    past = [_Past() for _ in shelf.parts]
    own = [_lived(user, shelf.parts, past) for user in users]
    known = [(one.habit, _mean(one.days)) for one in past]
    made: list[list[_Ask]] = [[] for _ in shelf.parts]
    for user, days in zip(users, own, strict=True):
        if user.printer.retired is not None and user.printer.retired <= as_of:
            continue
        opened = _opened(user)
        for part, (habit, fleet), asks in zip(shelf.parts, known, made, strict=True):
            asks += [
                _ask_of_supply(part, opened, forecast, days.get(forecast.supply), fleet, habit, as_of)
                for forecast in opened.insight.forecasts
                if _serves(part, user, forecast.supply)
            ]
            asks += [
                _ask_of_plan(shelf, opened, item, as_of)
                for item in (opened.upkeep.items if opened.upkeep is not None else ())
                # A part that takes the place of the supply is asked for by the supply's own run-out.
                if part.name in item.needs and not any(_serves(part, user, key) for key in item.supplies)
            ]
    return made


def _opened(user: User) -> User:
    """The printer with what is looked at for every part unpacked."""
    insight, upkeep = user.insight, user.upkeep
    return User(
        user.printer,
        replace(insight, usage=tuple(insight.usage), forecasts=tuple(insight.forecasts)),
        None if upkeep is None else replace(upkeep, items=tuple(upkeep.items)),
    )


def _lived(user: User, parts: Sequence[SparePart], past: Sequence[_Past]) -> dict[str, float]:
    """Adds the lives in this printer to those of the parts; gives the mean days of each of its supplies."""
    lives = tuple(user.insight.lives)
    for part, one in zip(parts, past, strict=True):
        served = [life for life in lives if _serves(part, user, life.supply)]
        one.left += [life.left for life in served if life.removed is not None and life.left is not None]
        one.days += _days_of(served)
    means = {
        key: _mean(_days_of(life for life in lives if life.supply == key)) for key in {one.supply for one in lives}
    }
    return {key: mean for key, mean in means.items() if mean is not None}


def _serves(part: SparePart, user: User, supply: str) -> bool:
    return part.serves(user.printer.model, supply)


def _days_of(lives: Iterable[Life]) -> list[float]:
    """The days from fitting to removal of those of which both were seen."""
    return [
        (life.removed - life.fitted) / timedelta(days=1)
        for life in lives
        if life.fitted is not None and life.removed is not None and life.removed > life.fitted
    ]


def _mean(days: list[float]) -> float | None:
    """Their mean, a quarter of a day at least; None without any."""
    return max(0.25, float(np.mean(days))) if days else None


def _ask_of_supply(
    part: SparePart, user: User, forecast: Forecast, own: float | None, fleet: float | None, habit: float,
    as_of: datetime,
) -> _Ask:  # fmt: skip
    life, basis = own, "its own lives"
    if life is None:
        life, basis = _by_yield(part, user), "its declared yield and use"
    if life is None and forecast.empty is not None and forecast.level is not None and forecast.level > 0.15:
        # What is left takes so long, so a whole one takes so much longer.
        life, basis = max(0.25, forecast.empty.quantile(0.5) / forecast.level), "its present pace"
    if life is None and fleet is not None:
        life, basis = fleet, "the lives of others"
    first = None
    if forecast.empty is not None:
        lag = (as_of - forecast.empty.start) / timedelta(days=1)
        first = next_swap(forecast.empty, forecast.low, forecast.threshold, habit, lag)
        basis = f"run-out forecast; later ones from {basis}" if life is not None else "run-out forecast"
    elif life is not None:
        basis = f"no forecast ({forecast.reason}); rate from {basis}"
    else:
        basis = forecast.reason or "nothing is known yet"
    run_out = forecast.empty_dates.p50 if forecast.empty_dates is not None else None
    return _Ask(user.printer, forecast.supply, Asker(first, life), run_out, basis)


def _by_yield(part: SparePart, user: User) -> float | None:
    week = _week_of(user.insight.usage)
    if part.declared_yield is None or week is None:
        return None
    return max(0.25, part.declared_yield / week * _WEEK)


def _week_of(usage: Iterable[Usage]) -> float | None:
    return next((one.per_week for one in usage if one.per_week is not None and one.per_week > 0), None)


def _ask_of_plan(shelf: Shelf, user: User, item: UpkeepItem, as_of: datetime) -> _Ask:
    plan = next((one for one in shelf.plans if one.name == item.plan), None)
    lives = []
    week = _week_of(user.insight.usage)
    if plan is not None and plan.impressions is not None and week is not None:
        lives.append(plan.impressions / week * _WEEK)
    if plan is not None and plan.days is not None:
        lives.append(float(plan.days))
    life = max(0.25, min(lives)) if lives else None
    first: tuple[float, ...] | None = None
    if item.state in (OVERDUE, DUE):
        first = (0.0,) * len(PROBABILITIES)
    elif item.expected is not None:
        first = law_of_days(item.expected, day_in(user.printer.place.zone, as_of))
    return _Ask(
        user.printer, item.plan, Asker(first, life), item.expected.p50 if item.expected else None, "upkeep plan"
    )


def law_of_days(days: Dates, today: date) -> tuple[float, ...]:
    """Quantiles at PROBABILITIES out of three: on the normal scale linear between them and beyond."""
    z = ndtri(np.array(PROBABILITIES))
    edge = float(ndtri(0.9))
    low, mid, high = ((one - today).days + 0.5 for one in (days.p10, days.p50, days.p90))
    made = np.where(z < 0, mid + z / edge * (mid - low), mid + z / edge * (high - mid))
    return tuple(np.maximum.accumulate(np.maximum(0.0, made)).tolist())


# --- how many ------------------------------------------------------------------------------------------------------


def _order(bare: Advice, part: SparePart, crowd: Crowd, today: date, method: str, reason: str) -> Advice:
    terms = part.terms
    demand = Demand(crowd, terms, float(FARTHEST))
    law = demand.law(terms.review_days)
    up_to = enough(law, terms.level)

    def safe(wait: float) -> bool:
        return cover(demand.law(wait), bare.position) >= terms.level

    lacking = max(0, up_to - bare.position)
    order = rounded(lacking, terms)
    return replace(
        bare,
        order=order,
        by=_by(safe, today),
        up_to=up_to,
        demand=summary(law),
        stock_out=1 - cover(law, bare.position),
        method=method,
        reason=reason,
        cost=None if part.price is None else part.price * Decimal(order),
    )


def rounded(lacking: int, terms: OrderTerms) -> int:
    """How many to order: at least the minimum, in whole packs; 0 when nothing is lacking."""
    if lacking <= 0:
        return 0
    wanted = max(lacking, terms.minimum)
    return math.ceil(wanted / terms.pack) * terms.pack


def _by(safe: Callable[[float], bool], today: date) -> date | None:
    """The last day on which an order is soon enough; today when it is late already; None if not within half a year."""
    if not safe(0.0):
        return today
    low, high = 0, 7
    while safe(float(high)):  # ever farther, since near days are reckoned more finely and more cheaply
        if high == FARTHEST:
            return None
        low, high = high, min(FARTHEST, 3 * high)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if safe(float(middle)) else (low, middle)
    return days_after(today, low)


def _because(asks: Sequence[_Ask], terms: OrderTerms) -> tuple[Need, ...]:
    """The printers that will probably ask first."""
    told = [one for one in asks if one.asker.first is not None or one.asker.life is not None]
    crowd = Crowd.of([one.asker for one in told])
    chances = expected(crowd, terms.lead_days + terms.review_days)
    needs = [
        Need(
            one.printer.id,
            one.printer.name,
            one.what,
            float(chances[0, at]),
            float(chances[:, at].sum()),
            one.run_out,
            one.basis,
        )
        for at, one in enumerate(told)
    ]
    needs = [one for one in needs if one.within >= 0.01]
    needs.sort(key=lambda one: (-one.within, -one.expected, one.printer, one.supply))
    return tuple(needs[:MOST_NAMED])


# --- the textbook --------------------------------------------------------------------------------------------------


def _past(asks: Sequence[_Ask], taken: Sequence[Taken], part: str, as_of: datetime) -> tuple[float | None, float, str]:
    """Pieces a day in the past, their standard deviation from day to day, and on what that rests."""
    begin = as_of - timedelta(days=WINDOW_DAYS)
    days = [(one.at - begin) / timedelta(days=1) for one in taken if one.part == part and one.at > begin]
    if len(days) >= FEWEST:
        first = math.floor(min(days))
        count, _ = np.histogram(days, bins=np.arange(first, WINDOW_DAYS + 1))
        if count.size >= 30:
            spread = float(count.std(ddof=1))
            return float(count.mean()), spread, f"from {len(days)} taken in the last {count.size} days; no forecasts"
    rates = [1 / one.asker.life for one in asks if one.asker.life is not None]
    if rates:
        daily = sum(rates)
        return daily, math.sqrt(daily), f"from the average lives of {len(rates)} supplies; no forecasts"
    if not asks:
        return None, 0.0, "no printer that is watched uses it"
    why = asks[0].basis
    return None, 0.0, f"too early to tell: no printer that uses it has a forecast ({why}), and too few were taken"


def _bell(bare: Advice, part: SparePart, daily: float, spread: float, today: date, reason: str) -> Advice:
    """Many pieces: the textbook's normal reorder point."""
    terms = part.terms
    z = reorder.safety_factor(1 - terms.level)

    def law(wait: float) -> tuple[float, float]:
        return reorder.lead_time_demand(daily, spread, terms.lead_days + wait, terms.lead_sd)

    def safe(wait: float) -> bool:
        return reorder.normal_cover(*law(wait), bare.position) >= terms.level

    mean, sd = law(terms.review_days)
    safety, point = reorder.normal_reorder_point(mean, sd, z)
    up_to = math.ceil(point - 1e-9)
    order = rounded(max(0, up_to - bare.position), terms)
    edge = 1.2815515655446004 * sd
    quantiles = (mean, max(0, round(mean - edge)), round(mean), round(mean + edge))
    return replace(
        bare,
        order=order,
        by=_by(safe, today),
        up_to=up_to,
        demand=quantiles,
        stock_out=1 - reorder.normal_cover(mean, sd, bare.position),
        method="reorderPoint",
        reason=f"{reason}; safety stock {safety:.1f}",
        cost=None if part.price is None else part.price * Decimal(order),
    )


__all__ = ["User", "advise", "law_of_days", "rounded"]
