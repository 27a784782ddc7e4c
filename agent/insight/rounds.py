"""The round of a day: which jobs are worth the walk today, which join it, which wait, and in which order they are done.

    made = plan_round(morning, now)                     # the next round of all sites
    made = plan_round(morning, now, site="Depot", day=date(2026, 3, 2))

A job is on the round when it is due by itself (empty, overdue, an alarm stands, a service is not proven), when the
chance that it runs dry before the next round is more than the settings allow, or when that costs less than waiting
(``weighing``). What is expected to be used up by the day of the round is never left off. Where somebody goes to a
printer anyway, a job that is not due joins when it is expected soon (``RoundTerms.join_within``) and what is given up
is worth less than what waiting would cost, its own walk included. Everything else waits, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

from agent.insight import calls
from agent.insight.cards import card_of, chance_words, run_out, visit_of
from agent.insight.carrying import Hands, carried
from agent.insight.far import Far
from agent.insight.jobs import Job, Morning, Spot, gather
from agent.insight.reach import day_in, days_after
from agent.insight.walk import is_round_day, next_in, next_round, rounds_ahead, stop_key
from agent.insight.weighing import Stake, Sums, weigh
from agent.model import cautions
from agent.model.alarm import AlarmRecord
from agent.model.day_words import day_words
from agent.model.insight import PROBABILITIES
from agent.model.proof import Proof
from agent.model.round import ALARM as BY_ALARM
from agent.model.round import (
    DUE,
    JOIN,
    JOINING,
    JOINS,
    NOW,
    RUN_OUT,
    STANDS,
    URGENCY,
    WAIT,
    WEIGHED,
    Bring,
    Card,
    Reason,
    Rhythm,
    Round,
    Visit,
    Wait,
    Weighing,
)
from agent.model.wording import clean

MOST_GIVEN_UP = 0.2
"""A job joins a visit when no more than this share of its life is given up, whatever a walk costs (common practice)."""
AHEAD_DAYS = 21
"""What is due later than so many days after the round is not listed among what waits."""


@dataclass(slots=True)
class _Stop:
    """One printer while it is being decided whether to go there. ``open``: whether rounds are made there that day."""

    spot: Spot
    jobs: list[Job]
    rhythm: Rhythm
    open: bool
    next_day: date | None
    sums: dict[str, Sums] = field(default_factory=dict)
    chosen: dict[str, tuple[str, str]] = field(default_factory=dict)
    bring: dict[str, tuple[Bring, ...]] = field(default_factory=dict)
    kept: dict[str, str] = field(default_factory=dict)
    held: set[str] = field(default_factory=set)
    later: set[str] = field(default_factory=set)


def plan_round(morning: Morning, now: datetime, *, site: str | None = None, day: date | None = None) -> Round:
    """The round as of ``now`` (ValueError where that does not say its offset).

    ``site``: this one alone. ``day``: of the sites' clock; else the next day on which a round is made, today included.
    """
    if now.tzinfo is None:
        raise ValueError(f"now {now.isoformat()} does not say its offset from UTC")
    spots = [
        one
        for one in morning.spots
        if (site is None or one.printer.place.site == site)
        and (one.printer.retired is None or one.printer.retired > now)
    ]
    zone = spots[0].printer.place.zone if site is not None and spots else morning.zone
    day = day if day is not None else first_day(morning, spots, day_in(zone, now))
    stops = _stops(morning, spots, day, now)
    _weigh(stops, morning, day, now)
    hands = Hands(morning.shelf, morning.stock)
    _choose_due(stops, morning, hands, day)
    _choose_joining(stops, hands, day, days_after(day, int(morning.terms.join_within)))
    return _written(stops, morning, now, day, zone, site or "")


def first_day(morning: Morning, spots: Iterable[Spot], today: date) -> date:
    """The first day from today on on which any of the sites has a round; today if none ever has."""
    rhythms = {morning.terms.rhythm_of(one.printer.place.site) for one in spots}
    found = [on for rhythm in rhythms if (on := next_in(rhythm, today)) is not None]
    return min(found, default=today)


def _stops(morning: Morning, spots: Sequence[Spot], day: date, now: datetime) -> list[_Stop]:
    alarms = calls.called(morning.alarms, now)
    proofs: dict[int, list[Proof]] = {}
    for one in morning.proofs:
        proofs.setdefault(one.service.printer_id, []).append(one)
    rhythms = {name: morning.terms.rhythm_of(name) for name in {one.printer.place.site for one in spots}}
    # A day on which no site has a round was asked for on purpose: then all have one.
    all_open = not any(is_round_day(rhythm, day) for rhythm in rhythms.values())
    after = {rhythm: next_round(rhythm, day) for rhythm in set(rhythms.values())}
    far: dict[Rhythm, Far] = {}
    made = []
    for spot in spots:
        number = spot.printer.id
        called = number in alarms or number in proofs
        rhythm = rhythms[spot.printer.place.site]
        if rhythm not in far:
            far[rhythm] = _far(after[rhythm], day, now)
        jobs = gather(spot, morning, now, None if called else far[rhythm])
        calls.take_alarms(jobs, spot, alarms.get(number, _NO_ALARMS), morning)
        calls.take_proofs(jobs, spot, proofs.get(number, _NO_PROOFS), morning)
        made.append(_Stop(spot, list(jobs.values()), rhythm, all_open or is_round_day(rhythm, day), after[rhythm]))
    return sorted(made, key=lambda one: stop_key(one.spot.printer))


def _far(next_day: date | None, day: date, now: datetime) -> Far:
    """Beyond the next round, and beyond what is listed among what waits."""
    beyond = (next_day - now.date()).days + 3.0 if next_day is not None else 370.0
    listed = max(0, (day - now.date()).days) + AHEAD_DAYS
    return Far(max(beyond, float(listed)), now.date() + timedelta(days=listed + 1))


_NO_ALARMS: Sequence[AlarmRecord] = ()
_NO_PROOFS: Sequence[Proof] = ()


def _weigh(stops: Sequence[_Stop], morning: Morning, day: date, now: datetime) -> None:
    """The sums of every job whose run-out is known, all of one rhythm and zone at once."""
    groups: dict[tuple[Rhythm, str], list[tuple[_Stop, Job]]] = {}
    for stop in stops:
        for job in stop.jobs:
            if job.law is not None:
                groups.setdefault((stop.rhythm, stop.spot.printer.place.zone), []).append((stop, job))
    for (rhythm, zone), found in groups.items():
        stakes = [Stake(job.law, job.harm, rhythm.walk, job.worth) for _, job in found if job.law is not None]
        for (stop, job), sums in zip(found, weigh(stakes, rounds_ahead(rhythm, day, zone, now)), strict=True):
            stop.sums[job.key] = sums


# --- what is decided -----------------------------------------------------------------------------------------------


def _choose_due(stops: Sequence[_Stop], morning: Morning, hands: Hands, day: date) -> None:
    """What is on the round by itself. The most urgent take their parts first."""
    due: list[tuple[_Stop, Job]] = []
    for stop in stops:
        for job in stop.jobs:
            if job.hold and not (job.shelved and _is_spent(job, day)):
                stop.kept[job.key] = job.hold
                continue
            why = _why_now(stop, job, morning, day)
            if not why:
                continue
            if not stop.open and job.urgency != STANDS:
                stop.kept[job.key] = _closed(stop, day)
                job.press(DUE)
                continue
            job.press(DUE)
            stop.chosen[job.key] = NOW, why
            due.append((stop, job))
    due.sort(key=lambda one: (URGENCY.index(one[1].urgency), -_chance(*one), stop_key(one[0].spot.printer), one[1].key))
    for stop, job in due:
        stop.bring[job.key] = _taken(hands, job)


def _closed(stop: _Stop, day: date) -> str:
    where = clean(stop.spot.printer.place.site, 60) or "this printer"
    if stop.next_day is None:
        return f"due, but the settings make no rounds at {where}"
    return f"due, but no round is made at {where} that day; the next is on {day_words(stop.next_day, day)}"


def _chance(stop: _Stop, job: Job) -> float:
    sums = stop.sums.get(job.key)
    return sums.chance if sums is not None else 1.0


def _is_spent(job: Job, day: date) -> bool:
    """Whether it has probably run out, or is due, by the day of the round."""
    return job.due is not None and job.due <= day


def _why_now(stop: _Stop, job: Job, morning: Morning, day: date) -> str:
    """Why it is on the round by itself; "" when it is not."""
    if job.urgency:
        return "due by itself"
    sums = stop.sums.get(job.key)
    if sums is None:
        return ""
    if sums.chance > 1 - morning.terms.sure:
        stop.held.add(job.key)
        allowed = chance_words(1 - morning.terms.sure)
        return f"the chance of {chance_words(sums.chance)} is more than the {allowed} that the settings allow"
    if _is_spent(job, day):
        return "its run-out is expected by then" if job.item is None else "it is expected to be due by then"
    now = sums.waste + stop.rhythm.walk
    if job.worth > 0 and now <= sums.later:
        # The chance of a standstill may be next to nothing; that alone would be no reason for a walk.
        sooner = f"({now:.1f} min, with the walk and what is left in it)"
        text = f"it costs no more now {sooner} than later ({sums.later:.1f} min)"
        job.reasons.append(Reason(WEIGHED, text, chance=sums.chance))
        return f"now costs {now:.1f} min, waiting {sums.later:.1f} min"
    return ""


def _choose_joining(stops: Sequence[_Stop], hands: Hands, day: date, until: date) -> None:
    """What joins a visit that is made anyway: what is expected by ``until`` and costs less now than later."""
    for stop in stops:
        if not any(decision == NOW for decision, _ in stop.chosen.values()):
            continue
        for job in stop.jobs:
            sums = stop.sums.get(job.key)
            if job.key in stop.chosen or job.key in stop.kept or sums is None or job.urgency or job.worth <= 0:
                continue
            if sums.waste >= sums.later or (job.lasts and sums.spare > MOST_GIVEN_UP * job.lasts):
                continue
            if (job.due or _middle(job, day)) > until:
                stop.later.add(job.key)
                continue
            if not all(hands.has(options, job.printer) for options in job.needs):
                stop.kept[job.key] = "it could join this visit, but none is on the shelf"
                continue
            job.urgency = JOINS
            stop.chosen[job.key] = (
                JOIN,
                (f"somebody goes there anyway: now costs {sums.waste:.1f} min, waiting {sums.later:.1f} min"),
            )
            stop.bring[job.key] = _taken(hands, job)


def _middle(job: Job, day: date) -> date:
    """The median day of its law."""
    return days_after(day, int(job.law[PROBABILITIES.index(0.5)])) if job.law is not None else date.max


def _taken(hands: Hands, job: Job) -> tuple[Bring, ...]:
    if job.unproven:
        return ()  # the part was taken when the service was logged
    return tuple(hands.take(options, job.unmet, job.printer) for options in job.needs)


# --- what is written -----------------------------------------------------------------------------------------------


def _written(stops: Sequence[_Stop], morning: Morning, now: datetime, day: date, zone: str, site: str) -> Round:
    visits: list[Visit] = []
    waits: list[tuple[tuple[bool, date], int, Wait]] = []
    weighings: list[Weighing] = []
    for stop in stops:
        cards: list[Card] = []
        for job in stop.jobs:
            sums = stop.sums.get(job.key)
            if job.key in stop.chosen:
                cards.append(_card(stop, job, sums, morning, day))
            elif _is_listed(stop, job, day):
                one = _wait(stop, job, sums, day)
                waits.append(((not one.is_due, one.due or date.max), len(waits), one))
            else:
                continue
            if sums is not None:
                weighings.append(_weighing(stop, job, sums))
        if cards:
            visit = visit_of(stop.spot, cards, morning.shelf.plans, stop.rhythm.walk, stop.next_day)
            visits.append(replace(visit, number=len(visits) + 1))
    carry, lacking = carried([one for visit in visits for card in visit.cards for one in card.bring])
    following = [visit.next_day for visit in visits if visit.next_day is not None]
    following = following or [stop.next_day for stop in stops if stop.next_day is not None and stop.open]
    return Round(
        site=site,
        day=day,
        next_day=min(following, default=None),
        as_of=now,
        zone=zone,
        visits=tuple(visits),
        waits=tuple(one for _, _, one in sorted(waits, key=lambda each: each[:2])),
        carry=carry,
        lacking=lacking,
        minutes=sum(visit.minutes + visit.walk for visit in visits),
        cautions=cautions.in_order(line for visit in visits for line in visit.cautions),
        weighings=tuple(weighings),
        remarks=tuple(dict.fromkeys(calls.remarks(morning.alarms, now))),
        currency=morning.currency,
    )


def _pages(job: Job, sums: Sums | None) -> float | None:
    return None if sums is None or job.pages_a_day is None else job.pages_a_day * sums.spare


def _card(stop: _Stop, job: Job, sums: Sums | None, morning: Morning, day: date) -> Card:
    reasons = list(job.reasons)
    if (when := run_out(job, sums, stop.next_day, day)) is not None:
        reasons.append(when)
    pages = _pages(job, sums)
    if stop.chosen[job.key][0] == JOIN:
        given = f"about {pages:,.0f} pages are given up" if pages is not None else "little is given up"
        if job.item is not None and sums is not None:
            given = f"its interval ends about {sums.spare:.0f} days early"
        text = f"not due yet, but somebody goes there anyway: {given}, a walk of {stop.rhythm.walk:.0f} min is saved"
        reasons.append(Reason(JOINING, text, chance=sums.chance if sums is not None else None))
    if not reasons:
        reasons.append(Reason(RUN_OUT, stop.chosen[job.key][1]))
    return card_of(job, reasons, stop.bring[job.key], None if pages is None else round(pages), morning.terms)


def _is_listed(stop: _Stop, job: Job, day: date) -> bool:
    if job.key in stop.kept or job.urgency or any(one.kind == BY_ALARM for one in job.reasons):
        return True
    if job.due is not None:
        return (job.due - day).days <= AHEAD_DAYS
    return bool(job.unclear) and job.item is not None


def _wait(stop: _Stop, job: Job, sums: Sums | None, day: date) -> Wait:
    printer = stop.spot.printer
    why = stop.kept.get(job.key, "")
    if why and job.urgency and not job.hold and (because := _because(stop, job, sums, day)):
        why = f"{why}; {because}"
    if not why and job.unclear:
        why = f"cannot be told yet: {clean(job.unclear, 250)}"
    if not why and sums is not None:
        why = _not_yet(stop, job, sums, day)
    return Wait(
        key=job.key,
        printer_id=printer.id,
        printer=clean(printer.name, 100) or clean(printer.address, 100),
        place=printer.place,
        deed=job.deed,
        title=job.title,
        why=why or "not due",
        due=job.due,
        next_day=stop.next_day,
        is_due=bool(job.urgency),
    )


def _because(stop: _Stop, job: Job, sums: Sums | None, day: date) -> str:
    """Why what is kept off the round is due all the same."""
    when = run_out(job, sums, stop.next_day, day)
    return "; ".join([*([] if when is None else [when.text]), *(one.text for one in job.reasons)][:2])


def _not_yet(stop: _Stop, job: Job, sums: Sums, day: date) -> str:
    when = run_out(job, sums, stop.next_day, day)
    words = [when.text if when is not None else f"chance {chance_words(sums.chance)} before the next round"]
    pages = _pages(job, sums)
    if pages is not None and job.worth > 0:
        words.append(f"now would give up about {pages:,.0f} pages")
    return "; ".join(words)


def _weighing(stop: _Stop, job: Job, sums: Sums) -> Weighing:
    decision, why = stop.chosen.get(job.key, (WAIT, stop.kept.get(job.key, "")))
    walk = 0.0 if decision == JOIN else stop.rhythm.walk
    if decision == WAIT and not why:
        why = f"now costs {sums.waste + walk:.1f} min, waiting {sums.later:.1f} min"
        if job.worth <= 0:
            why = "not due, and what is left in it cannot be valued"
        elif job.key in stop.later:
            why = "expected too late to join a visit (rounds.join_within)"
    money = None
    if job.money is not None:
        money = (job.money * Decimal(str(round(sums.spare, 6)))).quantize(Decimal("0.01"))
    return Weighing(
        key=job.key,
        printer_id=stop.spot.printer.id,
        printer=clean(stop.spot.printer.name, 100),
        title=job.title,
        decision=decision,
        why=why,
        chance=sums.chance,
        standstill=job.harm,
        risk=sums.chance * job.harm,
        pages=_pages(job, sums) or 0.0,
        money=money,
        waste=sums.waste,
        walk=walk,
        cost_now=sums.waste + walk,
        cost_later=sums.later,
        held=decision == NOW and job.key in stop.held,
    )
