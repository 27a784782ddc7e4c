"""The life of an alarm, after ISA-18.2 / IEC 62682: one table of states and events.

``TABLE`` holds every pair of state and event. ``None`` means that the event cannot happen there; a person who asks for
it is told so. An arc with ``standing`` leads there instead when the condition holds at that moment: what leaves the
shelf is an alarm again only if there still is one.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from agent.alarms.conditions import Condition
from agent.alarms.wording import clean, span
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import LedgerEntry, Scalar

NORMAL = AlarmState.NORMAL
UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURNED = AlarmState.RETURNED
SHELVED = AlarmState.SHELVED
SUPPRESSED = AlarmState.SUPPRESSED
OUT_OF_SERVICE = AlarmState.OUT_OF_SERVICE

LONGEST_SHELF = timedelta(days=31)
"""Nothing is shelved without an end (ISA-18.2 asks for a limit); a month, the longest: common practice, no source."""


class Event(enum.Enum):
    """What can happen to an alarm."""

    RAISE = "raise"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    EXPIRE = "shelving limit reached"
    SUPPRESS = "suppress"
    RELEASE = "release"
    WITHDRAW = "take out of service"
    RESTORE = "return to service"
    VANISH = "subject gone"


@dataclass(frozen=True, slots=True)
class Arc:
    """Where an event leads, and why; ``standing`` is where it leads while the condition holds (None: likewise)."""

    to: AlarmState
    reason: str
    standing: AlarmState | None = None


_GONE = Arc(NORMAL, "what it watched is gone")
_SHELVE = Arc(SHELVED, "shelved for a time")
_SUPPRESS = Arc(SUPPRESSED, "suppressed by design")
_WITHDRAW = Arc(OUT_OF_SERVICE, "taken out of service")

_S, _E = AlarmState, Event
TABLE: Mapping[tuple[AlarmState, Event], Arc | None] = {
    (_S.NORMAL, _E.RAISE): Arc(UNACKNOWLEDGED, "the condition holds"),
    (_S.NORMAL, _E.CLEAR): None,
    (_S.NORMAL, _E.ACKNOWLEDGE): None,
    (_S.NORMAL, _E.SHELVE): _SHELVE,
    (_S.NORMAL, _E.UNSHELVE): None,
    (_S.NORMAL, _E.EXPIRE): None,
    (_S.NORMAL, _E.SUPPRESS): _SUPPRESS,
    (_S.NORMAL, _E.RELEASE): None,
    (_S.NORMAL, _E.WITHDRAW): _WITHDRAW,
    (_S.NORMAL, _E.RESTORE): None,
    (_S.NORMAL, _E.VANISH): _GONE,
    #
    (_S.UNACKNOWLEDGED, _E.RAISE): None,
    (_S.UNACKNOWLEDGED, _E.CLEAR): Arc(RETURNED, "returned to normal before anybody acknowledged it"),
    (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGE): Arc(ACKNOWLEDGED, "acknowledged"),
    (_S.UNACKNOWLEDGED, _E.SHELVE): _SHELVE,
    (_S.UNACKNOWLEDGED, _E.UNSHELVE): None,
    (_S.UNACKNOWLEDGED, _E.EXPIRE): None,
    (_S.UNACKNOWLEDGED, _E.SUPPRESS): _SUPPRESS,
    (_S.UNACKNOWLEDGED, _E.RELEASE): None,
    (_S.UNACKNOWLEDGED, _E.WITHDRAW): _WITHDRAW,
    (_S.UNACKNOWLEDGED, _E.RESTORE): None,
    (_S.UNACKNOWLEDGED, _E.VANISH): _GONE,
    #
    (_S.ACKNOWLEDGED, _E.RAISE): None,
    (_S.ACKNOWLEDGED, _E.CLEAR): Arc(NORMAL, "returned to normal"),
    (_S.ACKNOWLEDGED, _E.ACKNOWLEDGE): None,
    (_S.ACKNOWLEDGED, _E.SHELVE): _SHELVE,
    (_S.ACKNOWLEDGED, _E.UNSHELVE): None,
    (_S.ACKNOWLEDGED, _E.EXPIRE): None,
    (_S.ACKNOWLEDGED, _E.SUPPRESS): _SUPPRESS,
    (_S.ACKNOWLEDGED, _E.RELEASE): None,
    (_S.ACKNOWLEDGED, _E.WITHDRAW): _WITHDRAW,
    (_S.ACKNOWLEDGED, _E.RESTORE): None,
    (_S.ACKNOWLEDGED, _E.VANISH): _GONE,
    #
    (_S.RETURNED, _E.RAISE): Arc(UNACKNOWLEDGED, "the condition holds again"),
    (_S.RETURNED, _E.CLEAR): None,
    (_S.RETURNED, _E.ACKNOWLEDGE): Arc(NORMAL, "acknowledged after it had returned to normal"),
    (_S.RETURNED, _E.SHELVE): _SHELVE,
    (_S.RETURNED, _E.UNSHELVE): None,
    (_S.RETURNED, _E.EXPIRE): None,
    (_S.RETURNED, _E.SUPPRESS): _SUPPRESS,
    (_S.RETURNED, _E.RELEASE): None,
    (_S.RETURNED, _E.WITHDRAW): _WITHDRAW,
    (_S.RETURNED, _E.RESTORE): None,
    (_S.RETURNED, _E.VANISH): _GONE,
    #
    (_S.SHELVED, _E.RAISE): Arc(SHELVED, "the condition holds, and the alarm is shelved"),
    (_S.SHELVED, _E.CLEAR): Arc(SHELVED, "the condition is over, and the alarm is shelved"),
    (_S.SHELVED, _E.ACKNOWLEDGE): None,
    (_S.SHELVED, _E.SHELVE): Arc(SHELVED, "shelved for another time"),
    (_S.SHELVED, _E.UNSHELVE): Arc(NORMAL, "taken off the shelf", standing=UNACKNOWLEDGED),
    (_S.SHELVED, _E.EXPIRE): Arc(NORMAL, "its time on the shelf is over", standing=UNACKNOWLEDGED),
    (_S.SHELVED, _E.SUPPRESS): None,
    (_S.SHELVED, _E.RELEASE): None,
    (_S.SHELVED, _E.WITHDRAW): _WITHDRAW,
    (_S.SHELVED, _E.RESTORE): None,
    (_S.SHELVED, _E.VANISH): _GONE,
    #
    (_S.SUPPRESSED, _E.RAISE): Arc(SUPPRESSED, "the condition holds, and the alarm is suppressed by design"),
    (_S.SUPPRESSED, _E.CLEAR): Arc(SUPPRESSED, "the condition is over, and the alarm is suppressed by design"),
    (_S.SUPPRESSED, _E.ACKNOWLEDGE): None,
    (_S.SUPPRESSED, _E.SHELVE): _SHELVE,
    (_S.SUPPRESSED, _E.UNSHELVE): None,
    (_S.SUPPRESSED, _E.EXPIRE): None,
    (_S.SUPPRESSED, _E.SUPPRESS): None,
    (_S.SUPPRESSED, _E.RELEASE): Arc(NORMAL, "no longer suppressed", standing=UNACKNOWLEDGED),
    (_S.SUPPRESSED, _E.WITHDRAW): _WITHDRAW,
    (_S.SUPPRESSED, _E.RESTORE): None,
    (_S.SUPPRESSED, _E.VANISH): _GONE,
    #
    (_S.OUT_OF_SERVICE, _E.RAISE): Arc(OUT_OF_SERVICE, "the condition holds, and the alarm is out of service"),
    (_S.OUT_OF_SERVICE, _E.CLEAR): Arc(OUT_OF_SERVICE, "the condition is over, and the alarm is out of service"),
    (_S.OUT_OF_SERVICE, _E.ACKNOWLEDGE): None,
    (_S.OUT_OF_SERVICE, _E.SHELVE): None,
    (_S.OUT_OF_SERVICE, _E.UNSHELVE): None,
    (_S.OUT_OF_SERVICE, _E.EXPIRE): None,
    (_S.OUT_OF_SERVICE, _E.SUPPRESS): None,
    (_S.OUT_OF_SERVICE, _E.RELEASE): None,
    (_S.OUT_OF_SERVICE, _E.WITHDRAW): None,
    (_S.OUT_OF_SERVICE, _E.RESTORE): Arc(NORMAL, "back in service", standing=UNACKNOWLEDGED),
    (_S.OUT_OF_SERVICE, _E.VANISH): _GONE,
}

_LEDGER = {
    Event.RAISE: "alarmRaised",
    Event.CLEAR: "alarmReturned",
    Event.ACKNOWLEDGE: "alarmAcknowledged",
    Event.SHELVE: "alarmShelved",
    Event.UNSHELVE: "alarmUnshelved",
    Event.EXPIRE: "alarmUnshelved",
    Event.SUPPRESS: "alarmSuppressed",
    Event.RELEASE: "alarmReleased",
    Event.WITHDRAW: "alarmWithdrawn",
    Event.RESTORE: "alarmRestored",
    Event.VANISH: "alarmClosed",
}


_BACK = frozenset((Event.UNSHELVE, Event.EXPIRE, Event.RESTORE))
"""Who set an alarm aside for a time wants to hear of it afterwards; what is released by design was never new."""


class NotApplicableError(ValueError):
    """A person asked for something that the alarm's state does not allow; ``str()`` is a sentence that says why."""


