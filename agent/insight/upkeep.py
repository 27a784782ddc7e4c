"""Upkeep: which plan is due when at a printer, by pages, by days, after an exchange, or because the printer says so."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from agent.insight import disagreements, reach
from agent.insight.deeds import SAME, SERVICE, SWAPPED, services, swaps
from agent.insight.logbook import holding
from agent.insight.meter import meter
from agent.insight.scene import Ground, Scene, together
from agent.model.alert_words import said_by
from agent.model.day_words import day_words
from agent.model.fleet import LedgerEntry
from agent.model.insight import Dates
from agent.model.shelf import fits, names_supply
from agent.model.upkeep import (
    DUE,
    FINE,
    NOT_KNOWN,
    NOT_RESET,
    OVERDUE,
    SOON,
    URGENCY,
    Begin,
    Plan,
    PrinterUpkeep,
    UpkeepItem,
)
from agent.model.wording import supply_words

SOON_DAYS = 14
FOLLOW_DAYS = 60
"""An exchange longer ago than this asks for nothing any more (common practice, no source)."""
REPORTED = "reported"
"""The name of the item that holds what the printer reports and no plan claims."""
COLOURS = frozenset({"cyan", "magenta", "yellow"})
"""A printer with a supply of one of these colorants is a colour printer."""
_EARLY = re.compile(r"Almost|NearLimit")
_LIFE = re.compile(r"(LifeAlmostOver|LifeOver|NearLimit|AtLimit)$")
_KIND_OF_CODE = (("markerOpc", "opc"), ("markerWasteToner", "wasteToner"), ("markerDeveloper", "developer"))
MAINTENANCE_BIT = "overduePreventMaint"


def upkeep(ground: Ground, plans: Sequence[Plan], as_of: datetime) -> PrinterUpkeep:
    """All upkeep of one printer as of a moment. ``as_of`` must say its offset (ValueError otherwise)."""
    if as_of.tzinfo is None:
        raise ValueError(f"as_of {as_of.isoformat()} does not say its offset from UTC")
    printer = ground.history.printer
    names = [plan.name for plan in plans]
    keys = tuple(dict.fromkeys(track.key for track in ground.history.supplies))
    told = [one for one in ground.history.ledger if one.printer_id in (None, printer.id)]
    ledger = holding(told, as_of)
    scene = Scene(
        ground,
        as_of,
        reach.day_in(printer.place.zone, as_of),
        meter(ground.history, as_of),
        [one for one in services(ledger, as_of) if one.printer_id == printer.id],
        swaps(
            [*ledger, *_renewals(ledger, keys, plans)],
            as_of,
            ((printer.id, life) for life in ground.insight.lives),
            plans=names,
        ),
        keys,
    )
    colour = any(track.colorant in COLOURS for track in ground.history.supplies)
    chosen = [plan for plan in plans if fits(printer.model, plan.models) and (colour or not plan.colour_only)]
    found = disagreements.find(scene, chosen)
    stubborn = {one.plan for one in found if one.kind == NOT_RESET}
    notes: list[str] = []
    says = _reports(scene, chosen)
    items = [_item(scene, plan, says.pop(plan.name, ()), plan.name in stubborn, notes) for plan in chosen]
    if unclaimed := says.get(REPORTED):
        items.append(_unplanned(scene, unclaimed))
    items.sort(key=_urgency)
    return PrinterUpkeep(printer.id, as_of, tuple(items), tuple(found), tuple(notes))


def _renewals(ledger: Sequence[LedgerEntry], keys: Sequence[str], plans: Sequence[Plan]) -> list[LedgerEntry]:
    """What the services of plans say about the supplies that they renew."""
    by_name = {plan.name: plan for plan in plans if plan.renews}
    return [
        replace(entry, kind=SWAPPED, subject=key, data={"plan": entry.subject})
        for entry in ledger
        if entry.kind == SERVICE and entry.subject in by_name
        for key in keys
        if names_supply(key, by_name[entry.subject].renews)
    ]


def _urgency(item: UpkeepItem) -> tuple[int, date, str]:
    return URGENCY.index(item.state), item.expected.p50 if item.expected else date.max, item.plan


# --- what the printer says -----------------------------------------------------------------------------------------


def _reports(scene: Scene, plans: Sequence[Plan]) -> dict[str, tuple[str, ...]]:
    """What the printer reports, by the plan whose matter it is; the rest under ``REPORTED``."""
    status = scene.ground.status
    if status is None:
        return {}
    made: dict[str, list[str]] = {}
    told: list[tuple[str, str | None]] = [(code, None) for code in sorted(status.errors)]
    for alert in status.alerts:
        row = scene.ground.rows.get(alert.group_index) if alert.group == "markerSupplies" else None
        told.append((alert.code, row))
    for code, row in told:
        owners = [plan.name for plan in plans if _concerns(scene, plan, code, row)]
        if not owners and (code == MAINTENANCE_BIT or _LIFE.search(code)):
            owners = [REPORTED]
        for owner in owners:
            if code not in made.setdefault(owner, []):
                made[owner].append(code)
    return {owner: tuple(codes) for owner, codes in made.items()}


def _concerns(scene: Scene, plan: Plan, code: str, row: str | None) -> bool:
    if code in plan.reports:
        return True
    if not _LIFE.search(code) and not any(code.startswith(start) for start, _ in _KIND_OF_CODE):
        return False
    keys = scene.supplies(plan)
    if row is not None:
        return row in keys
    return any(code.startswith(start) and any(key.startswith(kind) for key in keys) for start, kind in _KIND_OF_CODE)


def _unplanned(scene: Scene, codes: tuple[str, ...]) -> UpkeepItem:
    state = SOON if all(_EARLY.search(code) for code in codes) else DUE
    return UpkeepItem(
        scene.printer_id,
        REPORTED,
        "What the printer asks for by itself",
        state,
        Begin(None, None, assumed=True),
        scene.meter.now if scene.meter else None,
        None,
        None,
        None,
        None,
        None,
        "no plan says when it is due",
        (
            f"the printer says so: {', '.join(map(said_by, codes))}; no plan in the settings claims "
            f"{', '.join(codes)} (upkeep, reports)",
        ),
        codes,
        None,
        (),
        (),
        None,
        (),
        planned=False,
    )


# --- one plan ------------------------------------------------------------------------------------------------------


def _item(scene: Scene, plan: Plan, codes: tuple[str, ...], stubborn: bool, notes: list[str]) -> UpkeepItem:
    keys = scene.supplies(plan)
    begin, because = _begin(scene, plan, keys, notes)
    left, due_count = _by_count(scene, plan, begin, notes)
    due_day = _by_days(scene, plan, begin)
    followed, why = _follow_up(scene, plan, begin)
    because += why
    if codes and not stubborn:
        because.append(f"the printer says so: {', '.join(map(said_by, codes))}")
    expected, reason = _expected(scene, plan, keys, left, due_day)
    if followed is not None:
        expected = reach.sooner(expected, scene.today)
    overdue_days = (scene.today - due_day).days if due_day is not None and due_day <= scene.today else None
    if left is not None and left <= 0:
        because.insert(0, f"overdue by {-left:,} impressions" if left else "due at exactly this count")
    if overdue_days:
        because.insert(0, f"overdue by {overdue_days} day{'' if overdue_days == 1 else 's'}")
    state = _state(scene, plan, left, due_day, expected, followed, () if stubborn else codes)
    return UpkeepItem(
        scene.printer_id,
        plan.name,
        plan.what or plan.name,
        state,
        begin,
        scene.meter.now if scene.meter else None,
        due_count,
        left,
        due_day,
        overdue_days,
        expected,
        None if expected is not None else reason,
        tuple(because),
        codes,
        followed,
        keys,
        plan.needs,
        plan.minutes,
        plan.cautions,
    )


def _begin(scene: Scene, plan: Plan, keys: tuple[str, ...], notes: list[str]) -> tuple[Begin, list[str]]:
    """Where the present interval began: the last service; a new part that the printer shows; or nobody knows."""
    service = scene.last_service(plan)
    seen = together(keys, [one for one in scene.swaps if one.seen])
    if seen is not None and (service is None or seen.at > service.at + SAME):
        count = scene.meter.shown_at(seen.at) if scene.meter else None
        day = day_words(reach.day_in(scene.zone, seen.at), scene.today)
        return Begin(seen.at, count, assumed=True), [
            f"reckoned from the new part that the printer shows since {day}; nobody logged the service"
        ]
    if service is not None:
        count = service.count
        odd = ""
        if scene.meter is not None:
            odd = scene.meter.since(service.at, count)[1]
            if count is None or odd:
                count = scene.meter.shown_at(service.at)
        if odd:
            notes.append(f"{plan.name}: {odd}")
        return Begin(service.at, count, service.who), []
    if plan.impressions is None and plan.days is None:
        return Begin(None, None, assumed=True), []
    return Begin(None, None, assumed=True), [
        f"no service is logged, so it is taken to have been kept so far; log the last one: lowmark service PRINTER "
        f"--did {plan.name}"
    ]


def _by_count(scene: Scene, plan: Plan, begin: Begin, notes: list[str]) -> tuple[int | None, int | None]:
    """Impressions left, and the counter at which it is due."""
    if plan.impressions is None or scene.meter is None:
        return None, None
    now = scene.meter.now
    if begin.at is None:
        left = plan.impressions - now % plan.impressions
        return left, now + left
    gone, _ = scene.meter.since(begin.at, begin.count)
    if gone is None:
        # The service lies before the history, and nobody wrote the counter down: only what was seen is known.
        notes.append(
            f"{plan.name}: the counter at the service of {reach.day_in(scene.zone, begin.at)} is not known; log it "
            f"again with --counter"
        )
        return None, None
    left = plan.impressions - round(gone)
    return left, now + left


def _by_days(scene: Scene, plan: Plan, begin: Begin) -> date | None:
    if plan.days is None:
        return None
    at = begin.at or scene.ground.history.printer.first_seen
    if at is None and scene.ground.history.contacts:
        at = scene.ground.history.contacts[0].first
    return None if at is None else reach.days_after(reach.day_in(scene.zone, at), plan.days)


def _follow_up(scene: Scene, plan: Plan, begin: Begin) -> tuple[datetime | None, list[str]]:
    """Since when an exchange asks for this, and why; None when none does or all were followed."""
    if not plan.after:
        return None, []
    closed = max((one.at for one in scene.services if one.subject == plan.name), default=None)
    oldest = scene.as_of - timedelta(days=FOLLOW_DAYS)
    causes = [
        (one.at, one.supply)
        for one in scene.swaps
        if names_supply(one.supply, plan.after) and one.at > oldest and (closed is None or one.at > closed)
    ]
    causes += [
        (one.at, one.subject)
        for one in scene.services
        if one.subject in plan.after and one.at > oldest and (closed is None or one.at > closed)
    ]
    if not causes:
        return None, []
    said = {subject: reach.day_in(scene.zone, at) for at, subject in sorted(causes)}
    words = ", ".join(f"{supply_words(subject)} ({day_words(day, scene.today)})" for subject, day in said.items())
    return min(at for at, _ in causes), [f"due after the exchange of {words}"]


def _expected(
    scene: Scene, plan: Plan, keys: tuple[str, ...], left: int | None, due_day: date | None
) -> tuple[Dates | None, str]:
    """The day on which it will be due."""
    found: Dates | None = None
    reason = "it has no interval; it comes due by what happens"
    if plan.impressions is not None and left is not None and scene.meter is not None:
        name = scene.meter.name
        usage = next((one for one in scene.ground.insight.usage if one.counter == name), None)
        if left <= 0:
            found = Dates(scene.today, scene.today, scene.today)
        elif usage is not None:
            start = min(scene.meter.latest_at, scene.as_of)
            found = reach.dates_of(usage, left, scene.zone, start, scene.as_of, scene.ground.off)
        if found is None:
            reason = (usage.reason if usage is not None else "") or "how much this printer prints is not known yet"
    elif plan.impressions is not None:
        reason = "the printer has no counter that says how much it printed"
        if scene.meter is not None:
            reason = "the counter at the last service is not known"
    if found is None and keys and plan.impressions is None:
        gauges = [one for one in scene.ground.insight.forecasts if one.supply in keys]
        dated = [one.empty_dates for one in gauges if one.empty_dates is not None]
        found = min(dated, key=lambda one: one.p50, default=None)
        if found is None and gauges:
            reason = gauges[0].reason or reason
    return reach.sooner(found, due_day), reason


def _state(
    scene: Scene,
    plan: Plan,
    left: int | None,
    due_day: date | None,
    expected: Dates | None,
    followed: datetime | None,
    codes: tuple[str, ...],
) -> str:
    if (left is not None and left <= 0) or (due_day is not None and due_day < scene.today):
        return OVERDUE
    if followed is not None or due_day == scene.today or any(not _EARLY.search(code) for code in codes):
        return DUE
    if codes or (expected is not None and (expected.p50 - scene.today).days <= SOON_DAYS):
        return SOON
    if expected is None and (plan.impressions is not None or plan.days is not None) and left is None:
        return NOT_KNOWN
    return FINE
