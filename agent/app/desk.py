"""What people do to alarms: one way for the command, the pages, the API and the links in messages.

A step and its line in the ledger are written in one transaction, over the record that was looked at and no other: when
the agent was quicker, it is looked at anew.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from agent.alarms.lifecycle import NotApplicableError, Transition, acknowledge, shelve, words
from agent.app.links import Expired, Forged, Link, Links
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.day_words import clock_words
from agent.store import Store
from agent.web.desk import Linked, NotDone

ATTEMPTS = 5
Act = Callable[[AlarmRecord, datetime], tuple[AlarmRecord, Transition]]
_OPEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


class Overtaken(RuntimeError):
    """The agent was quicker every time; ``str()`` is a sentence."""


def find(records: Sequence[AlarmRecord], key: str, *, part: bool = False) -> AlarmRecord:
    """The alarm that is meant; ``part``: also by a part of its key. Raises LookupError, with a sentence."""
    for record in records:
        if record.key == key:
            return record
    low = key.casefold()
    fitting = [record for record in records if part and low in record.key.casefold()]
    fitting = [record for record in fitting if record.state is not AlarmState.NORMAL] or fitting
    if len(fitting) == 1:
        return fitting[0]
    if not fitting:
        raise LookupError(f"there is no alarm {key!r}; lowmark alarms lists their keys")
    some = ", ".join(record.key for record in fitting[:5])
    raise LookupError(
        f"{key!r} fits {len(fitting)} alarms ({some}{' ...' if len(fitting) > 5 else ''}); give more of it"
    )


def change(store: Store, key: str, act: Act, now: datetime, *, part: bool = False) -> AlarmRecord:
    """Do ``act`` to one alarm and save it. Raises LookupError, NotApplicableError, Overtaken, StoreError."""
    for _ in range(ATTEMPTS):
        record = find(store.alarms(), key, part=part)
        moved, transition = act(record, now)
        if not store.save_alarms([moved], [transition.entry], bases={moved.key: record}).stale:
            return moved
    raise Overtaken("the agent is changing this alarm at the moment; try again")


class AlarmDesk:
    """The desk over one store. Safe to call from any thread. ``changed``: called after each step."""

    def __init__(
        self, store: Store, now: Callable[[], datetime], links: Links, changed: Callable[[], None] = lambda: None
    ) -> None:
        self._store = store
        self._now = now
        self._links = links
        self._changed = changed

    def acknowledge(self, key: str, who: str) -> AlarmRecord:
        """Somebody has seen it. Raises NotDone."""
        return self._do(key, lambda record, now: acknowledge(record, who, now))

    def shelve(self, key: str, length: timedelta, who: str, reason: str) -> AlarmRecord:
        """Put it away for a time. Raises NotDone."""
        return self._do(key, lambda record, now: shelve(record, now + length, who, reason, now))

    def linked(self, token: str) -> Linked:
        """What a link leads to. Raises NotDone: 404 for one that is none of ours, 410 for one that is too old."""
        link = self._read(token)
        record = next((one for one in self._store.alarms() if one.key == link.key), None)
        return _seen(link, record)

    def acknowledge_link(self, token: str) -> Linked:
        """Acknowledge what a link leads to. Raises NotDone as ``linked``; what is not open any more is not touched."""
        link = self._read(token)

        def act(record: AlarmRecord, now: datetime) -> tuple[AlarmRecord, Transition]:
            if not link.is_about(record):
                raise NotApplicableError("it has come again since")
            return acknowledge(record, link.who, now)

        try:
            change(self._store, link.key, act, self._now())
            self._changed()
        except (LookupError, NotApplicableError):
            pass  # what ``linked`` says of it says why
        except Overtaken as problem:
            raise NotDone(str(problem), 409) from None
        return self.linked(token)

    def _do(self, key: str, act: Act) -> AlarmRecord:
        try:
            record = change(self._store, key, act, self._now())
        except LookupError as problem:
            raise NotDone(str(problem.args[0]), 404) from None
        except (NotApplicableError, Overtaken) as problem:
            raise NotDone(str(problem), 409) from None
        self._changed()
        return record

    def _read(self, token: str) -> Link:
        try:
            return self._links.read(token, self._now())
        except Forged:
            raise NotDone(
                "This link is none of this agent's, or a part of it was lost on the way. Open it from the message, "
                "or acknowledge the alarm on its page.", 404
            ) from None  # fmt: skip
        except Expired:
            raise NotDone(
                "This link is too old. If the alarm still stands, acknowledge it on its page, or by the link of a "
                "newer message.", 410
            ) from None  # fmt: skip


def _seen(link: Link, record: AlarmRecord | None) -> Linked:
    if record is None or (record.state is AlarmState.NORMAL and link.is_about(record) and not record.acknowledged_by):
        return Linked(link.who, record, False, "This alarm is over; there is nothing to acknowledge any more.")
    if not link.is_about(record):
        said = "It was over meanwhile and has come again. A newer message about it has a link of its own."
        return Linked(link.who, record, False, said)
    if record.state in _OPEN:
        over = "It is over, but nobody has acknowledged it yet." if record.state is AlarmState.RETURNED else ""
        return Linked(link.who, record, True, over or "Nobody has acknowledged it yet.")
    if record.acknowledged_by and record.acknowledged_at is not None:
        at = clock_words(record.acknowledged_at, str(record.facts.get("zone") or "UTC"))
        return Linked(link.who, record, False, f"It was acknowledged by {record.acknowledged_by} at {at}.")
    return Linked(link.who, record, False, f"It is {words(record.state)}: there is nothing to acknowledge now.")
