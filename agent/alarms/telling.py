"""Whether an alarm is told, to whom and why.

The decision looks at the record alone, never at the step that led to it. So nothing is lost when the agent dies between
a step and its message, and nothing is told twice when it judges again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from agent.alarms.lifecycle import words
from agent.alarms.rules import Rule
from agent.model.alarm import AlarmRecord, AlarmState, Message, rank
from agent.model.fleet import Scalar

FIRST = "first"
CHANGED = "changed"
REPEAT = "repeat interval over"
AGAIN = "standing again after it was set aside"
RETURNED = "returned"


@dataclass(frozen=True, slots=True)
class Decision:
    """Whether something is told now, and why (not). ``kind`` is that of the message, empty when nothing is sent."""

    send: bool
    reason: str
    kind: str = ""


def decide(record: AlarmRecord, rule: Rule | None, now: datetime) -> Decision:
    """What is told of this alarm now. Depends on nothing but its arguments, so asking twice gives the same answer.

    ``rule`` None: it is no longer among the rules; the end of what was told is still told.
    """
    if not record.active:
        return _end(record, rule)
    if record.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
        return Decision(False, words(record.state))
    if rule is None or not rule.tell:
        return Decision(False, "the rule tells nobody")
    if record.told and rank(record.severity) > rank(record.told_severity):
        return Decision(True, CHANGED, "changed")
    if record.state is AlarmState.ACKNOWLEDGED:
        return Decision(False, "acknowledged")
    return _repeat(record, rule, now)


def _repeat(record: AlarmRecord, rule: Rule, now: datetime) -> Decision:
    if not record.told or record.told_at is None:
        return Decision(True, FIRST, "raised")
    if record.back_at is not None and record.back_at > record.told_at:
        return Decision(True, AGAIN, "repeat")
    if rule.repeat is None:
        return Decision(False, "already told")
    if now - record.told_at < rule.repeat:
        return Decision(False, "repeat interval not over")
    return Decision(True, REPEAT, "repeat")


def _end(record: AlarmRecord, rule: Rule | None) -> Decision:
    if not record.told:
        return Decision(False, "nobody was told")
    if rule is not None and not rule.tell_returned:
        return Decision(False, "the rule does not tell of a return")
    return Decision(True, RETURNED, "returned")


def tell(
    record: AlarmRecord, rule: Rule | None, now: datetime, *, batch: str, ended: str = ""
) -> tuple[AlarmRecord, tuple[Message, ...]]:
    """Decide, and make the messages: the record that remembers them, and one message for each channel.

    ``ended``: why the alarm ended when that was no ordinary return (the supply was taken out ...).
    """
    decision = decide(record, rule, now)
    if not decision.send:
        if record.told and not record.active:
            return replace(record, told=(), revision=record.revision + 1), ()
        return record, ()
    over = decision.kind == "returned"
    channels = record.told if over else rule.tell if rule else ()
    number = record.tellings + 1
    reason = f"{decision.reason}: {ended}" if ended else decision.reason
    facts = _with_times(record)
    messages = tuple(
        Message(
            dedupe_key=dedupe_key(record, decision.kind, number, channel),
            channel=channel,
            kind=decision.kind,
            severity=record.severity,
            at=now,
            key=record.key,
            occurrence=record.occurrence,
            reason=reason,
            text=record.text,
            batch=batch,
            facts=facts,
        )
        for channel in channels
    )
    moved = replace(
        record,
        told=() if over else (*record.told, *(name for name in channels if name not in record.told)),
        told_at=now,
        told_severity=record.severity,
        tellings=number,
        revision=record.revision + 1,
    )
    return moved, messages


def dedupe_key(record: AlarmRecord, kind: str, number: int, channel: str) -> str:
    """The same whenever the same would be told again: alarm, occurrence, kind, its number, and channel.

    The moment of raising is in it too, so that a record that was forgotten and begins to count anew takes no old key.
    """
    raised = record.raised_at or record.since
    return f"{record.key}|{record.occurrence}@{int(raised.timestamp())}|{kind}.{number}|{channel}"


def _with_times(record: AlarmRecord) -> dict[str, Scalar]:
    facts = dict(record.facts)
    facts["state"] = record.state.value
    if record.raised_at is not None:
        facts["raised_at"] = record.raised_at.isoformat()
    if record.returned_at is not None:
        facts["returned_at"] = record.returned_at.isoformat()
    return facts
