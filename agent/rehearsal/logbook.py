"""What the people of a rehearsal's past wrote down: swaps, cleaning, calibration, and now and then nothing."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from agent.model.fleet import LedgerEntry
from agent.model.wording import supply_words
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.kinds import TONER
from agent.rehearsal.wear import Worn

WHO = "Night desk"
FORGOTTEN = 12
"""Every twelfth swap was not logged, so that there is something to be asked about."""
LEFT_OVER = 9
"""So many printers share one whose last cleaning or calibration was left over."""
DAYS_OF_CLEANING, PAGES_OF_CLEANING = 80.0, 50_000.0
PAGES_OF_CALIBRATION = 17_000.0


def logged(fleet: Fleet, ids: Mapping[str, int], until: datetime) -> list[LedgerEntry]:
    """The entries up to ``until``, in order of time. ``ids``: the store's ids by the printers' names."""
    made = list(_swaps(fleet, ids, until))
    for number, worn in enumerate(fleet.printers):
        if worn.who.name in ids:
            made += _upkeep(fleet, worn, number, ids[worn.who.name], until)
    return sorted(made, key=lambda entry: entry.at)


def _swaps(fleet: Fleet, ids: Mapping[str, int], until: datetime) -> Iterator[LedgerEntry]:
    colour = {worn.who.name for worn in fleet.printers if len(worn.kind.colours) > 1}
    swaps = [one for one in fleet.truth.deeds if one.kind == "swap" and one.printer in ids and one.at <= until]
    for number, one in enumerate(swaps):
        if number % FORGOTTEN == 0:
            continue
        yield _entry(one.at, one.subject, ids[one.printer])
        calibrated = one.at + timedelta(minutes=25)
        if one.printer in colour and one.subject != f"{TONER}:black" and calibrated <= until:
            if number % FORGOTTEN == FORGOTTEN - 1:
                continue
            yield _entry(calibrated, "calibration", ids[one.printer])


def _upkeep(fleet: Fleet, worn: Worn, number: int, printer_id: int, until: datetime) -> Iterator[LedgerEntry]:
    rng = random.Random(f"{worn.who.name} upkeep")
    daily = max(worn.kind.pages_a_day, 1.0)
    rhythms = {"clean": min(DAYS_OF_CLEANING, PAGES_OF_CLEANING / daily)}
    if len(worn.kind.colours) > 1:
        rhythms["calibration"] = PAGES_OF_CALIBRATION / daily
    for turn, (plan, days) in enumerate(rhythms.items()):
        back = rng.uniform(0.05, 0.9) * days
        if number % LEFT_OVER == LEFT_OVER - 1 - 4 * turn:
            back += days
        moments: Sequence[datetime] = [until - timedelta(days=back + n * days) for n in range(60)]
        for at in moments:
            if at > fleet.start:
                yield _entry(_at_work(at, worn), plan, printer_id)


def _at_work(at: datetime, worn: Worn) -> datetime:
    """The same day at a quarter to eight in the morning, before the house opens; of a weekend the Friday before."""
    there = at.astimezone(ZoneInfo(worn.who.place.zone or "UTC"))
    there -= timedelta(days=max(0, there.weekday() - 4))
    return there.replace(hour=7, minute=45, second=0, microsecond=0).astimezone(UTC)


def _entry(at: datetime, subject: str, printer_id: int) -> LedgerEntry:
    return LedgerEntry(at, "service", f"{supply_words(subject)} done", printer_id, subject, WHO)
