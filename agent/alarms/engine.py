"""Judging: what the present means for every alarm. One pure function; the store commits its result as one whole.

    for each condition     step: the table of the lifecycle, with its delays
    for each other record  its subject is gone (the alarm closes), its condition is over, or nothing is known
    for each alarm         the shelf's limit, the severity of the rule, and then: is anybody told?

Records and messages are saved in one transaction, so a crash leaves either both or none, and judging again gives the
same again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from agent.alarms.conditions import MOMENTARY, Condition, agent_conditions, conditions
from agent.alarms.facts import facts
from agent.alarms.lifecycle import Event, apply, entry, expire, newborn, step
from agent.alarms.rules import AGENT_UNWELL, Rule
from agent.alarms.telling import tell
from agent.model.alarm import AgentHealth, AlarmRecord, AlarmState, Message
from agent.model.fleet import LedgerEntry, PrinterView

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


def judge(
    rules: Sequence[Rule],
    views: Sequence[PrinterView],
    records: Mapping[str, AlarmRecord],
    now: datetime,
    *,
    health: AgentHealth | None = None,
    fleet: Collection[int] | None = None,
) -> Judgement:
    """Judge ``views`` by ``rules``. ``records``: every alarm on record, by key.

    ``views`` may be a part of the fleet: alarms of printers that are not among them keep their state. ``fleet``: the
    ids of all printers that are still watched; the alarms of others are closed. None: that is not known now.
    ``health`` None: nothing is said of the agent itself now.
    """
    return _Judge(rules, records, now, health).judge(views, fleet)


class _Judge:
    def __init__(
        self, rules: Sequence[Rule], records: Mapping[str, AlarmRecord], now: datetime, health: AgentHealth | None
    ) -> None:
        self.rules = {rule.name: rule for rule in rules}
        self.records = records
        self.now = now
        self.health = health
        self.batch = now.isoformat()
        self.changed: list[AlarmRecord] = []
        self.ledger: list[LedgerEntry] = []
        self.messages: list[Message] = []
        self.gone: list[str] = []

    def judge(self, views: Sequence[PrinterView], fleet: Collection[int] | None) -> Judgement:
        seen: set[str] = set()
        for condition in self._conditions(views):
            record = self.records.get(condition.key)
            if record is not None:
                seen.add(condition.key)
                self._follow(record, condition)
            elif condition.active and condition.key not in seen:
                seen.add(condition.key)
                self._follow(newborn(condition, self.now), condition)
        by_id = {view.printer.id: view for view in views}
        for key, record in self.records.items():
            if key not in seen:
                self._without_condition(record, by_id, fleet)
        return Judgement(tuple(self.changed), tuple(self.ledger), tuple(self.messages), tuple(self.gone))

    def _conditions(self, views: Sequence[PrinterView]) -> Iterator[Condition]:
        rules = list(self.rules.values())
        for view in views:
            yield from conditions(rules, view, self.now)
        if self.health is not None:
            yield from agent_conditions(rules, self.health)

    def _follow(self, record: AlarmRecord, condition: Condition) -> None:
        moved, transition = step(record, condition, self.now)
        if moved is not record and condition.known:
            moved = replace(moved, facts=facts(condition, self.health))
        if transition is not None:
            self.ledger.append(transition.entry)
        self._settle(record, moved)

    def _without_condition(
        self, record: AlarmRecord, views: Mapping[int, PrinterView], fleet: Collection[int] | None
    ) -> None:
        rule = self.rules.get(record.rule)
        view = None if record.printer_id is None else views.get(record.printer_id)
        gone = self._why_gone(record, rule, view, fleet)
        if gone:
            self._close(record, gone)
            return
        if rule is not None and rule.when in MOMENTARY and self._is_over(record, view):
            over = Condition(record.key, rule, view, record.subject, False, None, None, record.subject)
            moved, transition = step(record, over, self.now)
            if transition is not None:
                # The condition is not there to be described: the words of its raising say best what is over.
                moved = replace(moved, text=record.text, value=record.value, limit=record.limit)
                self.ledger.append(transition.entry)
            self._settle(record, moved)
            return
        self._settle(record, record)

    def _is_over(self, record: AlarmRecord, view: PrinterView | None) -> bool:
        if record.printer_id is None:
            return self.health is not None
        return view is not None and view.reachable and view.reading is not None

    def _why_gone(
        self, record: AlarmRecord, rule: Rule | None, view: PrinterView | None, fleet: Collection[int] | None
    ) -> str:
        if rule is None:
            return "its rule was taken out of the settings"
        if (rule.when == AGENT_UNWELL) is not (record.printer_id is None):
            return "its rule now watches something else"
        if record.printer_id is None:
            return "its rule no longer covers it" if rule.kinds and record.subject not in rule.kinds else ""
        if view is None:
            return "the printer is no longer watched" if fleet is not None and record.printer_id not in fleet else ""
        return _why_gone_there(rule, view)

    def _close(self, record: AlarmRecord, why: str) -> None:
        idle = record.state is AlarmState.NORMAL and not record.active
        if idle and not record.signal and not record.told:
            return
        moved, transition = apply(record, Event.VANISH, self.now, why=why)
        if not idle:
            self.ledger.append(transition.entry)
        self._settle(record, moved, ended=why)

    def _settle(self, before: AlarmRecord, record: AlarmRecord, ended: str = "") -> None:
        """The shelf, the severity, the telling; and remember what changed."""
        record, transition = expire(record, self.now)
        if transition is not None:
            self.ledger.append(transition.entry)
        rule = self.rules.get(record.rule)
        if rule is not None and rule.severity != record.severity:
            record = self._regrade(record, rule.severity)
        record, messages = tell(record, rule, self.now, batch=self.batch, ended=ended)
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


def _spent(record: AlarmRecord, now: datetime) -> bool:
    """Whether a record says nothing more: it never came to an alarm, or its last one is long over."""
    quiet = record.state is AlarmState.NORMAL and not (record.active or record.signal or record.told)
    return quiet and (record.occurrence == 0 or now - record.since > KEPT)


def _why_gone_there(rule: Rule, view: PrinterView) -> str:
    """Why a rule finds nothing at a printer where it found something once; empty when that says nothing."""
    if view.printer.retired is not None:
        return "the printer was retired"
    if not rule.covers(view.printer):
        return "its rule no longer covers this printer"
    if rule.when in MOMENTARY or not view.reachable or view.reading is None or not view.reading.supplies:
        # A printer that lists no supplies at all is more likely starting up than stripped.
        return ""
    return "the printer no longer reports it, or its rule no longer covers it"
