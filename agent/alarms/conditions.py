"""What the rules find in the present: one condition for each rule and each part it looks at.

A condition says whether it holds now. ``None`` means that the present cannot decide, and the alarm keeps its state:
the printer is silent, the level is unknown, or the level lies within the deadband.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

from agent.alarms import rules as watch
from agent.alarms.outlook import Outlook, Prospect, Spare
from agent.alarms.rules import Rule
from agent.alarms.sites import Silence, silences, site_key, verdict
from agent.alarms.windows import Windows
from agent.alarms.wording import called, clean, percent, spaced, span
from agent.model.alarm import AgentHealth
from agent.model.day_words import day_words
from agent.model.fleet import Finding, PrinterView
from agent.model.insight import Gist, gists_of
from agent.model.reading import Alert, Mark, Supply

MOMENTARY = frozenset((watch.PRINTER_ALERT, watch.COUNTER_ODDITY, watch.SERVICE_UNPROVEN, watch.AGENT_UNWELL))
"""Kinds whose condition is over when it is not found; for the others what is not found has been taken away."""

BIT_SEVERITY = {
    "lowPaper": "warning",
    "lowToner": "warning",
    "serviceRequested": "warning",
    "outputNearFull": "warning",
    "overduePreventMaint": "warning",
    "noPaper": "critical",
    "noToner": "critical",
    "doorOpen": "critical",
    "jammed": "critical",
    "offline": "critical",
    "inputTrayMissing": "critical",
    "outputTrayMissing": "critical",
    "markerSupplyMissing": "critical",
    "outputFull": "critical",
    "inputTrayEmpty": "warning",
}
"""How grave each bit of hrPrinterDetectedErrorState is. The first octet after RFC 1514 (bits that mean ``warning`` or
``down``); the second octet follows the same thought: common practice, no source."""

BUFFER_HIGH, BUFFER_LOW = 0.8, 0.5
SWEEP_LOW = 0.9
PLENTY = 0.5
"""Where nothing can be forecast, a supply that shows so much will not run out soon: common practice, no source."""


About = Supply | Prospect | Alert | Finding | Silence | str


class Condition(NamedTuple):
    """One thing watched, now. ``active`` None: holds its state; ``known`` then tells a deadband from ignorance.

    ``part`` is what it is about: the Supply, its Prospect, Alert, Finding, error bit, Silence of a site, or part of the
    agent.
    """

    key: str
    rule: Rule
    view: PrinterView | None
    subject: str
    active: bool | None
    value: float | None
    limit: float | None
    part: About
    known: bool = True

    @property
    def severity(self) -> str:
        """The severity of the rule."""
        return self.rule.severity

    @property
    def printer_id(self) -> int | None:
        """The printer, or None for a site and for the agent itself."""
        return None if self.view is None else self.view.printer.id

    @property
    def text(self) -> str:
        """One line: what is the matter, without the printer's name."""
        return _text(self)


Found = tuple[str, bool | None, float | None, float | None, About, bool]


def conditions(rules: Sequence[Rule], view: PrinterView, now: datetime) -> Iterator[Condition]:
    """Every condition of ``rules`` at this printer, holding or not, in the order of the rules."""
    for rule in rules:
        look = _LOOKS.get(rule.when)
        if look is None or not rule.covers(view.printer):
            continue
        prefix = f"{rule.name}|{view.printer.id}|"
        seen: set[str] = set()
        for subject, active, value, limit, about, known in look(rule, view, now):
            if subject not in seen:
                seen.add(subject)
                yield Condition(prefix + subject, rule, view, subject, active, value, limit, about, known)


def site_conditions(
    rules: Sequence[Rule], whole: Iterable[PrinterView], now: datetime, windows: Windows
) -> Iterator[Condition]:
    """The conditions of the ``siteSilent`` rules over the whole fleet."""
    views = list(whole)
    for rule in rules:
        if rule.when == watch.SITE_SILENT:
            for one in silences(rule, views, now, windows):
                key, active = site_key(rule, one.site), verdict(rule, one)
                yield Condition(key, rule, None, one.site, active, round(one.share, 3), rule.share, one)


