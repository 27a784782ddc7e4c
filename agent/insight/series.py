"""Histories as arrays: counters made to grow only, levels as shares, both cut at a moment and put in order.

Moments are POSIX seconds. What a printer or an import did wrong (rows out of order, two values for one moment, a
counter that fell) is mended here, and said in a Note.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from agent.insight import counters
from agent.insight.days import Floats, Ints
from agent.model.fleet import ContactRun, CounterTrack, CountPoint, LevelPoint, SupplyTrack
from agent.model.insight import Note
from agent.model.reading import Amount, Mark

Bools = NDArray[np.bool_]
P = TypeVar("P", CountPoint, LevelPoint)

SOME = -3.0
"""How ``Levels.share`` says "some remaining"; NaN stands for no number at all."""
_SURELY_HONEST = 25.0  # Pages a minute below which a step forward needs no closer look.
DAY = 86_400.0


@dataclass(frozen=True, slots=True)
class Counts:
    """A counter as a count that only grows. ``total[k]`` holds from ``at[k]``; ``before[k]`` is the last moment at
    which ``total[k - 1]`` was still seen. ``lost[k]``: how much was counted in this step is not known (a reset)."""

    at: Floats
    total: Floats
    before: Floats
    lost: Bools

    def bracket(self, at: Floats) -> tuple[Floats, Floats]:
        """The least and the most that can have been counted when something happened that was first seen at ``at``."""
        here = np.searchsorted(self.at, at, side="right") - 1
        safe = np.clip(here, 0, None)
        after = self.total[safe]
        moved = (self.at[safe] == at) & (safe > 0)
        return np.where(moved, self.total[np.clip(safe - 1, 0, None)], after), after


@dataclass(frozen=True, slots=True)
class Levels:
    """What a supply showed: from ``at[k]`` on the share ``share[k]`` (0..1, SOME, or NaN for unknown)."""

    at: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class Heard:
    """The runs of contact that answered, up to a moment: ``first[k]`` .. ``last[k]``. ``cadence``: seconds from one
    reading to the next, as far as can be told from when things changed. ``silent``: the beginnings of silences."""

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


def in_order(points: Sequence[P], until: datetime, subject: str, notes: list[Note]) -> tuple[Sequence[P], Floats]:
    """The points up to ``until`` in order of time, one for each moment (the later row wins), and their moments."""
    at = np.array([point.at.timestamp() for point in points])
    steps = np.diff(at)
    if steps.size and steps.min() <= 0:
        backwards, double = int((steps < 0).sum()), int((steps == 0).sum())
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
    end = bisect_right(at, until.timestamp()) if at.size else 0  # type: ignore[call-overload]
    return points[:end], at[:end]


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
    cadence = float(np.clip(np.quantile(gaps, 0.1), 300.0, DAY)) if gaps.size else DAY
    first = np.array([run[0] for run in good])
    last = np.maximum.accumulate(np.array([run[1] for run in good])) if good else np.array([])
    return Heard(first, last, cadence, np.array(silent))


def seen_before(at: Floats, contact: Heard) -> Floats:
    """For each change the last moment before it at which the value before was still seen."""
    if at.size == 0:
        return at
    before = np.concatenate([at[:1], at[:-1]])
    if contact.first.size == 0:
        return before
    run = np.searchsorted(contact.first, at, side="right") - 1
    safe = np.clip(run, 0, None)
    inside = (run >= 0) & (at > contact.first[safe]) & (at <= contact.last[safe] + 1.0)
    poll = np.where(inside, np.maximum(contact.first[safe], at - contact.cadence), -np.inf)
    earlier = np.where(contact.first[safe] >= at, safe - 1, safe)
    ended = np.where(earlier >= 0, contact.last[np.clip(earlier, 0, None)], -np.inf)
    poll = np.where(~inside & (ended < at), ended, poll)
    return np.maximum(before, np.minimum(poll, at))


def counts(track: CounterTrack, until: datetime, contact: Heard, notes: list[Note]) -> Counts:
    """A counter track as a count that only grows; wraps are counted through, resets and leaps are left out and noted."""
    subject = f"counter {track.name}"
    points, at = in_order(track.points, until, subject, notes)
    values = np.array([point.value for point in points], dtype=np.float64)
    before = seen_before(at, contact)
    lost = np.zeros(at.size, dtype=bool)
    if at.size == 0:
        return Counts(at, values, before, lost)
    delta = np.diff(values)
    minutes = np.diff(at) / 60
    doubtful = np.flatnonzero((delta < 0) | (delta > _SURELY_HONEST * (minutes + 10)) | (values[1:] < 0))
    for index in doubtful.tolist():
        old, new = points[index], points[index + 1]
        if old.value < 0 or new.value < 0:
            delta[index], lost[index + 1] = 0.0, True
            notes.append(Note(subject, f"showed the impossible {min(old.value, new.value)} on {new.at:%Y-%m-%d}"))
            continue
        verdict = counters.step(old, new.at, new.value, wraps_at=track.wraps_at, unit=track.unit)
        if verdict.delta is not None and verdict.kind in ("same", "forward", "wrap"):
            delta[index] = verdict.delta
            continue
        lost[index + 1] = True
        # After a reset it has counted at least what it shows now, as long as that is little.
        small = verdict.limit is not None and new.value <= min(verdict.limit, 2_000.0)
        delta[index] = float(new.value) if verdict.kind == "reset" and small else 0.0
        notes.append(Note(subject, f"on {new.at:%Y-%m-%d}: {verdict.text}"))
    return Counts(at, np.concatenate([[0.0], np.cumsum(delta)]), before, lost)


def _share(level: Amount, capacity: Amount, *, percent: bool) -> float:
    if level is Mark.SOME:
        return SOME
    if isinstance(level, Mark) or level < 0:
        return float("nan")
    if isinstance(capacity, Mark):
        return level / 100 if percent and level <= 100 else float("nan")
    if capacity <= 0:
        return float("nan")
    return min(1.0, level / capacity)


def levels(track: SupplyTrack, until: datetime, notes: list[Note]) -> tuple[Levels, Ints]:
    """A supply track as shares of its capacity, and the indices at which the capacity became another number.

    A capacity that changes in mid-life makes the shares before and after incomparable in amount, not in share: the
    share is what the printer says is still good, so it is kept, and the change is noted.
    """
    points, at = in_order(track.points, until, track.key, notes)
    percent = track.unit == "percent"
    share = np.array([_share(point.level, point.capacity, percent=percent) for point in points])
    capacity = [point.capacity if isinstance(point.capacity, int) else -1 for point in points]
    known = np.array(capacity, dtype=np.int64)
    changed = np.flatnonzero((np.diff(known) != 0) & (known[1:] > 0) & (known[:-1] > 0)) + 1 if known.size > 1 else None
    where = changed if changed is not None else np.array([], dtype=np.int64)
    if any(
        isinstance(point.level, int) and isinstance(point.capacity, int) and point.level > point.capacity > 0
        for point in points
    ):
        notes.append(Note(track.key, "showed a level above its capacity; it is taken as full"))
    return Levels(at, share), where