@dataclass(frozen=True, slots=True)
class Transition:
    """One step in the life of an alarm: ``event`` led from ``before`` to ``after``, because of ``reason``."""

    at: datetime
    event: Event
    before: AlarmState
    after: AlarmState
    reason: str
    entry: LedgerEntry


def newborn(condition: Condition, now: datetime) -> AlarmRecord:
    """The record of a condition that holds for the first time; nothing has been raised yet."""
    return AlarmRecord(
        key=condition.key,
        rule=condition.rule.name,
        printer_id=condition.printer_id,
        subject=condition.subject,
        state=NORMAL,
        since=now,
        severity=condition.severity,
        signal=False,
        signal_since=now,
    )


def step(record: AlarmRecord, condition: Condition, now: datetime) -> tuple[AlarmRecord, Transition | None]:
    """Let the alarm follow its condition, with deadband and delays. What is told is decided afterwards.

    While the present is unknown the timers neither fire nor start anew: a delay that ran out meanwhile fires with the
    first reading that agrees.
    """
    moved = record
    if condition.active is not None and condition.active is not record.signal:
        moved = replace(moved, signal=condition.active, signal_since=now)
    if condition.known and condition.value != record.value and (moved.signal or record.active):
        moved = replace(moved, value=condition.value, limit=condition.limit, text=condition.text)
    transition: Transition | None = None
    if condition.known and moved.signal is not moved.active:
        delay = condition.rule.on_delay if moved.signal else condition.rule.off
        if now - moved.signal_since >= delay:
            moved = replace(moved, text=condition.text, value=condition.value, limit=condition.limit)
            moved, transition = apply(moved, Event.RAISE if moved.signal else Event.CLEAR, now)
    return (moved if transition or moved is record else _revised(moved)), transition