def outlook_conditions(
    rules: Sequence[Rule], view: PrinterView, outlook: Outlook, now: datetime
) -> Iterator[Condition]:
    """The conditions of the ``runOut`` rules at this printer. A silent printer's future is not known."""
    for rule in rules:
        if rule.when != watch.RUN_OUT or not rule.covers(view.printer):
            continue
        for place, gist in enumerate(gists_of(outlook.forecasts)):
            if rule.kinds and gist.kind not in rule.kinds:
                continue
            prospect = Prospect(outlook.forecasts, place, outlook.next_round, outlook.spares.get(gist.supply))
            chance = None
            until = outlook.round_at if rule.before_round else now + rule.ahead
            if view.reachable and until is not None:
                chance = _chance(prospect, gist, until)
            active = _will_run_out(rule, view, gist.supply, prospect.spare, chance)
            shown = None if chance is None else round(chance, 2)
            known = chance is not None or active is False
            key = f"{rule.name}|{view.printer.id}|{gist.supply}"
            yield Condition(key, rule, view, gist.supply, active, shown, rule.chance, prospect, known)


def _chance(prospect: Prospect, gist: Gist, until: datetime) -> float | None:
    """The chance that it runs out by then. Most of a fleet is far from that, and its forecasts need not be opened."""
    if gist.earliest is not None and not gist.sooner and until < gist.earliest:
        return 0.0
    empty = prospect.forecast.empty if gist.earliest is not None else None
    return None if empty is None else empty.chance_within((until - empty.start).total_seconds() / 86400)


def _will_run_out(rule: Rule, view: PrinterView, supply: str, spare: Spare | None, chance: float | None) -> bool | None:
    if rule.unstocked and view.reachable and (spare is None or not spare.is_lacking):
        return False
    if chance is None:
        return False if view.reachable and _plenty(view, supply) else None
    return True if chance >= rule.chance else False if chance < rule.chance - rule.deadband else None


def _plenty(view: PrinterView, key: str) -> bool:
    """Whether a new one was put in, of which nothing can be said yet but that there is plenty."""
    supplies = view.reading.supplies if view.reading else ()
    return any(one.key == key and (one.fraction or 0.0) >= PLENTY for one in supplies)


def _silence(rule: Rule, view: PrinterView, now: datetime) -> Iterator[Found]:
    yield "contact", not view.reachable and now - view.since >= rule.for_, None, None, "contact", True


def _share(supply: Supply) -> float | None:
    return 0.0 if supply.level == 0 else supply.fraction


def _below(rule: Rule, view: PrinterView, now: datetime) -> Iterator[Found]:
    receptacles = rule.when == watch.RECEPTACLE_NEARLY_FULL
    kinds, below = rule.kinds, rule.below or 0.0
    clear = min(1.0, below + rule.deadband)
    for supply in view.reading.supplies if view.reading else ():
        if supply.is_receptacle is not receptacles or (kinds and supply.kind not in kinds):
            continue
        share = _share(supply) if view.reachable else None
        if share is None:
            yield supply.key, None, None, below, supply, False
        elif share < below:
            yield supply.key, True, share, below, supply, True
        elif share >= clear - 1e-9:
            yield supply.key, False, share, below, supply, True
        else:
            yield supply.key, None, share, below, supply, True


def _empty(rule: Rule, view: PrinterView, now: datetime) -> Iterator[Found]:
    for supply in view.reading.supplies if view.reading else ():
        if supply.is_receptacle or (rule.kinds and supply.kind not in rule.kinds):
            continue
        level = supply.level
        if not view.reachable or level in (Mark.UNKNOWN, Mark.OTHER):
            yield supply.key, None, None, 0.0, supply, False
        else:
            yield supply.key, level == 0, 0.0 if level == 0 else supply.fraction, 0.0, supply, True


def _alerts(rule: Rule, view: PrinterView, now: datetime) -> Iterator[Found]:
    reading = view.reading
    if reading is None or not view.reachable:
        return
    wanted = rule.alert_severity or (() if rule.codes else ("critical",))
    for alert in reading.alerts:
        if (not wanted or alert.severity in wanted) and (not rule.codes or alert.code in rule.codes):
            yield f"{alert.code}:{alert.group}:{alert.group_index}", True, None, None, alert, True
    for bit in sorted(reading.errors):
        # A printer that keeps an alert table says the same there, and better; its bits count where a rule names them.
        by_name = bit in rule.codes and (not wanted or BIT_SEVERITY.get(bit) in wanted)
        if by_name or (not rule.codes and not reading.alerts and BIT_SEVERITY.get(bit) in wanted):
            yield f"bit:{bit}", True, None, None, bit, True


def _oddities(rule: Rule, view: PrinterView, now: datetime) -> Iterator[Found]:
    kinds = rule.kinds or watch.ODDITIES
    for finding in view.findings:
        if finding.kind in kinds:
            yield f"{finding.kind}:{finding.subject}", True, None, None, finding, True


def _unproven(rule: Rule, view: PrinterView, now: datetime) -> Iterator[Found]:
    for finding in view.findings:
        if finding.kind == watch.SERVICE_UNPROVEN:
            yield f"{finding.kind}:{finding.data.get('service')}", True, None, None, finding, True


