"""Judging: what the present means for every alarm. One pure function; the store commits its result as one whole.

    for each condition     step: the table of the lifecycle, with its delays
    for each other record  its subject is gone (the alarm closes), its condition is over, or nothing is known
    for each alarm         does another one stand for it (suppressed by design)? the shelf's limit, the severity of the
                           rule, and then: is anybody told?

Records and messages are saved in one transaction, so a crash leaves either both or none, and judging again gives the
same again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from agent.alarms.conditions import (
    MOMENTARY,
    Condition,
    agent_conditions,
    conditions,
    outlook_conditions,
    site_conditions,
)
from agent.alarms.facts import facts
from agent.alarms.lifecycle import TABLE, Event, apply, entry, expire, newborn, release, step, suppress
from agent.alarms.outlook import Outlook, Outlooks
from agent.alarms.precedence import gravest_first
from agent.alarms.roots import Cause, Roots
from agent.alarms.routes import Routes
from agent.alarms.rules import AGENT_UNWELL, RUN_OUT, SITE_SILENT, UNREACHABLE, Rule
from agent.alarms.sites import Silence, has_site_rules
from agent.alarms.telling import EVERYWHERE, tell
from agent.alarms.windows import PREFIX, Window, Windows
from agent.model.alarm import AgentHealth, AlarmRecord, AlarmState, Message
from agent.model.fleet import LedgerEntry, PrinterView

_NOTHING = Outlook()
KEPT = timedelta(days=30)
"""How long the record of an alarm is kept after it became normal; the ledger keeps its story for good."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is to be saved, all at once: records that changed, lines for the ledger, messages for the outbox.

    ``gone``: keys of records that need not be kept any longer; they are not among ``records``.
    """

    records: tuple[AlarmRecord, ...] = ()
    ledger: tuple[LedgerEntry, ...] = ()
    messages: tuple[Message, ...] = ()
    gone: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.records or self.ledger or self.messages or self.gone)


def judge(  # noqa: PLR0913 - all that a judgement depends on is an argument
    rules: Sequence[Rule],
    views: Sequence[PrinterView],
    records: Mapping[str, AlarmRecord],
    now: datetime,
    *,
    health: AgentHealth | None = None,
    fleet: Collection[int] | None = None,
    whole: Sequence[PrinterView] | None = None,
    outlooks: Outlooks | None = None,
    routes: Routes = EVERYWHERE,
    windows: Sequence[Window] = (),
) -> Judgement:
    """Judge ``views`` by ``rules``. ``records``: every alarm on record, by key.

    ``views`` may be a part of the fleet: alarms of printers that are not among them keep their state. ``fleet``: the
    ids of all printers that are still watched; the alarms of others are closed. None: that is not known now.
    ``whole``: the views of the whole fleet, for rules about whole sites; None: nothing is said of sites now.
    ``outlooks``: what is forecast of printers, for rules about run-outs. ``health`` None: nothing is said of the agent
    itself now. ``routes``: what each channel takes, and when. ``windows``: the maintenance windows.
    """
    return _Judge(rules, records, now, health, outlooks or {}, routes, windows).judge(views, fleet, whole)


@dataclass(slots=True)
class _Case:
    """One alarm while it is judged: as it was, as it is after its condition; ``ended``: why it was closed."""

    before: AlarmRecord
    record: AlarmRecord
    ended: str = ""


class _Judge:
    def __init__(
        self,
        rules: Sequence[Rule],
        records: Mapping[str, AlarmRecord],
        now: datetime,
        health: AgentHealth | None,
        outlooks: Outlooks,
        routes: Routes,
        windows: Sequence[Window],
    ) -> None:
        self.routes = routes
        self.rules = {rule.name: rule for rule in rules}
        self.records = records
        self.now = now
        self.health = health
        self.outlooks = outlooks
        self.batch = now.isoformat()
        self.cases: dict[str, _Case] = {}
        self.roots = Roots(self.rules, Windows(windows, now), routes, self._at)
        self.changed: list[AlarmRecord] = []
        self.ledger: list[LedgerEntry] = []
        self.messages: list[Message] = []
        self.gone: list[str] = []

    def judge(
        self, views: Sequence[PrinterView], fleet: Collection[int] | None, whole: Sequence[PrinterView] | None
    ) -> Judgement:
        rules, now = gravest_first(self.rules.values()), self.now
        by_id = {view.printer.id: view for view in views}
        self.roots.know(views, whole)
        sites = None
        if whole is not None and has_site_rules(rules):
            sites = list(site_conditions(rules, whole, now, self.roots.windows))
        self._meet(sites or ())
        for record in self.records.values():
            self.roots.add_site(self._latest(record))
        for case in self.cases.values():
            self.roots.add_site(case.record)
        for view in views:
            self._meet(conditions(rules, view, now))
            self._meet(outlook_conditions(rules, view, self.outlooks.get(view.printer.id, _NOTHING), now))
        if self.health is not None:
            self._meet(agent_conditions(rules, self.health))
        for key, record in self.records.items():
            if key not in self.cases:
                self._without_condition(record, by_id, fleet, sites is not None)
        for case in self.cases.values():
            self.roots.add_printer(case.record)
        for case in self.cases.values():
            self._settle(case, by_id)
        return Judgement(tuple(self.changed), tuple(self.ledger), tuple(self.messages), tuple(self.gone))

    def _latest(self, record: AlarmRecord) -> AlarmRecord:
        return self._at(record.key) or record

    def _at(self, key: str) -> AlarmRecord | None:
        """The alarm with this key as it is by now."""
        case = self.cases.get(key)
        return self.records.get(key) if case is None else case.record

    def _meet(self, found: Iterable[Condition]) -> None:
        for condition in found:
            if condition.key in self.cases:
                continue
            if isinstance(condition.part, Silence):
                self.roots.know_site(condition.key, condition.part)
            record = self.records.get(condition.key)
            if record is None and condition.active:
                record = newborn(condition, self.now)
            if record is not None:
                self.cases[condition.key] = _Case(record, self._follow(record, condition))

    def _follow(self, record: AlarmRecord, condition: Condition) -> AlarmRecord:
        before = record
        if condition.active:
            # Before it is raised: an alarm that something else stands for is not to be heard even for a moment.
            printer = None if condition.view is None else condition.view.printer
            record = self._suppress(record, self.roots.first(record, printer))
        moved, transition = step(record, condition, self.now)
        if moved is not before and condition.known:
            moved = replace(moved, facts=facts(condition, self.health))
        if transition is not None:
            self.ledger.append(transition.entry)
        return moved

    def _suppress(self, record: AlarmRecord, cause: Cause | None) -> AlarmRecord:
        if cause is None or TABLE[record.state, Event.SUPPRESS] is None:
            return record
        moved, transition = suppress(record, cause.key, cause.why, self.now)
        self.ledger.append(transition.entry)
        return moved

    def _without_condition(
        self, record: AlarmRecord, views: Mapping[int, PrinterView], fleet: Collection[int] | None, sites_known: bool
    ) -> None:
        rule = self.rules.get(record.rule)
        view = None if record.printer_id is None else views.get(record.printer_id)
        gone = self._why_gone(record, rule, view, fleet, sites_known)
        case = self.cases[record.key] = _Case(record, record)
        if gone:
            self._close(case, gone)
        elif rule is not None and rule.when in MOMENTARY and self._is_over(record, view):
            over = Condition(record.key, rule, view, record.subject, False, None, None, record.subject)
            case.record, transition = step(record, over, self.now)
            if transition is not None:
                # The condition is not there to be described: the words of its raising say best what is over.
                case.record = replace(case.record, text=record.text, value=record.value, limit=record.limit)
                self.ledger.append(transition.entry)

    def _is_over(self, record: AlarmRecord, view: PrinterView | None) -> bool:
        if record.printer_id is None:
            return self.health is not None
        return view is not None and view.reachable and view.reading is not None

    def _why_gone(
        self,
        record: AlarmRecord,
        rule: Rule | None,
        view: PrinterView | None,
        fleet: Collection[int] | None,
        sites_known: bool,
    ) -> str:
        if rule is None:
            return "its rule was taken out of the settings"
        if _about(record) != _watched(rule):
            return "its rule now watches something else"
        if record.printer_id is None:
            no_site = rule.when == SITE_SILENT and sites_known
            return (
                "its rule no longer covers it" if no_site or (rule.kinds and record.subject not in rule.kinds) else ""
            )
        if view is None:
            return "the printer is no longer watched" if fleet is not None and record.printer_id not in fleet else ""
        return _why_gone_there(rule, view, forecast=record.printer_id in self.outlooks)

    def _close(self, case: _Case, why: str) -> None:
        record = case.record
        idle = record.state is AlarmState.NORMAL and not record.active
        if idle and not record.signal and not record.told:
            return
        case.record, transition = apply(record, Event.VANISH, self.now, why=why)
        case.ended = why
        if not idle:
            self.ledger.append(transition.entry)

    def _depend(self, record: AlarmRecord, views: Mapping[int, PrinterView]) -> AlarmRecord:
        """Suppress it by design, or release it: does another alarm stand for it?"""
        if not record.active and record.state is not AlarmState.SUPPRESSED:
            return record
        cause = self.roots.of(record)
        if cause is not None:
            if record.state is AlarmState.SUPPRESSED:
                same = record.suppressed_by == cause.key
                return record if same else replace(record, suppressed_by=cause.key, revision=record.revision + 1)
            return self._suppress(record, cause)
        if record.state is not AlarmState.SUPPRESSED:
            return record
        rule, windowed = self.rules.get(record.rule), record.suppressed_by.startswith(PREFIX)
        if rule is not None and not self._may_speak(record, rule, views, windowed=windowed):
            return record
        over = "the maintenance window is over" if windowed else "the alarm that stood for it is over"
        record, transitions = release(record, over, self.now)
        self.ledger.extend(one.entry for one in transitions)
        return record

    def _may_speak(self, record: AlarmRecord, rule: Rule, views: Mapping[int, PrinterView], *, windowed: bool) -> bool:
        """Whether it is known how things are, now that nothing stands for the alarm any more.

        A printer speaks for itself as soon as it was asked itself: after a window in any case, and after the silence
        of its site for its own silence.
        """
        if record.printer_id is None:
            return not windowed or self.roots.is_known(record)
        return record.printer_id in views or not (windowed or rule.when == UNREACHABLE)

    def _settle(self, case: _Case, views: Mapping[int, PrinterView]) -> None:
        """Suppression by design, the shelf, the severity, the telling; and remember what changed."""
        before, record = case.before, self._depend(case.record, views)
        record, transition = expire(record, self.now)
        if transition is not None:
            self.ledger.append(transition.entry)
            record = self._depend(record, views)
        rule = self.rules.get(record.rule)
        if rule is not None and rule.severity != record.severity:
            record = self._regrade(record, rule.severity)
        record, messages = tell(record, rule, self.now, batch=self.batch, ended=case.ended, routes=self.routes)
        self.messages.extend(messages)
        if record is before:
            if _spent(record, self.now):
                self.gone.append(record.key)
        else:
            # One judgement is one revision, so that a revision skipped shows that somebody else was quicker.
            self.changed.append(replace(record, revision=before.revision + 1))

    def _regrade(self, record: AlarmRecord, severity: str) -> AlarmRecord:
        if record.standing:
            text = f"{record.rule}: {record.text}; severity {record.severity} became {severity} in the settings"
            change = {"before": record.severity, "after": severity}
            self.ledger.append(entry(record, "alarmRegraded", text, self.now, **change))
        return replace(record, severity=severity, revision=record.revision + 1)


def _about(record: AlarmRecord) -> str:
    """What an alarm is about: ``agent``, ``site`` or ``printer``."""
    if record.printer_id is not None:
        return "printer"
    return "site" if record.key == f"{record.rule}|site|{record.subject}" else "agent"


def _watched(rule: Rule) -> str:
    return {AGENT_UNWELL: "agent", SITE_SILENT: "site"}.get(rule.when, "printer")


def _spent(record: AlarmRecord, now: datetime) -> bool:
    """Whether a record says nothing more: it never came to an alarm, or its last one is long over."""
    quiet = record.state is AlarmState.NORMAL and not (record.active or record.signal or record.told)
    return quiet and (record.occurrence == 0 or now - record.since > KEPT)


def _why_gone_there(rule: Rule, view: PrinterView, *, forecast: bool) -> str:
    """Why a rule finds nothing at a printer where it found something once; empty when that says nothing."""
    if view.printer.retired is not None:
        return "the printer was retired"
    if not rule.covers(view.printer):
        return "its rule no longer covers this printer"
    if rule.when == RUN_OUT:
        return "nothing is forecast for it any more, or its rule no longer covers it" if forecast else ""
    if rule.when in MOMENTARY or not view.reachable or view.reading is None or not view.reading.supplies:
        # A printer that lists no supplies at all is more likely starting up than stripped.
        return ""
    return "the printer no longer reports it, or its rule no longer covers it"