def apply(
    record: AlarmRecord, event: Event, now: datetime, *, who: str = "lowmark", why: str = ""
) -> tuple[AlarmRecord, Transition]:
    """Take the arc of the table. ``why`` stands beside the table's reason. Raises NotApplicableError."""
    arc = TABLE[record.state, event]
    if arc is None:
        raise NotApplicableError(f"the alarm {record.key} is {_WORDS[record.state]}: {_REFUSALS[event]}")
    moved = _with_signal(record, event, now)
    after = arc.standing if arc.standing is not None and moved.active else arc.to
    moved = replace(moved, state=after, since=now if after is not record.state else record.since)
    if after is not SHELVED and record.state is SHELVED:
        moved = replace(moved, shelved_until=None, shelved_by="", shelved_reason="")
    if after is not SUPPRESSED and record.suppressed_by:
        moved = replace(moved, suppressed_by="")
    if event in _BACK:
        moved = replace(moved, back_at=now)
    reason = f"{arc.reason}: {why}" if why else arc.reason
    moved = _revised(moved)
    return moved, Transition(
        now, event, record.state, after, reason, _entry(moved, record.state, event, reason, now, who)
    )


def _with_signal(record: AlarmRecord, event: Event, now: datetime) -> AlarmRecord:
    """What the event says of the condition itself."""
    if event is Event.RAISE:
        return replace(
            record,
            active=True,
            raised_at=now,
            returned_at=None,
            occurrence=record.occurrence + 1,
            acknowledged_by="",
            acknowledged_at=None,
        )
    if event is Event.CLEAR:
        return replace(record, active=False, returned_at=now)
    if event is Event.VANISH:
        returned = now if record.active else record.returned_at
        return replace(record, active=False, signal=False, signal_since=now, returned_at=returned)
    return record


