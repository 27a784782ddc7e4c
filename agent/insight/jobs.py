"""What there is to do at one printer: run-outs and upkeep as jobs, each once, with what it needs to be weighed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache

from agent.insight import worth
from agent.insight.far import Far
from agent.insight.handwork import PLAN_MINUTES, STOPPING
from agent.insight.orders import law_of_days
from agent.insight.reach import day_in
from agent.insight.shelf import Shelf
from agent.model import upkeep as plans
from agent.model.alarm import AlarmRecord
from agent.model.alert_words import said_by
from agent.model.day_words import day_words
from agent.model.dregs import dregs_words
from agent.model.fleet import Printer
from agent.model.insight import PROBABILITIES, Forecast, Insight, Life, gists_of
from agent.model.proof import Proof
from agent.model.round import (
    COUNTER,
    DAYS,
    DUE,
    EMPTY,
    FOLLOWS,
    OVERDUE,
    REPORTED,
    STANDS,
    URGENCY,
    Reason,
    RoundTerms,
)
from agent.model.shelf import ShelfState, SparePart
from agent.model.upkeep import Plan, PrinterUpkeep, UpkeepItem
from agent.model.wording import clean, part

_REFILLED = frozenset({"staples", "stitchingWire"})


@dataclass(frozen=True, slots=True)
class Spot:
    """One printer as the round sees it.

    ``empty``: keys of the supplies that show nothing left (receptacles: no space). ``rows``: prtMarkerSuppliesIndex ->
    supply key, for alerts about a supply. ``insight``, ``upkeep``: None where they are not reckoned yet.
    """

    printer: Printer
    insight: Insight | None = None
    upkeep: PrinterUpkeep | None = None
    empty: frozenset[str] = frozenset()
    rows: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Morning:
    """All that a round is planned from, as of one moment. ``proofs``: of services that are not proven yet.

    ``zone``: the agent's own time zone; sites have theirs.
    """

    spots: Sequence[Spot]
    shelf: Shelf
    stock: ShelfState
    terms: RoundTerms = field(default_factory=RoundTerms)
    alarms: Sequence[AlarmRecord] = ()
    proofs: Sequence[Proof] = ()
    zone: str = "UTC"
    currency: str = ""


@dataclass(slots=True)
class Job:
    """One thing to do at one printer, while the round is being planned.

    ``urgency``: why it is due by itself; "" when it is not. ``law``: days from now until it runs dry or falls due, as
    quantiles at PROBABILITIES. ``pages_a_day``: impressions that a day of its life is; ``worth``: the same in minutes
    of work, ``money``: in the shelf's currency, where a price is known. ``lasts``: days from new to its end.
    ``needs``: for each part wanted those that would do. ``hold``: why it stays off the round although it may be due;
    ``shelved``: because somebody shelved its alarm. ``lives``: those at its printer; of the supply ``seen`` it is told
    what is shown.
    """

    printer: Printer
    deed: str
    key: str
    title: str
    supply: str = ""
    kind: str = ""
    colorant: str | None = None
    forecast: Forecast | None = None
    item: UpkeepItem | None = None
    plan: Plan | None = None
    urgency: str = ""
    law: tuple[float, ...] | None = None
    due: date | None = None
    harm: float = 0.0
    pages_a_day: float | None = None
    worth: float = 0.0
    money: Decimal | None = None
    lasts: float | None = None
    needs: tuple[tuple[SparePart, ...], ...] = ()
    unmet: str = ""
    reasons: list[Reason] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)
    first: str = ""
    minutes: int | None = None
    kinds: tuple[str, ...] = ()
    unproven: bool = False
    hold: str = ""
    unclear: str = ""
    shelved: bool = False
    lives: Sequence[Life] = ()
    seen: str = ""

    def shown(self) -> tuple[float | None, bool]:
        """What the printer last showed of the life that goes on, and whether it only ever says that some is left."""
        now = next((one for one in self.lives if one.supply == self.seen and one.removed is None), None)
        return (None, False) if now is None else (now.end_level, now.start_level is None and now.end_level is None)

    def press(self, urgency: str) -> None:
        """It is at least so urgent."""
        if not self.urgency or URGENCY.index(urgency) < URGENCY.index(self.urgency):
            self.urgency = urgency


@lru_cache(maxsize=8192)
def slug(text: str) -> str:
    """Text as a part of a key: ``:`` becomes ``.``; what is not safe in a URL path becomes ``~`` and its octets."""
    made = []
    for sign in text:
        if sign.isascii() and (sign.isalnum() or sign in "-_"):
            made.append(sign)
        elif sign == ":":
            made.append(".")
        else:
            made.append("".join(f"~{octet:02X}" for octet in sign.encode("utf-8", "replace")))
    return "".join(made)


def key_of(printer_id: int, deed: str) -> str:
    """The key of a card: ``17.toner.cyan``."""
    return f"{printer_id}.{slug(deed)}"


@lru_cache(maxsize=8192)
def supply_title(kind: str, colorant: str | None, key: str, description: str = "") -> str:
    """``Exchange the cyan toner``."""
    name = part(kind, colorant)
    if kind in ("other", "unknown", "") and description:
        name = clean(description, 60)
    again = key.partition("#")[2].partition(" ")[0]
    verb = "Refill the" if kind in _REFILLED else "Exchange the"
    return f"{verb} {name}" + (f" {clean(again, 10)}" if again else "")


def gather(spot: Spot, morning: Morning, now: datetime, far: Far | None = None) -> dict[str, Job]:
    """The jobs of one printer by the key of their card: its supplies and its plans, due or not.

    ``far``: leave out what lies beyond it (None: nothing).
    """
    today = day_in(spot.printer.place.zone, now)
    supplies: dict[str, Job] = {}
    left_out: dict[str, int] = {}
    told = spot.insight.forecasts if spot.insight is not None else ()
    for place, gist in enumerate(gists_of(told)):
        if far is not None and gist.supply not in spot.empty and far.leaves_out(gist, now):
            left_out.setdefault(gist.supply, place)
            continue
        job = _supply_job(spot, told[place], morning, now)
        supplies.setdefault(job.supply, job)
    for key in sorted(spot.empty - supplies.keys()):
        supplies[key] = bare_supply(spot.printer, key, morning)
    for key in spot.empty:
        _is_empty(supplies[key])
    made: dict[str, Job] = {}
    names = {plan.name: plan for plan in morning.shelf.plans}
    for item in spot.upkeep.items if spot.upkeep is not None else ():
        absorbed = [supplies.pop(key) for key in item.supplies if item.planned and key in supplies]
        if far is not None and not absorbed and far.leaves_out_plan(item, names.get(item.plan), today):
            continue
        absorbed += [
            _supply_job(spot, told[left_out.pop(key)], morning, now)
            for key in item.supplies
            if item.planned and key in left_out
        ]
        job = _plan_job(spot, item, names.get(item.plan), absorbed, morning, today)
        made[job.key] = job
    made |= {job.key: job for job in supplies.values()}
    return made


# --- supplies ------------------------------------------------------------------------------------------------------


def bare_supply(printer: Printer, key: str, morning: Morning) -> Job:
    """A job about a supply of which there is no forecast."""
    bare = key.partition(" (")[0]
    kind, _, colour = bare.partition("#")[0].partition(":")
    colorant = colour or None
    found = morning.shelf.fitting(printer.model, key)
    title = supply_title(kind, colorant, bare)
    job = Job(printer, bare, key_of(printer.id, key), title, key, kind, colorant, kinds=(kind,))
    job.harm = worth.harm(kind, morning.terms)
    job.needs = (tuple(found),)
    job.unmet = _unmet(kind, colorant, printer.model)
    return job


@lru_cache(maxsize=8192)
def _unmet(kind: str, colorant: str | None, model: str) -> str:
    return f"{part(kind, colorant)} for {clean(model, 60) or 'this printer'}"


def _supply_job(spot: Spot, forecast: Forecast, morning: Morning, now: datetime) -> Job:
    job = bare_supply(spot.printer, forecast.supply, morning)
    job.kind, job.colorant, job.kinds = forecast.kind, forecast.colorant, (forecast.kind,)
    job.title = supply_title(forecast.kind, forecast.colorant, forecast.supply.partition(" (")[0], forecast.description)
    job.unmet = _unmet(job.kind, job.colorant, spot.printer.model)
    job.harm = worth.harm(job.kind, morning.terms)
    job.forecast = forecast
    job.lives, job.seen = spot.insight.lives if spot.insight is not None else (), forecast.supply
    if forecast.empty is None:
        job.unclear = forecast.reason or "nothing is known yet"
        return job
    lag = (now - forecast.empty.start) / timedelta(days=1)
    job.law = tuple(max(0.0, one - lag) for one in forecast.empty.days)
    job.due = forecast.empty_dates.p50 if forecast.empty_dates is not None else None
    _value(job, spot, forecast, morning.terms)
    return job


def _value(job: Job, spot: Spot, forecast: Forecast, terms: RoundTerms) -> None:
    """What a day of its remaining life is worth."""
    middle = forecast.empty.quantile(0.5) if forecast.empty is not None else 0.0
    life = middle / forecast.level if forecast.level is not None and forecast.level > 0.02 else None
    job.lasts = life
    left = forecast.pages_left[1] if forecast.pages_left is not None else None
    rate = left / middle if left is not None and middle > 0.5 else worth.rate(spot.insight)
    chosen = job.needs[0][0] if job.needs and job.needs[0] else None
    if rate is not None and rate > 0:
        job.pages_a_day = rate
        price = chosen.price if chosen is not None else None
        whole = worth.whole(spot.insight, forecast, chosen, left) if price is not None else None
        if price is not None and whole:
            job.money = price * Decimal(str(round(rate / whole, 9)))
            job.worth = float(job.money / terms.minute)
        else:
            job.worth = rate / terms.pages * worth.share(job.kind)
        return
    if life is not None and life > 1:
        whole_one = worth.USUAL_PAGES / terms.pages * worth.share(job.kind)
        if chosen is not None and chosen.price is not None:
            job.money = chosen.price / Decimal(str(round(life, 3)))
            whole_one = float(chosen.price / terms.minute)
        job.worth = whole_one / life


def _is_empty(job: Job) -> None:
    full = job.kind.startswith("waste")
    job.press(STANDS if job.kind in STOPPING else OVERDUE)
    job.law = (0.0,) * len(PROBABILITIES)
    name = part(job.kind, job.colorant)
    text = f"the {name} is full" if full else f"nothing is left of the {name}"
    if dregs := dregs_words(job.forecast):
        text = (
            f"the printer shows {'no space' if full else 'nothing'} left {'in' if full else 'of'} the {name}; {dregs}"
        )
    job.reasons.append(Reason(EMPTY, text, chance=1.0))


# --- plans ---------------------------------------------------------------------------------------------------------


def _plan_job(
    spot: Spot, item: UpkeepItem, plan: Plan | None, absorbed: Sequence[Job], morning: Morning, today: date
) -> Job:
    title, deed = clean(item.what, 200), item.plan
    if not item.planned:
        deed = ""
        title = "See to what the printer asks for"
    job = Job(spot.printer, deed, key_of(spot.printer.id, item.plan), title, item=item, plan=plan)
    job.codes = list(item.reported)
    job.kinds = tuple(dict.fromkeys(one.kind for one in absorbed)) or tuple(
        dict.fromkeys(key.partition(":")[0].partition("#")[0] for key in item.supplies)
    )
    job.minutes = item.minutes
    job.needs = tuple(_named(morning, name) for name in item.needs) or tuple(one.needs[0] for one in absorbed)
    job.unmet = ", ".join(one.unmet for one in absorbed)
    job.harm = max([morning.terms.late, *(one.harm for one in absorbed)])
    job.due = item.expected.p50 if item.expected is not None else None
    if item.state == plans.OVERDUE:
        job.press(OVERDUE)
    elif item.state == plans.DUE:
        job.press(DUE)
    elif item.state == plans.NOT_KNOWN:
        job.unclear = item.reason or "it is not known when it is due"
    if job.urgency:
        job.law = (0.0,) * len(PROBABILITIES)
    elif item.expected is not None:
        job.law = law_of_days(item.expected, today)
    job.reasons = list(_why(item, today))
    _plan_value(job, spot, morning.terms)
    for one in absorbed:
        _take_in(job, one)
    return job


def _named(morning: Morning, name: str) -> tuple[SparePart, ...]:
    found = morning.shelf.part(name)
    return (found if found is not None else SparePart(name),)


def _why(item: UpkeepItem, today: date) -> Iterable[Reason]:
    if item.left is not None and item.count is not None and item.due_count is not None:
        word = f"{item.left:,} left" if item.left > 0 else f"over by {-item.left:,}" if item.left else "just now"
        text = f"counter {item.count:,} against {item.due_count:,}: {word}"
        yield Reason(COUNTER, text, count=item.count, due_count=item.due_count)
    if item.due_day is not None:
        late = f", {item.overdue_days} days ago" if item.overdue_days else ""
        yield Reason(DAYS, f"due by days on {day_words(item.due_day, today)}{late}", p50=item.due_day)
    if item.reported:
        yield Reason(REPORTED, f"the printer says so: {', '.join(map(said_by, item.reported))}")
    if item.followed is not None:
        text = next((one for one in item.because if one.startswith("due after")), "due after an exchange")
        yield Reason(FOLLOWS, clean(text, 300), since=item.followed)


def _plan_value(job: Job, spot: Spot, terms: RoundTerms) -> None:
    """What a day of its interval is worth: the work and the parts, spread over the interval."""
    item, plan = job.item, job.plan
    prices = [options[0].price for options in job.needs if options and options[0].price is not None]
    money = sum(prices, Decimal(0))
    work = float(item.minutes or PLAN_MINUTES) if item is not None else float(PLAN_MINUTES)
    whole = work + float(money / terms.minute)
    rate = worth.rate(spot.insight)
    days = None
    if plan is not None and plan.impressions is not None and rate:
        job.pages_a_day = rate
        days = plan.impressions / rate
    elif plan is not None and plan.days is not None:
        days = float(plan.days)
    job.lasts = days
    if days:
        job.worth = whole / days
        job.money = money / Decimal(str(round(days, 6))) if money else None


def _take_in(job: Job, other: Job) -> None:
    """A supply that the plan renews: its run-out, and what is said of it, belong to the plan's job."""
    if other.urgency:
        job.press(other.urgency)
    job.reasons = [*other.reasons, *job.reasons]
    if job.forecast is None or (other.due is not None and (job.due is None or other.due < job.due)):
        job.forecast = other.forecast or job.forecast
        job.kind, job.colorant = other.kind, other.colorant
    job.supply = job.supply or other.supply
    job.lives, job.seen = other.lives, other.seen
    if other.law is not None:
        job.law = other.law if job.law is None else tuple(min(pair) for pair in zip(job.law, other.law, strict=True))
        job.due = min((one for one in (job.due, other.due) if one is not None), default=None)
        job.unclear = ""
    job.lasts = job.lasts or other.lasts
    if not job.worth:
        job.worth, job.pages_a_day, job.money = other.worth, other.pages_a_day, other.money
