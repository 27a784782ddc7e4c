"""Which alarms to show, and in which order."""

from __future__ import annotations

from collections.abc import Iterable

from agent.model.alarm import AlarmRecord, AlarmState, rank

SET_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


def chosen(records: Iterable[AlarmRecord], *, every: bool = False) -> list[AlarmRecord]:
    """Those that stand and are not set aside, or ``every`` one that ever did; the gravest first, then the oldest."""
    found = [
        one
        for one in records
        if (one.standing and one.state not in SET_ASIDE) or (every and (one.occurrence > 0 or one.state in SET_ASIDE))
    ]
    return sorted(found, key=lambda one: (not one.standing, -rank(one.severity), one.raised_at or one.since, one.key))