def _revised(record: AlarmRecord) -> AlarmRecord:
    return replace(record, revision=record.revision + 1)


def acknowledge(record: AlarmRecord, who: str, now: datetime) -> tuple[AlarmRecord, Transition]:
    """Somebody has seen it. Raises NotApplicableError unless it is unacknowledged or returned unacknowledged."""
    name = _named(who)
    moved, transition = apply(record, Event.ACKNOWLEDGE, now, who=name, why=f"by {name}")
    return replace(moved, acknowledged_by=name, acknowledged_at=now), transition


def shelve(
    record: AlarmRecord, until: datetime, who: str, reason: str, now: datetime
) -> tuple[AlarmRecord, Transition]:
    """Put it away until a moment at most ``LONGEST_SHELF`` from now. Raises NotApplicableError."""
    name, why = _named(who), clean(reason)
    if not why:
        raise NotApplicableError("shelving needs a reason, for those who wonder where the alarm went")
    if not now < until <= now + LONGEST_SHELF:
        raise NotApplicableError(f"shelving must end in the future and within {span(LONGEST_SHELF)}")
    told = f"by {name} for {span(until - now)}: {why}"
    moved, transition = apply(record, Event.SHELVE, now, who=name, why=told)
    transition = _adding(transition, shelved_until=until.isoformat(), shelved_reason=why)
    return replace(moved, shelved_until=until, shelved_by=name, shelved_reason=why), transition


def unshelve(record: AlarmRecord, who: str, now: datetime) -> tuple[AlarmRecord, Transition]:
    """Take it off the shelf before its time. Raises NotApplicableError unless it is shelved."""
    name = _named(who)
    return apply(record, Event.UNSHELVE, now, who=name, why=f"by {name}")


def withdraw(record: AlarmRecord, who: str, reason: str, now: datetime) -> tuple[AlarmRecord, Transition]:
    """Take it out of service until somebody brings it back. Raises NotApplicableError."""
    name, why = _named(who), clean(reason)
    if not why:
        raise NotApplicableError("taking an alarm out of service needs a reason, for those who wonder where it went")
    return apply(record, Event.WITHDRAW, now, who=name, why=f"by {name}: {why}")


def reinstate(record: AlarmRecord, who: str, now: datetime) -> tuple[AlarmRecord, Transition]:
    """Bring it back into service. Raises NotApplicableError unless it is out of service."""
    name = _named(who)
    return apply(record, Event.RESTORE, now, who=name, why=f"by {name}")


