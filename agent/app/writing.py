"""Letters that are written regularly: when each is due, and handing them to the outbox, each once.

A letter's key holds its name and its day. What the outbox has, in whatever state, is not written again; so a letter is
written at least once, and after a restart not twice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Any, Protocol

from agent.app.calendars import days_off
from agent.app.digests import Sources, chosen, compose, zone_name
from agent.app.parts import calendar
from agent.model.alarm import Message
from agent.model.digest import Digest
from agent.model.failure import Failure
from agent.model.zones import zone_of
from agent.settings import Letter, Settings
from agent.settings.hours import DAYS
from agent.sweep.work import Work

EVERY_SECONDS = 20.0
LATE = {"morning": timedelta(hours=6), "weekly": timedelta(days=2)}
"""So late a letter is still written, when nobody could write it in time."""
_WEEKDAYS = (0, 1, 2, 3, 4)


def is_day(letter: Letter, settings: Settings, day: date) -> bool:
    """Whether the letter is due on this day. Raises UnknownCalendar."""
    if letter.days:
        return DAYS[day.weekday()] in letter.days
    if letter.kind == "weekly":
        return day.weekday() == 0
    site = next((name for name in settings.sites if _names(letter, name)), None)
    if site is not None and (found := calendar(settings, settings.sites[site].calendar, site)) is not None:
        return found.works_on(day)
    code = settings.sites[site].holidays if site is not None else None
    return day.weekday() in _WEEKDAYS and (code is None or day not in days_off(code))


def _names(letter: Letter, site: str) -> bool:
    from agent.model.fleet import Place, Printer

    return bool(letter.sites) and chosen(letter, Printer(0, "", "", place=Place(site)))


def due_day(letter: Letter, settings: Settings, now: datetime) -> date | None:
    """The day whose letter should be there by now, if it is not too late for it. Raises UnknownCalendar."""
    zone = zone_of(zone_name(letter, settings))
    at = time.fromisoformat(letter.at)
    today = now.astimezone(zone).date()
    for back in range(LATE[letter.kind].days + 2):
        day = today - timedelta(days=back)
        moment = datetime.combine(day, at, zone)
        if moment <= now < moment + LATE[letter.kind] and is_day(letter, settings, day):
            return day
    return None


def key_of(letter: Letter, day: date) -> str:
    """What tells one letter from another."""
    return f"letter|{letter.name}|{day.isoformat()}|{letter.channel}"


def message_of(letter: Letter, day: date, digest: Digest, now: datetime) -> Message:
    """The letter as the outbox takes it."""
    return Message(
        dedupe_key=key_of(letter, day),
        channel=letter.channel,
        kind="letter",
        severity="low",
        at=now,
        key=f"letter|{letter.name}",
        occurrence=0,
        reason=f"{letter.kind} letter of {day.isoformat()}",
        text=digest.subject,
        facts={"digest": digest.to_text()},
    )


class Outbox(Protocol):
    """Whoever takes messages to the store."""

    def offer(self, work: Work) -> None: ...  # noqa: D102 - see Recorder


class Writer:
    """Writes the letters of one agent. ``sources``: where they are looked up, asked for in a worker thread."""

    def __init__(
        self,
        settings: Callable[[], Settings],
        sources: Callable[[], Sources],
        outbox: Outbox,
        now: Callable[[], datetime],
        log: Any,
    ) -> None:
        self._settings = settings
        self._sources = sources
        self._outbox = outbox
        self._now = now
        self._log = log
        self._handed: set[str] = set()

    async def look(self) -> None:
        """Write what is due. The schedule calls this every ``EVERY_SECONDS``, one call at a time."""
        if not self._settings().letters:
            return
        for letter in self._settings().letters:
            try:
                await self._one(letter)
            except Failure as problem:
                self._log.warning("a letter could not be written yet", letter=letter.name, problem=str(problem))

    async def _one(self, letter: Letter) -> None:
        now = self._now()
        day = due_day(letter, self._settings(), now)
        if day is None or (key := key_of(letter, day)) in self._handed:
            return
        sources = self._sources()
        if not await asyncio.to_thread(sources.store.knows_message, key):
            digest = await asyncio.to_thread(compose, letter, sources, now)
            self._outbox.offer(Work(messages=(message_of(letter, day, digest, now),)))
            self._log.info("letter written", letter=letter.name, day=day.isoformat(), pictures=len(digest.pictures))
        self._handed.add(key)
