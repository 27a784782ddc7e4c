"""How well swaps are told: with hindsight (lives), and as they happen (sweep by sweep)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from agent.insight.printer import look
from agent.insight.swaps import swap_seen
from tests.backtest import kept
from tests.backtest import world as truth
from tests.backtest.hardness import HARSH
from tests.backtest.trial import teach, terms

DAY = 86_400.0


@dataclass
class Tally:
    """Hits, misses and false calls. ``late``: hits told more than 24 hours after the first reading of the new one."""

    hits: int = 0
    misses: int = 0
    false: int = 0
    late: int = 0

    def row(self) -> dict[str, float]:
        """Precision, recall and the share told within 24 hours."""
        return {
            "swaps": self.hits + self.misses,
            "recall": self.hits / max(1, self.hits + self.misses),
            "precision": self.hits / max(1, self.hits + self.false),
            "within_24_h": 1 - self.late / max(1, self.hits),
        }


def run(
    seed: int, step: float, printers: int, *, told: bool, tick: Callable[[], None] = lambda: None
) -> dict[str, dict[str, float]]:
    """Both tallies over one harsh fleet: only there are rises to be told from swaps.

    A swap that falls into a silence counts from the first reading after it.
    """
    world = truth.make(seed, step, printers=printers, hard=HARSH)
    histories = kept.histories(world)
    what = terms(world.days + 400, told=told)
    fleet = teach(histories, 200, what, tick)
    moments = np.array([one.timestamp() for one in truth.slot_moments(world.days)])
    after, live = Tally(), Tally()
    for printer, history in enumerate(histories):
        real = _real(world, printer, moments)
        lives = look(history, fleet, truth.as_of(world.days - 1), what).lives
        found = [(life.fitted.timestamp(), life.fitted.timestamp()) for life in lives if life.fitted is not None]
        _match(real, found, after, moments[-1])
        _match(real, _as_it_happens(world, printer, history, fleet), live, moments[-1])
        tick()
    return {"hindsight": after.row(), "live": live.row()}


def _real(world: truth.World, printer: int, moments: np.ndarray) -> list[float]:
    """The first readings of new lives; lives that came and went unseen are nobody's to tell."""
    first: dict[int, float] = {}
    for life in world.lives:
        if life.printer != printer or life.first == 0:
            continue
        slot = life.first
        ok = world.heard[printer] & (world.shown[printer] != truth.UNKNOWN)
        later = np.flatnonzero(ok[slot:])
        if later.size and slot + int(later[0]) < moments.size - 7:
            first[slot + int(later[0])] = float(moments[slot + int(later[0])])
    return sorted(first.values())


def _match(real: list[float], found: list[tuple[float, float]], tally: Tally, end: float) -> None:
    left = list(found)
    for when in real:
        near = [one for one in left if -6 * 3600 <= one[0] - when <= 1.2 * DAY]
        if not near:
            tally.misses += 1
            continue
        best = min(near, key=lambda one: abs(one[0] - when))
        left.remove(best)
        tally.hits += 1
        tally.late += best[1] - when > DAY + 60
    tally.false += sum(1 for one in left if one[0] < end - 3 * DAY)


def _as_it_happens(world, printer, history, fleet) -> list[tuple[float, float]]:  # type: ignore[no-untyped-def]
    """(moment of the swap, moment at which it was told), asking after each reading that follows a rise."""
    moments = truth.slot_moments(world.days)
    heard = np.flatnonzero(world.heard[printer])
    shown = world.shown[printer, heard]
    known = shown.copy()
    for at in range(1, known.size):  # a reading without a level says the same as the one before
        known[at] = known[at - 1] if known[at] == truth.UNKNOWN else known[at]
    rises = np.flatnonzero(np.diff(known) > 0.05) + 1
    ask = sorted({int(one) + more for one in rises.tolist() for more in (0, 1, 2) if one + more < heard.size})
    told: list[tuple[float, float]] = []
    already = None
    steps = fleet.steps_of((history.printer.model, "toner", "black"))
    if world.step == truth.SOME_ONLY:
        steps = None
    track, counter = history.supplies[0], history.counters[0]
    level_at, count_at = [point.at for point in track.points], [point.at for point in counter.points]
    for one in ask:
        as_of = moments[heard[one]]
        levels = track.points[max(0, bisect_right(level_at, as_of) - 40) : bisect_right(level_at, as_of)]
        recent = counter.points[max(0, bisect_right(count_at, as_of) - 120) : bisect_right(count_at, as_of)]
        finding = swap_seen(
            replace(track, points=levels),
            as_of=as_of,
            contacts=history.contacts,
            counters=[replace(counter, points=recent)],
            already=already,
            steps=steps,
        )
        if finding is not None:
            told.append((finding.at.timestamp(), as_of.timestamp()))
            already = finding.at
    return told
