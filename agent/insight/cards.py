"""Jobs that were decided on become cards, and the cards of one printer a visit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from agent.insight import handwork
from agent.insight.carrying import together
from agent.insight.jobs import Job, Spot
from agent.insight.upkeep import COLOURS
from agent.insight.weighing import Sums
from agent.model import cautions
from agent.model.day_words import day_words, span_words
from agent.model.insight import gists_of
from agent.model.round import (
    ALARM,
    COUNTER,
    DAYS,
    EMPTY,
    FOLLOWS,
    JOINING,
    REPORTED,
    RUN_OUT,
    UNPROVEN,
    URGENCY,
    WEIGHED,
    Bring,
    Card,
    Reason,
    RoundTerms,
    Step,
    Visit,
)
from agent.model.shelf import fits, names_supply
from agent.model.upkeep import DUE, OVERDUE, Plan
from agent.model.wording import clean, percent_words

_REASONS = (UNPROVEN, EMPTY, RUN_OUT, COUNTER, DAYS, REPORTED, FOLLOWS, ALARM, WEIGHED, JOINING)
LOOK_AGAIN = Step(
    "look", "Look whether the right part is in, and in properly. If it was not done after all, correct the entry."
)


def chance_words(chance: float) -> str:
    """``34 %``; ``under 1 %`` and ``over 99 %`` at the ends."""
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else percent_words(chance)


def run_out(job: Job, sums: Sums | None, next_day: date | None, today: date) -> Reason | None:
    """When it runs out or falls due, and the chance that this is before the next round."""
    dates = job.forecast.empty_dates if job.forecast is not None else None
    told = job.unproven or job.item is None or job.item.state in (DUE, OVERDUE)
    if not told and job.item is not None and job.item.expected is not None:
        dates = job.item.expected if dates is None or job.item.expected.p50 < dates.p50 else dates
    if dates is None or sums is None or any(one.kind == EMPTY for one in job.reasons):
        return None
    word = "runs out" if job.item is None else "due"
    if job.item is None and job.kind.startswith("waste"):
        word = "is full"
    span = "" if dates.p10 == dates.p90 else f" ({span_words(dates.p10, dates.p90, today)})"
    before = f"before the next round on {day_words(next_day, today)}" if next_day is not None else "within a year"
    text = f"{word} about {day_words(dates.p50, today)}{span}; chance {chance_words(sums.chance)} {before}"
    return Reason(RUN_OUT, text, dates.p10, dates.p50, dates.p90, sums.chance)


def card_of(
    job: Job, reasons: Sequence[Reason], bring: tuple[Bring, ...], pages: int | None, terms: RoundTerms
) -> Card:
    """The card of one job that is on the round, without what follows it."""
    given = terms.swap_of(job.kind) if job.item is None else None
    deed_steps: tuple[Step, ...]
    if job.item is not None and job.deed:
        follows = job.plan is not None and bool(job.plan.after) and not (job.item.needs or job.item.supplies)
        deed_steps = handwork.plan_steps(job.key, job.item, job.kinds, follows=follows)
        care, proof = handwork.plan_cautions(job.item, job.kinds), handwork.plan_proof(job.item)
        minutes = handwork.plan_minutes(job.item, job.kinds)
    elif job.supply:
        deed_steps = handwork.swap_steps(job.key, job.kind, job.colorant, given)
        care = handwork.swap_cautions(job.kind, given)
        shown, only_some = job.shown()
        proof = handwork.swap_proof(job.kind, job.colorant, shown, only_some=only_some)
        minutes = handwork.swap_minutes(job.kind, given)
    else:
        deed_steps = (Step("look", job.first or f"{job.title}.", job.key),)
        care = cautions.in_order(line for code in job.codes for line in cautions.for_alert(code))
        care, proof = care or (cautions.MANUAL,), "It ends by itself when the printer no longer reports it."
        minutes = job.minutes or handwork.LOOK_MINUTES
    if job.unproven:
        deed_steps = handwork.ordered((LOOK_AGAIN, *deed_steps))
    ranked = sorted(reasons, key=lambda one: _REASONS.index(one.kind))
    return Card(
        key=job.key,
        printer_id=job.printer.id,
        deed=job.deed,
        title=job.title,
        why=tuple(dict.fromkeys(ranked)),
        bring=bring,
        minutes=minutes,
        steps=deed_steps,
        cautions=care,
        proof=proof,
        urgency=job.urgency,
        given_up=pages,
        supply=job.supply,
    )


def with_what_follows(card: Card, plans: Sequence[Plan], *, deeds: Sequence[str]) -> Card:
    """The card with the deeds that are due by it, and its last step. ``deeds``: all of the visit."""
    follows = following(card, plans, deeds)
    if not card.deed:
        return card
    log = handwork.log_step(card.printer_id, (card.deed, *(plan.name for plan in follows)))
    steps = handwork.ordered((*card.steps, *handwork.follow_steps(follows), log))
    return replace(card, steps=steps, follows=tuple(plan.name for plan in follows))


def following(card: Card, plans: Sequence[Plan], deeds: Sequence[str]) -> list[Plan]:
    """The plans that are due after this deed and are no card of the visit themselves."""
    return [
        plan
        for plan in plans
        if card.deed
        and plan.name not in deeds
        and (card.deed in plan.after or any(names_supply(one, plan.after) for one in (card.deed, card.supply) if one))
    ]


def plans_here(spot: Spot, plans: Sequence[Plan]) -> list[Plan]:
    """The plans that hold for this printer."""
    known = gists_of(spot.insight.forecasts) if spot.insight is not None else ()
    colour = any(one.colorant in COLOURS for one in known)
    return [plan for plan in plans if fits(spot.printer.model, plan.models) and (colour or not plan.colour_only)]


def visit_of(spot: Spot, cards: Sequence[Card], plans: Sequence[Plan], walk: float, next_day: date | None) -> Visit:
    """The visit of these cards; its number is given later."""
    here = plans_here(spot, plans)
    deeds = [card.deed for card in cards if card.deed]
    ranked = sorted(cards, key=lambda one: (URGENCY.index(one.urgency), one.title, one.key))
    whole = tuple(with_what_follows(card, here, deeds=deeds) for card in ranked)
    follows = list(dict.fromkeys(name for card in whole for name in card.follows))
    named = {plan.name: plan for plan in here}
    minutes = sum(card.minutes for card in whole)
    minutes += sum(named[name].minutes or handwork.FOLLOW_MINUTES for name in follows)
    steps = handwork.merged(whole)
    logged = list(dict.fromkeys([*(card.deed for card in whole if card.deed), *follows]))
    if logged:
        steps = (*steps, handwork.log_step(spot.printer.id, logged))
    printer = spot.printer
    return Visit(
        number=0,
        printer_id=printer.id,
        printer=clean(printer.name, 100) or clean(printer.address, 100) or f"printer {printer.id}",
        model=clean(printer.model, 100),
        place=printer.place,
        cards=whole,
        steps=steps,
        cautions=cautions.in_order(line for card in whole for line in card.cautions),
        minutes=minutes,
        walk=round(walk),
        urgency=whole[0].urgency,
        next_day=next_day,
        bring=together(one for card in whole for one in card.bring),
    )
