"""An outbox storage in memory, and messages to put into it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from agent.model.alarm import Message
from agent.model.fleet import Scalar
from agent.model.outbox import Letter
from agent.notify.channel import Undelivered

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
FACTS: Mapping[str, Scalar] = {
    "rule": "low",
    "when": "supplyBelow",
    "subject": "toner:cyan",
    "printer": "Front desk",
    "model": "Tallgrass C20",
    "serial": "TG0007",
    "address": "127.0.0.1:1161",
    "place": "Harrow Lane Library, Main building, 2, 2.14",
    "site": "Harrow Lane Library",
    "zone": "Europe/Prague",
    "part": "cyan toner",
    "kind": "toner",
    "colorant": "cyan",
    "description": "TG-40 cyan",
    "unit": "tenthsOfGrams",
    "level": 720,
    "capacity": 9000,
    "fraction": 0.08,
    "limit": 0.1,
    "receptacle": False,
    "counter": 45120,
    "counter_unit": "impressions",
    "raised_at": "2026-03-02T08:00:00+00:00",
    "reading_at": "2026-03-02T07:59:00+00:00",
    "note": "Cartridges are in cupboard 3.",
}


def message(
    key: str = "low|7|toner:cyan",
    *,
    channel: str = "mail",
    event: str = "raised",
    severity: str = "medium",
    batch: str = "",
    text: str = "cyan toner: 8 % left (limit 10 %)",
    **facts: Scalar,
) -> Message:
    """A low-toner message; ``facts`` replace those above."""
    return Message(
        dedupe_key=f"{key}|1@1772438400|{event}.1|{channel}",
        channel=channel,
        kind=event,
        severity=severity,
        at=NOW,
        key=key,
        occurrence=1,
        reason={"raised": "first", "returned": "returned"}.get(event, event),
        text=text,
        batch=batch,
        facts={**FACTS, **facts},
    )


@dataclass
class Box:
    """Keeps letters as a store does: one for each dedupe key."""

    letters: dict[int, Letter] = field(default_factory=dict)
    marks: list[tuple[str, int]] = field(default_factory=list)

    def post(self, messages: Sequence[Message], now: datetime = NOW) -> None:
        for one in messages:
            if all(letter.dedupe_key != one.dedupe_key for letter in self.letters.values()):
                number = len(self.letters) + 1
                payload = json.dumps(one.to_data())
                self.letters[number] = Letter(number, one.dedupe_key, one.channel, payload, now, now)

    def due(self, now: datetime, limit: int = 100) -> Sequence[Letter]:
        waiting = [one for one in self.letters.values() if one.state == "waiting" and one.next_try <= now]
        return sorted(waiting, key=lambda one: (one.next_try, one.id))[:limit]

    def mark_sent(self, letter_id: int, now: datetime) -> None:
        self.marks.append(("sent", letter_id))
        self.letters[letter_id] = replace(self.letters[letter_id], state="sent")

    def mark_failed(self, letter_id: int, now: datetime, error: str, next_try: datetime | None) -> None:
        self.marks.append(("failed", letter_id))
        letter = self.letters[letter_id]
        self.letters[letter_id] = replace(
            letter,
            tries=letter.tries + 1,
            last_error=error,
            state="dead" if next_try is None else "waiting",
            next_try=next_try or letter.next_try,
        )

    def states(self) -> list[str]:
        return [letter.state for _, letter in sorted(self.letters.items())]

    def kill_after(self, calls: int) -> Box:
        """A box that dies after so many marks, as an agent does that is killed; shares the letters."""
        return _Mortal(self.letters, self.marks, calls)


class Killed(BaseException):
    """The end of the process."""


class _Mortal(Box):
    def __init__(self, letters: dict[int, Letter], marks: list[tuple[str, int]], calls: int) -> None:
        super().__init__(letters, marks)
        self._left = calls

    def mark_sent(self, letter_id: int, now: datetime) -> None:
        if not self._left:
            raise Killed
        self._left -= 1
        super().mark_sent(letter_id, now)


@dataclass
class Listener:
    """A channel that keeps what it is given; ``problems`` are raised first, one for each call."""

    name: str = "mail"
    problems: list[BaseException] = field(default_factory=list)
    pieces: list[list[str]] = field(default_factory=list)

    async def send(self, messages: Sequence[Message]) -> None:
        if self.problems:
            raise self.problems.pop(0)
        self.pieces.append([one.key for one in messages])

    async def close(self) -> None:
        pass


def later(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def down(permanent: bool = False, retry_after: float | None = None) -> Undelivered:
    return Undelivered("no connection", permanent=permanent, retry_after=retry_after)