_LOOKS: dict[str, Callable[[Rule, PrinterView, datetime], Iterator[Found]]] = {
    watch.SUPPLY_BELOW: _below,
    watch.RECEPTACLE_NEARLY_FULL: _below,
    watch.SUPPLY_EMPTY: _empty,
    watch.UNREACHABLE: _silence,
    watch.PRINTER_ALERT: _alerts,
    watch.COUNTER_ODDITY: _oddities,
    watch.SERVICE_UNPROVEN: _unproven,
}


def agent_conditions(rules: Sequence[Rule], health: AgentHealth) -> Iterator[Condition]:
    """The conditions of the ``agentUnwell`` rules: ``store``, ``buffer``, ``sweep`` and ``deadLetters``."""
    filled = health.buffered / health.buffer_limit if health.buffer_limit > 0 else 0.0
    slow = health.sweep_seconds / health.sweep_interval if health.sweep_interval > 0 else 0.0
    found: dict[str, tuple[bool | None, float | None]] = {
        "store": (health.store_failing_since is not None, None),
        "buffer": (_band(filled, BUFFER_HIGH, BUFFER_LOW), round(filled, 2)),
        "sweep": (_band(slow, 1.0 + 1e-9, SWEEP_LOW), round(slow, 1)),
        "deadLetters": (health.dead_letters > 0, float(health.dead_letters)),
    }
    for rule in rules:
        if rule.when == watch.AGENT_UNWELL:
            for subject in rule.kinds or watch.UNWELL:
                active, value = found[subject]
                yield Condition(f"{rule.name}|agent|{subject}", rule, None, subject, active, value, None, subject)


def _band(value: float, high: float, low: float) -> bool | None:
    if value >= high:
        return True
    return False if value < low else None


def _text(condition: Condition) -> str:
    about, value = condition.part, condition.value
    match about:
        case Supply():
            name = called(about.kind, about.colorant, about.description)
            if condition.rule.when == watch.SUPPLY_EMPTY and condition.active:
                return f"{name} {'are' if about.kind == 'staples' else 'is'} empty"
            unit = " space left" if about.is_receptacle else " left"
            left = percent(value) + unit if value is not None else "level unknown"
            limit = "" if not condition.limit else f" (limit {percent(condition.limit)})"
            return f"{name}: {left}{limit}"
        case Alert():
            said = clean(about.description)
            code = spaced(clean(about.code, 80))
            return f"{clean(about.severity, 40)} alert: {code}" + (f" ({said})" if said else "")
        case Finding():
            return clean(about.text, 300) or spaced(clean(about.kind, 60))
        case Silence() | Prospect():
            return _wide_text(condition, about)
    return _word_text(condition, about)


def _wide_text(condition: Condition, about: Silence | Prospect) -> str:
    if isinstance(about, Silence):
        where = f" at {clean(about.site)}" if about.site else " without a site"
        return f"{about.silent} of {about.printers} printers{where} do not answer"
    chance = f" (chance {percent(condition.value)})" if condition.value is not None else ""
    rule, forecast = condition.rule, about.forecast
    word = "will be full" if forecast.kind.startswith("waste") else "will run out"
    until = f"within {span(rule.ahead)}"
    if rule.before_round:
        until = "before the next round" + (f" ({day_words(about.next_round)})" if about.next_round else "")
    lacking = ", and none is on the shelf" if about.spare is not None and about.spare.is_lacking else ""
    return f"{called(forecast.kind, forecast.colorant, forecast.description)} {word} {until}{chance}{lacking}"


def _gone(subject: str) -> str:
    """What an alarm was about that the printer says no more, by the subject of its key: nothing else is left of it."""
    kind, _, rest = subject.partition(":")
    group, _, index = rest.rpartition(":")
    if group:
        return f"alert: {spaced(kind)} ({spaced(group)} {index})"
    if kind == "bit" or not rest:
        return f"printer reports: {spaced(rest or kind)}"
    return f"{spaced(kind)}: {spaced(rest)}"


def _word_text(condition: Condition, about: str) -> str:
    value = condition.value or 0.0
    if condition.view is None:
        return {
            "store": "the agent cannot write its history",
            "buffer": f"readings wait in memory: the buffer is filled to {percent(value)}",
            "sweep": f"a sweep takes longer than its interval ({value:.1f} times)",
        }.get(about, f"{value:.0f} messages could not be delivered and were given up")
    if about == "contact":
        return "answers again" if condition.view.reachable else "does not answer"
    return _gone(clean(about, 80))
