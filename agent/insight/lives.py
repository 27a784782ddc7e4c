"""Splitting a supply's history into lives: which rises of the level are swaps, and which are noise.

Noise that is told from a swap:

* a flicker by one step, and a shaken cartridge (a rise by a few percent near the end): too small a rise;
* a reading after power-up: it goes back, soon and by more than the pages printed can explain;
* a gap of unknown levels: skipped, the known levels on both sides are compared;
* another capacity with the same share: the share is compared, not the amount.

A rise that lasts and is larger is a swap; a level well below full after it means a cartridge that was used before.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy.special import ndtr

from agent.insight.days import Floats
from agent.insight.series import DAY, SOME, Counts, Heard, Levels, moment, stamp
from agent.insight.steps import SOME_ONLY, Steps
from agent.model.day_words import dated_words
from agent.model.fleet import LedgerEntry
from agent.model.insight import DRY, EARLY, STILL_IN, UNKNOWN_END, Note

SWAP_KINDS = frozenset({"swap", "swapped", "service"})
"""Kinds of ledger entries by which a person says that a supply (the entry's subject) was exchanged."""
_SOON = 3 * DAY
_NEAR = 3 * DAY
_EXPLAINED = 0.67
_BLINK = 1.5 * DAY
"""A level that is back where it was after no longer than this never really left."""
_FULL = 0.965
_YES = np.array([True])


@dataclass(frozen=True, slots=True)
class Shown:
    """The known levels of one supply: moments, shares, and the impressions (at least, at most) at each first sight.

    ``some``: where the printer said only that some remains; ``only_some``: it never says more than that (or nothing).
    """

    at: Floats
    share: Floats
    low: Floats
    high: Floats
    some: np.ndarray[tuple[int], np.dtype[np.bool_]]
    only_some: bool


@dataclass(frozen=True, slots=True)
class Swap:
    """A swap: the index in ``Shown`` of the first level of the new life, how sure, and whether it is a used one."""

    index: int
    at: float
    sure: float
    used_before: bool = False
    logged: bool = False
    text: str = ""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One life as indices ``first`` .. ``last`` (both included) of ``Shown``. ``swap``: how it began, if seen."""

    first: int
    last: int
    swap: Swap | None
    until: float
    followed: bool


def shown(levels: Levels, counts: Counts | None) -> Shown:
    """The levels that say something, with the pages at each."""
    at, share = levels.at, levels.share
    unknown = np.isnan(share)
    if unknown.any():
        at, share = at[~unknown], share[~unknown]
    some = share == SOME
    only = False
    if some.any():
        share = np.where(some, 1.0, share)
        only = not bool(((share > 0) & ~some).any())
    if at.size > 1:  # What says the same as before says nothing new (a gap of unknown levels lay between).
        fresh = (share[1:] != share[:-1]) | (some[1:] != some[:-1])
        if not fresh.all():
            fresh = np.concatenate([_YES, fresh])
            at, share, some = at[fresh], share[fresh], some[fresh]
    if counts is None or counts.at.size == 0:
        zero = np.zeros(at.size)
        return Shown(at, share, zero, zero, some, only)
    low, high = counts.bracket(at)
    return Shown(at, share, low, high, some, only)


def _use_a_page(seen: Shown, step: float) -> float:
    """A rough use per impression: all plausible falls over all impressions, where the counter tells these."""
    if not seen.at.size:
        return 0.0
    # A counter whose points begin later than the levels says nothing of the falls before.
    first = max(0, int(seen.high.searchsorted(seen.low[0], side="right")) - 1)
    share = seen.share[first:]
    fall = share[:-1] - share[1:]
    good = fall[(fall > 0) & (fall <= max(2.5 * step, 0.08))]
    pages = float(seen.high[-1] - seen.low[0])
    return float(good.sum()) / pages if pages > 0 else 0.0


def find(seen: Shown, steps: Steps, contact: Heard) -> tuple[list[int], list[Swap]]:
    """The indices of the levels that are believed, and the swaps among them (indices into that list)."""
    return _Splitter(seen, steps, contact).split()


class _Splitter:
    """One pass over the levels of a supply.

    ``use``: generously, what a page may take; ``slack``: how far two levels may lie apart and still be the same.
    """

    def __init__(self, seen: Shown, steps: Steps, contact: Heard) -> None:
        self.seen, self.steps, self.contact, self.size = seen, steps, contact, steps.size
        self.share: list[float] = seen.share.tolist()
        self.at: list[float] = seen.at.tolist()
        self.pages: list[float] = ((seen.low + seen.high) / 2).tolist()
        self.use = 3.0 * _use_a_page(seen, self.size)
        self.slack = self.size / 2 + 0.012
        self.believed: list[int] = []
        self.swaps: list[Swap] = []

    def split(self) -> tuple[list[int], list[Swap]]:
        share, believed = self.share, self.believed
        fall = self.seen.share[:-1] - self.seen.share[1:]
        # By far the most went down a little, in runs: each run is taken at once.
        turns = [*(((fall < 0.0) | (fall >= 0.3)).nonzero()[0] + 1).tolist(), len(share)]
        turn = index = 0
        while index < len(share):
            if not believed or 0.0 <= share[believed[-1]] - share[index] < 0.3:
                while turns[turn] <= index:
                    turn += 1
                believed.extend(range(index, turns[turn]))
                index = turns[turn]
                continue
            if share[index] > share[believed[-1]] and not self.seen.only_some:
                back = self._goes_back(believed[-1], index)
                if back is not None:
                    index = back
                    continue
                self._drop_dips(index)
            swap = self._judge(index)
            if swap is not None:
                self.swaps.append(swap)
            believed.append(index)
            index += 1
        return believed, self.swaps

    def _goes_back(self, old: int, new: int) -> int | None:
        """The index at which a risen level has fallen back by more than pages explain; None if it stays."""
        share, at = self.share, self.at
        for later in range(new + 1, min(new + 7, len(share))):
            if at[later] - at[new] > _SOON:
                return None
            fall = share[new] - share[later]
            if abs(share[later] - share[old]) < 0.5 * self.size and at[later] - at[new] <= _BLINK:
                return later
            enough = fall > 1.6 * self.size and fall > _EXPLAINED * self.use * (self.pages[later] - self.pages[new])
            # Far below the old level it has not gone back to it: that is another oddity.
            lowest = share[old] - self.slack - self.use * (self.pages[later] - self.pages[old])
            if lowest <= share[later] <= share[old] + self.slack and enough:
                return later
        return None

    def _drop_dips(self, new: int) -> None:
        """Forget the last one to three levels when they were a dip that this level has just climbed out of."""
        share, at, pages, believed = self.share, self.at, self.pages, self.believed
        for many in range(1, min(4, len(believed))):
            before, dip = believed[-many - 1], believed[-many]
            if at[new] - at[dip] > 2 * DAY or (self.swaps and self.swaps[-1].index >= len(believed) - many):
                return
            if abs(share[new] - share[before]) < 0.5 * self.size and at[new] - at[dip] <= _BLINK:
                del believed[-many:]
                return
            fall = share[before] - share[dip]
            explained = self.use * (pages[new] - pages[before])
            level = abs(share[new] - share[before]) <= self.slack + explained
            level = level and share[new] <= share[before] + self.slack
            if level and fall > 1.6 * self.size and fall > _EXPLAINED * self.use * (pages[dip] - pages[before]):
                del believed[-many:]
                return

    def _judge(self, index: int) -> Swap | None:
        """Whether the level at ``index`` begins a new life."""
        seen, size, last = self.seen, self.size, self.believed[-1]
        before, now, place, at = self.share[last], self.share[index], len(self.believed), self.at[index]
        rise = now - before
        if seen.only_some or (seen.some[index] and not seen.some[last]):
            if rise <= 0.3:
                return None
            return Swap(place, at, 0.9 if before <= size else 0.7, text="shows some again after it was empty")
        if rise < 0:
            return self._worse_one(index)
        full = now >= _FULL - (size if self.steps.rounding < 0.25 else 0.0)
        if rise < (max(0.06, 1.5 * size) if full else max(0.15, 1.5 * size)):
            return self._stays_up(index)
        sure = 0.995 if full and before <= 0.35 else 0.97 if full else 0.93 if rise >= 0.3 else 0.85
        if self.contact.latest <= at + 1.0:  # Nothing confirms it yet.
            # At the very end of a life a full reading is a new cartridge; higher up it may be a blink.
            left = before + (1 - self.steps.rounding) * size - self.use / 3 * (self.pages[index] - self.pages[last])
            silent = bool(((self.contact.silent > self.at[last]) & (self.contact.silent <= at)).any())
            early = before > 0.06 or (size > 0.06 and left > 0.06)
            sure = min(sure, 0.6 if silent or early or not full else 0.95)
        return Swap(place, at, sure, used_before=not full)

    def _stays_up(self, index: int) -> Swap | None:
        """A rise by one coarse step is no flicker when it lasts for more pages than a flicker or a shake could."""
        before, now, use = self.share[self.believed[-1]], self.share[index], self.use / 3
        if self.size < 0.08 or now - before < 0.75 * self.size or use <= 0 or self._blinks(index):
            return None
        later = np.flatnonzero(self.seen.share[index:] < now - 1e-9)
        until = self.pages[index + int(later[0])] if later.size else self.pages[-1]
        if (until - self.pages[index]) * use < 0.9 * self.size:
            return None
        text = "rose by one step and stayed"
        return Swap(len(self.believed), self.at[index], 0.75, used_before=now < _FULL, text=text)

    def _blinks(self, index: int) -> bool:
        """Whether the level before this one, or this one, was shown for a moment only, on the way down or up."""
        share, at, believed = self.share, self.at, self.believed
        if len(believed) > 1 and share[index] <= share[believed[-2]] and at[index] - at[believed[-1]] <= _BLINK:
            return True
        return index + 1 < len(share) and share[index + 1] > share[index] and at[index + 1] - at[index] <= _BLINK

    def _worse_one(self, index: int) -> Swap | None:
        """A great fall that pages do not explain, and that lasts: a cartridge with less in it, or a corrected gauge."""
        share, size, old = self.share, self.size, self.believed[-1]
        fall = share[old] - share[index]
        explained = 3 * self.use * (self.pages[index] - self.pages[old])
        if self.use <= 0 or fall < max(0.3, 2.5 * size, explained + size):
            return None
        later = share[index + 1 : index + 4]
        if share[index] <= size or not later or max(later) > share[index] + size:
            return None
        text = "fell by far more than pages explain"
        return Swap(len(self.believed), self.at[index], 0.5, used_before=True, text=text)


def logged_swaps(entries: Iterable[LedgerEntry], key: str, until: datetime) -> list[float]:
    """When people logged a swap of one supply, in order."""
    end = stamp(until)
    logged = (stamp(one.at) for one in entries if one.kind in SWAP_KINDS and one.subject == key)
    return sorted(at for at in logged if at <= end)


def with_ledger(
    seen: Shown,
    believed: Sequence[int],
    swaps: list[Swap],
    logged: Sequence[float],
    key: str,
    notes: list[Note],
    zone: str,
) -> list[Swap]:
    """The swaps, surer where a person logged them; for a supply without numbers the logged ones count by themselves.

    ``logged``: when, in order. ``zone``: in which the days of notes are told.
    """
    made = list(swaps)
    if not logged:
        return sorted(made, key=lambda swap: swap.at)
    at = seen.at[list(believed)] if believed else seen.at[:0]
    for when in logged:
        near = [index for index, swap in enumerate(made) if abs(swap.at - when) <= _NEAR]
        if near:
            best = min(near, key=lambda index: abs(made[index].at - when))
            old = made[best]
            made[best] = Swap(old.index, old.at, 0.999, old.used_before, logged=True, text=old.text)
        elif seen.only_some or at.size == 0:
            made.append(Swap(int(np.searchsorted(at, when, side="right")), when, 0.98, logged=True, text="logged"))
        else:
            notes.append(Note(key, f"a swap was logged on {dated_words(moment(when), zone)}, but the level shows none"))
    return sorted(made, key=lambda swap: swap.at)


def steps_of(seen: Shown, found: Steps) -> Steps:
    """The steps of a supply: those found, or one whole step where the printer only says "some"."""
    return SOME_ONLY if seen.only_some else found


def stretches(believed: Sequence[int], swaps: Sequence[Swap], until: float) -> list[Stretch]:
    """The lives in order. A logged swap without a level of its own makes a life whose indices are those before it."""
    made: list[Stretch] = []
    count = len(believed)
    starts: list[tuple[int, Swap | None]] = [(0, None)] if not swaps or swaps[0].index > 0 else []
    starts += [(swap.index, swap) for swap in swaps]
    for number, (start, swap) in enumerate(starts):
        following = starts[number + 1] if number + 1 < len(starts) else None
        stop = (following[0] if following else count) - 1
        end = following[1].at if following and following[1] else until
        made.append(Stretch(min(start, count - 1), max(stop, min(start, count - 1)), swap, end, following is not None))
    return made


def ending(
    *, followed: bool, only_some: bool, shown_last: float, share: float, doubt: float, size: float
) -> tuple[str, float]:
    """How a life ended and how sure that is. ``share``: what was probably left, ``doubt`` how far off that may be."""
    if not followed:
        return STILL_IN, 1.0
    if only_some:
        return (DRY, 0.9) if shown_last <= 0.0 else (EARLY, 0.8)
    limit = 0.015
    chance = float(ndtr((limit - share) / max(doubt, 0.004)))
    if shown_last <= size / 2 and chance >= 0.5:
        return DRY, max(0.5, chance)
    if chance >= 0.5 and shown_last > size / 2:
        return UNKNOWN_END, 0.5
    return EARLY, max(0.5, 1 - chance)
