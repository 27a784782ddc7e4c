"""What a page costs, by printer, model and site; and how often printers jam and call for service.

The cost of a page is what the cartridges of a supply cost over the pages printed with them, added up over supplies;
what is thrown away at early swaps is in it. Money is Decimal throughout.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal

from scipy.special import chdtri

from agent.insight import yields
from agent.insight.deeds import services
from agent.insight.meter import Meter, meter
from agent.insight.shelf import Shelf
from agent.insight.yields import Witness, share_of
from agent.model.contact import StatusPoint
from agent.model.insight import Life
from agent.model.shelf import fits
from agent.model.upkeep import Plan
from agent.model.yields import Cost, LifeYield, PrinterCost, Rate, Yields

WINDOW = timedelta(days=365)
VISIT = timedelta(hours=4)
"""Services of one printer within this time are one call."""
_JAMS = frozenset({"jammed", "jam"})
_LIFE_SD = 0.25
LEAST_WORN = 0.1
"""So much of a cartridge must have been used before its pages tell a cost."""
_Z80 = 1.2815515655446004
_GRAIN = Decimal("0.00001")


@dataclass(frozen=True, slots=True)
class _Share:
    """What one supply adds to a page: money, its relative variance, and whether its yield is only declared."""

    supply: str
    per_page: Decimal
    variance: float
    estimated: bool


def yields_of(
    witnesses: Sequence[Witness],
    shelf: Shelf,
    as_of: datetime,
    *,
    currency: str = "EUR",
    statuses: Mapping[int, Sequence[StatusPoint]] | None = None,
    plans: Sequence[Plan] = (),
    window: timedelta = WINDOW,
) -> Yields:
    """Yields and costs of a fleet as of a moment (which must say its offset; ValueError otherwise).

    ``statuses``: printer id -> what it said of its state, for counting jams.
    """
    if as_of.tzinfo is None:
        raise ValueError(f"as_of {as_of.isoformat()} does not say its offset from UTC")
    since = as_of - window
    names = {one.history.printer.id: one.history.printer.model for one in witnesses}
    found = yields.lives(witnesses, shelf)
    by_printer: dict[int, list[LifeYield]] = {}
    for one in found:
        by_printer.setdefault(one.printer_id, []).append(one)
    printers = [
        _printer(
            witness,
            by_printer.get(witness.history.printer.id, []),
            shelf,
            (since, as_of),
            (statuses or {}).get(witness.history.printer.id, ()),
            plans,
        )
        for witness in witnesses
    ]
    lacking = {name for one in printers for name in one.cost.missing}
    notes = [f"no price for {part.name}" for part in shelf.parts if part.name in lacking and part.price is None]
    return Yields(
        as_of,
        since,
        currency,
        tuple(found),
        tuple(yields.models(found, names)),
        tuple(printers),
        tuple(_grouped(printers, lambda one: one.model)),
        tuple(_grouped(printers, lambda one: one.site)),
        _sum("fleet", [one.cost for one in printers]) if printers else None,
        tuple(notes),
    )


# --- one printer ---------------------------------------------------------------------------------------------------


def _printer(
    witness: Witness,
    found: Sequence[LifeYield],
    shelf: Shelf,
    window: tuple[datetime, datetime],
    statuses: Sequence[StatusPoint],
    plans: Sequence[Plan],
) -> PrinterCost:
    printer = witness.history.printer
    gauge = meter(witness.history, window[1])
    impressions = round(gauge.printed(*window)) if gauge is not None else 0
    shares: list[_Share] = []
    missing: list[str] = []
    for key in dict.fromkeys(track.key for track in witness.history.supplies):
        own = [one.life for one in found if one.life.supply == key]
        declared = next((one.declared for one in found if one.life.supply == key), None)
        share = _supply(shelf, printer.model, key, own, declared, gauge, window[1])
        if isinstance(share, _Share):
            shares.append(share)
        else:
            missing.append(share)
    for plan in plans:
        more, without = _plan(shelf, printer.model, plan)
        shares += more
        missing += without
    ended = [one for one in found if one.life.removed is not None and one.life.removed > window[0]]
    entries = [one for one in witness.history.ledger if window[0] < one.at]
    cost = Cost(
        printer.name,
        impressions,
        *_added(shares),
        lost=sum((one.money_lost for one in ended if one.money_lost is not None), Decimal(0)),
        pages_lost=sum(one.pages_lost for one in ended if one.pages_lost is not None),
        jams=rate(jams(statuses, *window), impressions),
        calls=rate(calls([one.at for one in services(entries, window[1])]), impressions),
        estimated=tuple(one.supply for one in shares if one.estimated),
        missing=tuple(dict.fromkeys(missing)),
    )
    return PrinterCost(printer.id, printer.model, printer.place.site or "no site", cost)


def _supply(
    shelf: Shelf,
    model: str,
    key: str,
    own: Sequence[Life],
    declared: int | None,
    gauge: Meter | None,
    as_of: datetime,
) -> _Share | str:
    """What one supply adds to a page; or what is missing to tell."""
    fitting = shelf.fitting(model, key)
    prices = {part.price for part in fitting if part.price is not None}
    if len(prices) != 1:
        return fitting[0].name if len(fitting) == 1 else key
    price = prices.pop()
    whole = [one for one in own if one.fitted is not None and one.removed is not None]
    pages = sum(gauge.printed(one.fitted, one.removed) for one in whole) if gauge is not None else 0.0
    if pages >= 1:
        return _Share(key, price * len(whole) / Decimal(round(pages)), _LIFE_SD**2 / len(whole), estimated=False)
    worn, so_far = _partly(own, gauge, as_of)
    if worn >= LEAST_WORN and so_far >= 1:
        return _Share(key, share_of(price, worn) / Decimal(round(so_far)), _LIFE_SD**2, estimated=False)
    if declared:
        return _Share(key, price / Decimal(declared), 0.45**2, estimated=True)
    return fitting[0].name if len(fitting) == 1 else key


def _partly(own: Sequence[Life], gauge: Meter | None, as_of: datetime) -> tuple[float, float]:
    """Where no whole life was seen: cartridges used up (in shares, what was thrown away is used too), and pages."""
    worn = pages = 0.0
    for one in own if gauge is not None else ():
        end = 0.0 if one.removed is not None else one.left
        if gauge is not None and one.start_level is not None and end is not None:
            worn += max(0.0, one.start_level - end)
            pages += gauge.printed(one.fitted, one.removed or as_of)
    return worn, pages


def _plan(shelf: Shelf, model: str, plan: Plan) -> tuple[list[_Share], list[str]]:
    """What the parts of a plan add to a page, where they do not take the place of a supply (which has its own cost)."""
    if plan.impressions is None or not fits(model, plan.models):
        return [], []
    made, missing = [], []
    for need in plan.needs:
        part = shelf.part(need)
        if part is None or part.price is None:
            missing.append(need)
        elif not part.supplies:
            made.append(_Share(f"{plan.name}: {need}", part.price / Decimal(plan.impressions), 0.1**2, estimated=False))
    return made, missing


def _added(shares: Sequence[_Share]) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
    if not shares:
        return None, None, None
    total = sum((one.per_page for one in shares), Decimal(0))
    sd = math.sqrt(sum(float(one.per_page) ** 2 * one.variance for one in shares))
    return _ranged(total, sd)


def _ranged(total: Decimal, sd: float) -> tuple[Decimal, Decimal, Decimal]:
    wide = Decimal(repr(round(sd * _Z80, 9)))
    return _grain(total), _grain(max(Decimal(0), total - wide)), _grain(total + wide)


def _grain(amount: Decimal) -> Decimal:
    return amount.quantize(_GRAIN, rounding=ROUND_HALF_EVEN)


# --- jams, calls, sums ---------------------------------------------------------------------------------------------


def jams(statuses: Iterable[StatusPoint], since: datetime, until: datetime) -> int:
    """How often a printer fell into a jam after ``since`` and up to ``until``."""
    count, before = 0, False
    for point in sorted(statuses, key=lambda one: one.at):
        now = bool(_JAMS & point.errors) or any(alert.code.casefold().endswith("jam") for alert in point.alerts)
        if now and not before and since < point.at <= until:
            count += 1
        before = now
    return count


def calls(moments: Iterable[datetime]) -> int:
    """How many visits services make: those within four hours of a visit's beginning belong to it."""
    count, begin = 0, None
    for at in sorted(moments):
        if begin is None or at - begin > VISIT:
            count, begin = count + 1, at
    return count


