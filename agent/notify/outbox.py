"""The outbox: every message reaches its channel at least once, or is visibly given up.

A message is in the store before it is sent and is marked only after its receiver has it, so a crash between may double
it (receivers recognise it by Message-ID or Idempotency-Key) and never loses it. A failed try is repeated after

    30 s, 1 min, 2 min, 4 min ... at most 1 h, each between half and the whole of that, so that many do not come at once

until ``MOST_TRIES`` tries and ``LONGEST_AGE`` have both passed, then the message is a dead letter. What is refused for
good gets ``FINAL_TRIES`` tries.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from agent.alarms.wording import clean
from agent.model.alarm import Message
from agent.model.outbox import Letter
from agent.notify.channel import Channel, Undelivered

FIRST_PAUSE = timedelta(seconds=30)
LONGEST_PAUSE = timedelta(hours=1)
MOST_TRIES = 30
LONGEST_AGE = timedelta(days=2)
FINAL_TRIES = 2
FOLD = 50
"""At most so many messages in one mail."""
DEADLINE = 120.0
"""Seconds for all pieces of one channel in one round; what is then not sent is tried in a later one."""


class Letters(Protocol):
    """The storage that the outbox needs; may be called from any thread."""

    def due(self, now: datetime, limit: int = 100) -> Sequence[Letter]:
        """Waiting letters whose next try has come, the oldest first."""

    def mark_sent(self, letter_id: int, now: datetime) -> None:
        """The receiver has it."""

    def mark_failed(self, letter_id: int, now: datetime, error: str, next_try: datetime | None) -> None:
        """A try failed; ``next_try`` None: given up."""


@dataclass(frozen=True, slots=True)
class Round:
    """What one round did, in messages. ``errors``: one sentence for each piece that failed."""

    sent: int = 0
    failed: int = 0
    dead: int = 0
    errors: tuple[str, ...] = ()


class Outbox:
    """Carries letters from the store to their channels. ``chance`` gives 0 <= x < 1, for the jitter."""

    def __init__(
        self,
        letters: Letters,
        channels: Mapping[str, Channel],
        *,
        chance: Callable[[], float] = random.random,
        deadline: float = DEADLINE,
        limit: int = 1000,
    ) -> None:
        self._letters = letters
        self._channels = dict(channels)
        self._chance = chance
        self._deadline = deadline
        self._limit = limit
        self._working: set[str] = set()
        self._claiming = asyncio.Lock()

    def use(self, channels: Mapping[str, Channel]) -> None:
        """Take up changed settings. What is being sent now is sent by the old ones."""
        self._channels = dict(channels)

    async def run_once(self, now: datetime) -> Round:
        """Try everything that is due, all channels at the same time. Raises what the storage raises.

        May be called again while a slow channel is still at work: that channel is left alone then.
        """
        by_channel = await self._claim(now)
        rounds = await asyncio.gather(*(self._serve(name, some, now) for name, some in by_channel.items()))
        return Round(
            sum(part.sent for part in rounds),
            sum(part.failed for part in rounds),
            sum(part.dead for part in rounds),
            tuple(error for part in rounds for error in part.errors),
        )

    async def _claim(self, now: datetime) -> dict[str, list[Letter]]:
        """What is due, by channel, without the channels that are at work; those found are at work from now on."""
        async with self._claiming:
            # A channel that ends its work while we read would show letters that it has just sent.
            busy = set(self._working)
            due = await asyncio.to_thread(self._letters.due, now, self._limit)
            found: dict[str, list[Letter]] = {}
            for letter in due:
                if letter.channel not in busy:
                    found.setdefault(letter.channel, []).append(letter)
            self._working |= found.keys()
            return found

    async def _serve(self, name: str, letters: Sequence[Letter], now: datetime) -> Round:
        try:
            channel = self._channels.get(name)
            sent = failed = dead = 0
            errors: list[str] = []
            loop = asyncio.get_running_loop()
            end = loop.time() + self._deadline
            for piece in _pieces(letters):
                if loop.time() >= end:
                    break  # the others were not tried, so they wait for the next round as they are
                problem = await self._try(channel, name, piece, end)
                if problem is None:
                    sent += len(piece)
                    await self._each(self._letters.mark_sent, [(one.id, now) for one, _ in piece])
                    continue
                gone = await self._failed(piece, problem, now)
                failed, dead = failed + len(piece), dead + gone
                errors.append(str(problem))
            return Round(sent, failed, dead, tuple(errors))
        finally:
            self._working.discard(name)

    async def _try(
        self, channel: Channel | None, name: str, piece: Sequence[tuple[Letter, Message | None]], end: float
    ) -> Undelivered | None:
        messages = [message for _, message in piece if message is not None]
        if len(messages) < len(piece):
            return Undelivered("the stored message cannot be read", permanent=True)
        if channel is None:
            return Undelivered(f"there is no channel {name!r} in the settings")
        try:
            async with asyncio.timeout_at(end):
                await channel.send(messages)
        except Undelivered as problem:
            return problem
        except TimeoutError:
            return Undelivered(f"channel {name}: no answer within {self._deadline:.0f} s")
        except Exception as problem:  # noqa: BLE001 - a fault in one channel must not stop the others
            # Its text may hold anything, a secret too; the name of its kind is enough to look for it.
            return Undelivered(f"channel {name}: {type(problem).__name__}, a fault in the channel itself")
        return None

    async def _failed(self, piece: Sequence[tuple[Letter, Message | None]], problem: Undelivered, now: datetime) -> int:
        """Mark all of the piece alike, so that it stays together. Returns how many were given up."""
        tries = max(letter.tries for letter, _ in piece) + 1
        oldest = min(letter.created for letter, _ in piece)
        next_try = None
        if not given_up(tries, now - oldest, permanent=problem.permanent):
            next_try = now + max(pause(tries, self._chance()), timedelta(seconds=problem.retry_after or 0))
        error = clean(str(problem), 500)
        await self._each(self._letters.mark_failed, [(letter.id, now, error, next_try) for letter, _ in piece])
        return len(piece) if next_try is None else 0

    async def _each(self, mark: Callable[..., None], calls: Sequence[tuple[object, ...]]) -> None:
        def work() -> None:
            for call in calls:
                mark(*call)

        await asyncio.to_thread(work)


def _pieces(letters: Sequence[Letter]) -> list[list[tuple[Letter, Message | None]]]:
    """What goes out as one: letters of one judgement with equally many tries, ``FOLD`` at most."""
    groups: dict[tuple[str, int], list[tuple[Letter, Message | None]]] = {}
    alone: list[list[tuple[Letter, Message | None]]] = []
    for letter in letters:
        message = _read(letter)
        if message is None or not message.batch:
            alone.append([(letter, message)])
        else:
            groups.setdefault((message.batch, letter.tries), []).append((letter, message))
    folded = [group[at : at + FOLD] for group in groups.values() for at in range(0, len(group), FOLD)]
    return sorted(alone + folded, key=lambda piece: piece[0][0].id)


def _read(letter: Letter) -> Message | None:
    try:
        return letter.message
    except (ValueError, TypeError, KeyError, AttributeError):
        return None


def pause(tries: int, chance: float) -> timedelta:
    """How long to wait after so many failed tries (1 or more)."""
    whole = min(LONGEST_PAUSE, FIRST_PAUSE * (1 << min(tries - 1, 20)))
    return whole / 2 + whole / 2 * chance


def given_up(tries: int, age: timedelta, *, permanent: bool) -> bool:
    """Whether a message is a dead letter after so many failed tries."""
    if permanent:
        return tries >= FINAL_TRIES
    return tries >= MOST_TRIES and age >= LONGEST_AGE
