"""Whether an alarm is told, to whom and why.

The decision looks at the record alone, never at the step that led to it. So nothing is lost when the agent dies between
a step and its message, and nothing is told twice when it judges again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType

from agent.alarms.lifecycle import words
from agent.alarms.routes import Route, Routes, awake, relieved, taking
from agent.alarms.rules import Rule
from agent.model.alarm import AlarmRecord, AlarmState, Message, rank
from agent.model.fleet import Scalar

FIRST = "first"
CHANGED = "changed"
REPEAT = "repeat interval over"
AGAIN = "standing again after it was set aside"
RETURNED = "returned"
UNSEEN = "nobody acknowledged it"
AFTER_QUIET = "quiet hours are over"
CAME_BACK = "it was over meanwhile, and came again"
EVERYWHERE: Mapping[str, Route] = MappingProxyType({})


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
    if record.raised_at is not None and record.raised_at > record.told_at:
        # Its end has not been told to all, because of quiet hours: for those it still stands. It is new to the others.
        return Decision(True, CAME_BACK, "raised")
    if record.back_at is not None and record.back_at > record.told_at:
        return Decision(True, AGAIN, "repeat")
    if _is_unseen(record, rule, now):
        return Decision(True, UNSEEN, "escalated")
    if rule.repeat is None or now - record.told_at < rule.repeat:
        return Decision(False, "already told" if rule.repeat is None else "repeat interval not over")
    return Decision(True, REPEAT, "repeat")


def _is_unseen(record: AlarmRecord, rule: Rule, now: datetime) -> bool:
    """Whether it is time to tell those besides who are told when nobody acknowledges."""
    if rule.escalate_after is None or set(rule.escalate_to) <= set(record.told):
        return False
    return now - record.since >= rule.escalate_after


def _end(record: AlarmRecord, rule: Rule | None) -> Decision:
    if not record.told:
        return Decision(False, "nobody was told")
    if rule is not None and not rule.tell_returned:
        return Decision(False, "the rule does not tell of a return")
    return Decision(True, RETURNED, "returned")


def tell(
    record: AlarmRecord,
    rule: Rule | None,
    now: datetime,
    *,
    batch: str,
    ended: str = "",
    routes: Routes = EVERYWHERE,
) -> tuple[AlarmRecord, tuple[Message, ...]]:
    """Decide, and make the messages: the record that remembers them, and one message for each channel.

    ``ended``: why the alarm ended when that was no ordinary return (the supply was taken out ...). ``routes``: what
    each channel takes, and when; one without a route takes everything at any time.
    """
    decision = decide(record, rule, now)
    wanted, channels = _whom(decision, record, rule, now, routes)
    if decision.kind == "escalated" and not channels and rule is not None:
        # None of those takes it, or not now: that must not keep the others from hearing of it again.
        decision = decide(record, replace(rule, escalate_after=None, escalate_to=()), now)
        wanted, channels = _whom(decision, record, rule, now, routes)
    if not decision.send:
        return _without_news(record, rule, now, batch, routes)
    over = decision.kind == "returned"
    if not channels and decision.reason != CAME_BACK:
        return record, ()
    reason = f"{decision.reason}: {ended}" if ended else decision.reason
    messages = _messages(record, decision.kind, reason, channels, now, batch)
    if over:
        told: tuple[str, ...] = tuple(name for name in record.told if name not in channels)
        held: tuple[str, ...] = ()
    else:
        told = (*record.told, *(name for name in channels if name not in record.told))
        waiting = (*record.held, *wanted)
        held = tuple(dict.fromkeys(name for name in waiting if name not in told))
    moved = replace(
        record,
        told=told,
        held=held,
        told_at=now,
        told_severity=record.severity,
        tellings=record.tellings + 1,
        revision=record.revision + 1,
    )
    return moved, messages


def _whom(
    decision: Decision, record: AlarmRecord, rule: Rule | None, now: datetime, routes: Routes
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The channels that are to be told, and those of them that may be told now."""
    if decision.kind == "returned":
        wanted = record.told
    elif not decision.send or rule is None:
        wanted = ()
    elif decision.kind == "escalated":
        named = relieved(taking(rule.escalate_to, routes, record), routes, record, now)
        wanted = tuple(name for name in named if name not in record.told)
    else:
        heard = record.told if decision.reason == CAME_BACK else ()
        named = relieved(taking(rule.tell, routes, record), routes, record, now)
        wanted = tuple(name for name in named if name not in heard)
    return wanted, awake(wanted, routes, record, now)


def _without_news(
    record: AlarmRecord, rule: Rule | None, now: datetime, batch: str, routes: Routes
) -> tuple[AlarmRecord, tuple[Message, ...]]:
    """Nothing new is to be told; but somebody's quiet hours may be over, or nobody has to hear of its end."""
    if not record.active:
        if record.told or record.held:
            return replace(record, told=(), held=(), revision=record.revision + 1), ()
        return record, ()
    if not record.held or rule is None or record.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
        return record, ()
    if record.state is AlarmState.ACKNOWLEDGED:
        return replace(record, held=(), revision=record.revision + 1), ()
    channels = awake(record.held, routes, record, now)
    if not channels:
        return record, ()
    moved = replace(
        record,
        told=(*record.told, *channels),
        held=tuple(name for name in record.held if name not in channels),
        tellings=record.tellings + 1,
        revision=record.revision + 1,
    )
    return moved, _messages(record, "raised", AFTER_QUIET, channels, now, batch)


def _messages(
    record: AlarmRecord, kind: str, reason: str, channels: Sequence[str], now: datetime, batch: str
) -> tuple[Message, ...]:
    facts = _with_times(record)
    return tuple(
        Message(
            dedupe_key=dedupe_key(record, kind, record.tellings + 1, channel),
            channel=channel,
            kind=kind,
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