def rate(events: int, impressions: int) -> Rate:
    """Events per 10,000 impressions with the exact 80 % range of a Poisson count (Garwood 1936, by chi-squared)."""
    if impressions <= 0:
        return Rate(events, impressions, None, None, None)
    scale = 10_000 / impressions
    low = float(chdtri(2 * events, 0.9)) / 2 if events else 0.0
    high = float(chdtri(2 * events + 2, 0.1)) / 2
    return Rate(events, impressions, events * scale, low * scale, high * scale)


def _grouped(printers: Sequence[PrinterCost], name: Callable[[PrinterCost], str]) -> list[Cost]:
    groups: dict[str, list[Cost]] = {}
    for one in printers:
        groups.setdefault(name(one), []).append(one.cost)
    return [_sum(key, groups[key]) for key in sorted(groups)]


def _sum(name: str, costs: Sequence[Cost]) -> Cost:
    """Several printers together: a page costs what a page of theirs costs on average, by impressions."""
    impressions = sum(one.impressions for one in costs)
    known = [one for one in costs if one.per_page is not None and one.impressions > 0]
    pages = sum(one.impressions for one in known)
    per_page: tuple[Decimal | None, Decimal | None, Decimal | None] = (None, None, None)
    if pages:
        total = sum((one.per_page * one.impressions for one in known if one.per_page is not None), Decimal(0)) / pages
        sds = [
            float(one.high - one.low) / (2 * _Z80) * one.impressions / pages
            for one in known
            if one.high is not None and one.low is not None
        ]
        per_page = _ranged(total, math.sqrt(sum(sd**2 for sd in sds)))
    return Cost(
        name,
        impressions,
        *per_page,
        lost=sum((one.lost for one in costs), Decimal(0)),
        pages_lost=sum(one.pages_lost for one in costs),
        jams=rate(sum(one.jams.events for one in costs), impressions),
        calls=rate(sum(one.calls.events for one in costs), impressions),
        estimated=tuple(sorted({key for one in costs for key in one.estimated})),
        missing=tuple(sorted({key for one in costs for key in one.missing})),
    )