def expire(record: AlarmRecord, now: datetime) -> tuple[AlarmRecord, Transition | None]:
    """Take it off the shelf when its time is over."""
    if record.state is not SHELVED or (record.shelved_until is not None and now < record.shelved_until):
        return record, None
    return apply(record, Event.EXPIRE, now)


def suppress(record: AlarmRecord, by: str, why: str, now: datetime) -> tuple[AlarmRecord, Transition]:
    """Let something stand for it: ``by`` is the key of another alarm or of a maintenance window, ``why`` says it.

    Raises NotApplicableError where the table does not allow it.
    """
    moved, transition = apply(record, Event.SUPPRESS, now, why=why)
    return replace(moved, suppressed_by=by), _adding(transition, suppressed_by=by)


def release(record: AlarmRecord, why: str, now: datetime) -> tuple[AlarmRecord, tuple[Transition, ...]]:
    """Let it speak for itself again. What was acknowledged before it was suppressed is acknowledged still.

    Raises NotApplicableError unless it is suppressed.
    """
    moved, released = apply(record, Event.RELEASE, now, why=why)
    seen = moved.acknowledged_at
    if moved.state is not UNACKNOWLEDGED or seen is None or (moved.back_at is not None and moved.back_at >= seen):
        return moved, (released,)
    why = f"by {moved.acknowledged_by}, before it was suppressed"
    moved, again = apply(moved, Event.ACKNOWLEDGE, now, why=why)
    return moved, (released, again)


def _adding(transition: Transition, **data: Scalar) -> Transition:
    """The same with more in its line of the ledger, so that the record can be told again from there."""
    line = transition.entry
    return replace(transition, entry=replace(line, data={**line.data, **data}))


def _named(who: str) -> str:
    name = clean(who, 80)
    if not name:
        raise NotApplicableError("it needs a name: who does this?")
    return name


def entry(record: AlarmRecord, kind: str, text: str, now: datetime, **data: Scalar) -> LedgerEntry:
    """A line of the ledger about this alarm."""
    return LedgerEntry(now, kind, text, record.printer_id, record.subject, data={"alarm": record.key, **data})


def _entry(record: AlarmRecord, before: AlarmState, event: Event, reason: str, now: datetime, who: str) -> LedgerEntry:
    said = record.text or record.subject
    data: dict[str, Scalar] = {
        "alarm": record.key,
        "event": event.value,
        "before": before.value,
        "after": record.state.value,
        "reason": reason,
        "severity": record.severity,
        "occurrence": record.occurrence,
        "value": record.value,
        "limit": record.limit,
    }
    text = f"{record.rule}: {said}; {reason}"
    return LedgerEntry(now, _LEDGER[event], text, record.printer_id, record.subject, who, data)


_WORDS = {
    NORMAL: "normal",
    UNACKNOWLEDGED: "unacknowledged",
    ACKNOWLEDGED: "acknowledged",
    RETURNED: "returned to normal, unacknowledged",
    SHELVED: "shelved",
    SUPPRESSED: "suppressed by design",
    OUT_OF_SERVICE: "out of service",
}

_REFUSALS = {
    Event.RAISE: "it cannot be raised once more",
    Event.CLEAR: "there is nothing to clear",
    Event.ACKNOWLEDGE: "there is nothing to acknowledge",
    Event.SHELVE: "it cannot be shelved",
    Event.UNSHELVE: "it is not on the shelf",
    Event.EXPIRE: "it is not on the shelf",
    Event.SUPPRESS: "it cannot be suppressed",
    Event.RELEASE: "it is not suppressed",
    Event.WITHDRAW: "it cannot be taken out of service once more",
    Event.RESTORE: "it is in service",
    Event.VANISH: "it cannot be closed",
}


def words(state: AlarmState) -> str:
    """A state in words."""
    return _WORDS[state]
