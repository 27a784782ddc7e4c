"""Histories as arrays: counters made to grow only, levels as shares, both cut at a moment and put in order.

Moments are POSIX seconds. What a printer or an import did wrong (rows out of order, two values for one moment, a
counter that fell) is mended here, and said in a Note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from agent.insight import counters
from agent.insight.days import Floats, Ints
from agent.model.day_words import dated_words
from agent.model.fleet import ContactRun, CounterTrack, CountPoint, Dated, LevelPoint, SupplyTrack
from agent.model.insight import Note
from agent.model.reading import Amount, Mark

Bools = NDArray[np.bool_]
P = TypeVar("P", CountPoint, LevelPoint)

SOME = -3.0
"""How ``Levels.share`` says "some remaining"; NaN stands for no number at all."""
_OFTEN = 3600.0
_SURELY_HONEST = 25.0  # Pages a minute below which a step forward needs no closer look.
DAY = 86_400.0


@dataclass(frozen=True, slots=True)
class Counts:
    """A counter as a count that only grows.

    ``total[k]`` holds from ``at[k]``; ``before[k]`` is the last moment at which ``total[k - 1]`` was still seen.
    ``lost[k]``: how much was counted in this step is not known (a reset).
    """

    at: Floats
    total: Floats
    before: Floats
    lost: Bools

    def bracket(self, at: Floats) -> tuple[Floats, Floats]:
        """The least and the most that can have been counted when something happened that was first seen at ``at``."""
        safe = np.maximum(self.at.searchsorted(at, side="right") - 1, 0)
        after = self.total[safe]
        moved = self.at[safe] == at
        return np.where(moved, self.total[np.maximum(safe - 1, 0)], after), after


@dataclass(frozen=True, slots=True)
class Levels:
    """What a supply showed: from ``at[k]`` on the share ``share[k]`` (0..1, SOME, or NaN for unknown)."""

    at: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class Heard:
    """The runs of contact that answered, up to a moment: ``first[k]`` .. ``last[k]``.

    ``cadence``: seconds from one reading to the next, as far as can be told from when things changed. ``silent``: the
    beginnings of silences.
    """

    first: Floats
    last: Floats
    cadence: float
    silent: Floats

    @property
    def latest(self) -> float:
        """The last moment at which the printer answered; NaN if it never did."""
        return float(self.last[-1]) if self.last.size else float("nan")


def stamp(at: datetime) -> float:
    """A moment as POSIX seconds."""
    return at.timestamp()


def moment(at: float) -> datetime:
    """Back from ``stamp``, in UTC."""
    return datetime.fromtimestamp(at, UTC)


@dataclass(frozen=True, slots=True)
class Ordered(Generic[P]):
    """The points of one track up to a moment, in order of time, one for each moment, and these moments."""

    points: Sequence[P]
    at: Floats


def in_order(points: Sequence[P], until: datetime, subject: str, notes: list[Note]) -> Ordered[P]:
    """Put points in order of time, drop doubles (the later row wins) and what came after ``until``."""
    at = (
        np.array(points.stamps)
        if isinstance(points, Dated)
        else np.fromiter(map(datetime.timestamp, [one.at for one in points]), np.float64, len(points))
    )
    steps = at[1:] - at[:-1]
    if steps.size and steps.min() <= 0:
        backwards = int((steps < 0).sum())
        if backwards:
            notes.append(Note(subject, f"{backwards} reading(s) stood out of order and were put in order of time"))
        order = np.argsort(at, kind="stable")
        at = at[order]
        keep = np.append(np.diff(at) > 0, True)
        if not keep.all():
            double = int((~keep).sum())
            notes.append(Note(subject, f"{double} reading(s) shared a moment with another; the later row counts"))
        points = [points[index] for index in order[keep]]
        at = at[keep]
    end = int(at.searchsorted(until.timestamp(), side="right"))
    return Ordered(points[:end], at[:end])


def heard(contacts: Sequence[ContactRun], changes: Floats, until: datetime) -> Heard:
    """The contact runs as arrays, cut at ``until``. ``changes``: all moments at which anything changed."""
    end = until.timestamp()
    runs = sorted((run.first.timestamp(), run.last.timestamp(), run.reachable) for run in contacts)
    good = [(first, max(first, min(last, end))) for first, last, ok in runs if ok and first <= end]
    silent = [first for first, _, ok in runs if not ok and first <= end]
    if not good and changes.size:  # A history without contacts: each change was a contact, and nothing else is known.
        good = [(float(change), float(change)) for change in changes]
    elif good and changes.size and changes[-1] > good[-1][1]:
        good.append((float(changes[-1]), float(changes[-1])))
    gaps = np.diff(changes)
    gaps = gaps[gaps > 1.0]
    cadence = min(max(_tenth(gaps), 300.0), DAY) if gaps.size else DAY
    if cadence > _OFTEN:  # A few readings a day come at hours of their own, so only the day is sure.
        cadence = DAY
    first = np.array([run[0] for run in good])
    last = np.maximum.accumulate(np.array([run[1] for run in good])) if good else np.array([])
    return Heard(first, last, cadence, np.array(silent))


def _tenth(values: Floats) -> float:
    """``numpy.quantile(values, 0.1)``, without the tens of microseconds that it takes to be called."""
    place = 0.1 * (values.size - 1)
    at = int(place)
    low, high = np.partition(values, (at, min(at + 1, values.size - 1)))[[at, min(at + 1, values.size - 1)]].tolist()
    share = place - at
    # As numpy does it, so that the last bit is the same.
    made: float = high - (high - low) * (1 - share) if share >= 0.5 else low + (high - low) * share
    return made


def seen_before(at: Floats, contact: Heard) -> Floats:
    """For each change the last moment before it at which the value before was still seen."""
    if at.size == 0:
        return at
    before = np.concatenate([at[:1], at[:-1]])
    if contact.first.size == 0:
        return before
    run = contact.first.searchsorted(at, side="right") - 1
    safe = np.maximum(run, 0)
    inside = (run >= 0) & (at > contact.first[safe]) & (at <= contact.last[safe] + 1.0)
    poll = np.where(inside, np.maximum(contact.first[safe], at - contact.cadence), -np.inf)
    earlier = np.where(contact.first[safe] >= at, safe - 1, safe)
    ended = np.where(earlier >= 0, contact.last[np.maximum(earlier, 0)], -np.inf)
    poll = np.where(~inside & (ended < at), ended, poll)
    made: Floats = np.maximum(before, np.minimum(poll, at))
    return made


def counts(
    track: CounterTrack, ordered: Ordered[CountPoint], contact: Heard, notes: list[Note], zone: str = "UTC"
) -> Counts:
    """A counter track as a count that only grows: through wraps, without resets and leaps, which are noted.

    ``zone``: in which the days of notes are told.
    """
    subject = f"counter {track.name}"
    points, at = ordered.points, ordered.at
    values = np.fromiter([one.value for one in points], np.float64, len(points))
    if values.size and values.min() < 0:
        notes.append(Note(subject, f"showed the impossible {values.min():,.0f}; a count below zero is left out"))
        kept = np.flatnonzero(values >= 0)
        points, at, values = [points[index] for index in kept.tolist()], at[kept], values[kept]
    if (slips := _slips(values)).any():
        first = int(slips.argmax())
        told = (
            f"{values[first]:,.0f} on {dated_words(points[first].at, zone)}, between {values[first - 1]:,.0f} and more"
        )
        notes.append(Note(subject, f"showed {told}; {_values(int(slips.sum()))} left out as misread"))
        points, at, values = [points[index] for index in np.flatnonzero(~slips).tolist()], at[~slips], values[~slips]
    before = seen_before(at, contact)
    lost = np.zeros(at.size, dtype=bool)
    if at.size == 0:
        return Counts(at, values, before, lost)
    delta = np.diff(values)
    minutes = np.diff(at) / 60
    doubtful = np.flatnonzero((delta < 0) | (delta > _SURELY_HONEST * (minutes + 10)))
    for index in doubtful.tolist():
        delta[index], lost[index + 1], why = _doubtful(track, points[index], points[index + 1], zone)
        if why:
            notes.append(Note(subject, why))
    return Counts(at, np.concatenate([[0.0], np.cumsum(delta)]), before, lost)


def _slips(values: Floats) -> Bools:
    """Values that are far below the one before them and the one soon after, which goes on from there: misread."""
    slips = np.zeros(values.size, dtype=bool)
    for fall in np.flatnonzero(values[1:] * 2 < values[:-1]).tolist():
        old = values[fall]
        if slips[fall] or old < _SLIP_FROM:
            continue
        after = values[fall + 2 : fall + 2 + _SLIPS]
        # What was set back does not soon come to where it was, and no board that was put in just above it.
        again = np.flatnonzero((after >= old) & (after <= 1.1 * old + 100))
        if again.size:
            slips[fall + 1 : fall + 2 + int(again[0])] = True
    return slips


def _values(many: int) -> str:
    return "one value is" if many == 1 else f"{many} values are"


def _doubtful(track: CounterTrack, old: CountPoint, new: CountPoint, zone: str) -> tuple[float, bool, str]:
    """How much was counted, whether that is not really known, and what to say of it."""
    verdict = counters.step(old, new.at, new.value, wraps_at=track.wraps_at, unit=track.unit)
    if verdict.delta is not None and not verdict.is_odd:
        return float(verdict.delta), False, ""
    # After a reset it has counted at least what it shows now, as long as that is little.
    small = verdict.limit is not None and new.value <= min(verdict.limit, 2_000.0)
    counted = float(new.value) if verdict.kind == "reset" and small else 0.0
    return counted, True, f"on {dated_words(new.at, zone)}: {verdict.text}"


_SLIPS = 5
"""So many values in a row may be misread (common practice, no source)."""
_SLIP_FROM = 1_000
"""A small counter that was set back may really have come to where it was."""
_CODES = {Mark.SOME: -3, Mark.UNKNOWN: -2, Mark.OTHER: -1}


def _amounts(found: list[Amount]) -> Floats:
    """Amounts as numbers, marks by their codes."""
    try:
        return np.fromiter(found, np.float64, len(found))  # far quicker, and most tracks are numbers throughout
    except TypeError:
        return np.array([_CODES[one] if isinstance(one, Mark) else one for one in found], dtype=np.float64)


def levels(track: SupplyTrack, ordered: Ordered[LevelPoint], notes: list[Note]) -> tuple[Levels, Ints]:
    """A supply track as shares of its capacity, and the indices at which the capacity became another number.

    A capacity that changes in mid-life makes the amounts before and after incomparable, not the shares: the share is
    what the printer says is still good, so it is kept, and the change is noted. Capacity 0 or unknown gives no share,
    except in percent.
    """
    level = _amounts([one.level for one in ordered.points])
    room = _amounts([one.capacity for one in ordered.points])
    if level.size and level.min() >= 0 and room.min() > 0:  # the usual: numbers throughout
        full, share = room, np.minimum(1.0, level / room)
    else:
        full = np.where(room > 0, room, np.nan)
        if track.unit == "percent":
            full = np.where((room < 0) & (level <= 100), 100.0, full)
        share = np.where(level >= 0, np.minimum(1.0, level / full), np.nan)
        share = np.where(level == _CODES[Mark.SOME], SOME, share)
    changed = ((room[1:] != room[:-1]) & (room[1:] > 0) & (room[:-1] > 0)).nonzero()[0] + 1
    if bool((level > full).any()):
        notes.append(Note(track.key, "showed a level above its capacity; it is taken as full"))
    return Levels(ordered.at, share), changed
