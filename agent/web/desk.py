"""What people may do to alarms on the pages, over the API and by the link in a message. The wiring builds it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol

from agent.model.alarm import AlarmRecord
from agent.model.failure import Failure


class NotDone(Failure):
    """What was asked for is not done; the text says why. ``status``: as in HTTP: 404, 409, 410 or 422."""

    def __init__(self, text: str, status: int = 409) -> None:
        super().__init__(text)
        self.status = status


@dataclass(frozen=True, slots=True)
class Linked:
    """What a link in a message leads to. ``who``: whom the link names. ``open``: whether it can be acknowledged now.

    ``said``: how things are, in a sentence. ``record``: None where the alarm is no longer on record.
    """

    who: str
    record: AlarmRecord | None
    open: bool
    said: str


class Desk(Protocol):
    """Called from worker threads. May raise NotDone, or another Failure when the store cannot be used."""

    def acknowledge(self, key: str, who: str) -> AlarmRecord:
        """Somebody has seen it."""

    def shelve(self, key: str, length: timedelta, who: str, reason: str) -> AlarmRecord:
        """Put it away for a time."""

    def linked(self, token: str) -> Linked:
        """What a link leads to; changes nothing."""

    def acknowledge_link(self, token: str) -> Linked:
        """Acknowledge what the link leads to, for whom it names, if that is still open."""
