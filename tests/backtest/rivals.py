"""What the forecasts are judged against: a straight line, level over mean use, and an oracle.

The rivals see what the printer showed, as a diligent technician with a spreadsheet would use it. Where a level shows
swaps, the true ones are told to them (they need not find them); where only "some" is shown they have the same ledger as
the method, in which one swap of twenty is missing. They give one day; for the pinball loss that day is dressed with the
quantiles of the ratio truth / forecast which the same rival had on tuning seeds, so that it is not punished for lacking
an interval.
"""

from __future__ import annotations

import numpy as np

from tests.backtest.world import PHASES, SLOTS, SOME_ONLY, UNKNOWN, World

HOURS = np.array(SLOTS) / 24.0


class Seen:
    """The readings of one printer by 8 o'clock of a day, since the last swap: days (fractional), levels, counts."""

    def __init__(self, world: World, printer: int, day: int) -> None:
        slot = day * 3 + 1  # readings before the one at 12 o'clock
        first = 0
        lengths = []
        for begin, end in _known_lives(world, printer):
            if begin < slot:
                first = max(first, begin)
            if 0 < end < slot:
                pages = world.count[printer, end] - world.count[printer, begin]
                if begin > 0 and pages > 0:
                    lengths.append(float(pages))
        ok = world.heard[printer, :slot] & (world.shown[printer, :slot] != UNKNOWN)
        every = np.flatnonzero(ok)
        self.slots = every[every >= first]
        self.at = self.slots // 3 + HOURS[self.slots % 3] - (day + 8 / 24)
        self.level = world.shown[printer, self.slots]
        self.count = world.count[printer, self.slots]
        self.past = lengths
        whole = world.shown[printer, every]
        falls = -np.diff(whole)
        span = (every[-1] - every[0]) / 3 if every.size > 1 else 1.0
        self.fall_a_day = float(falls[(falls > 0) & (falls < 0.5)].sum()) / max(span, 1.0)
        counts = world.count[printer, every]
        steps = np.diff(counts)
        self.pages_a_day = float(steps[steps > 0].sum()) / max(span, 1.0)


def _known_lives(world: World, printer: int) -> list[tuple[int, int]]:
    """The first reading of each life that the rivals know of, and its successor's (-1: none)."""
    index: dict[int, list[tuple[int, int]]] | None = getattr(world, "_by_printer", None)
    if index is None:
        index = {}
        if world.step == SOME_ONLY:
            for one in range(world.printers):
                begins = [0, *(slot + 1 for at, slot in world.logged if at == one)]
                index[one] = list(zip(begins, [*begins[1:], -1], strict=True))
        else:
            for life in world.lives:
                index.setdefault(life.printer, []).append((life.first, life.end_slot))
        world._by_printer = index  # type: ignore[attr-defined]
    return index.get(printer, [])


def straight_line(seen: Seen, step: float) -> float:
    """(a) The least-squares line through the levels of the last 30 days, to zero; NaN when it does not fall."""
    if step == SOME_ONLY:
        return float("nan")
    late = seen.at >= -30
    at, level = seen.at[late], seen.level[late]
    if at.size < 3 or np.ptp(level) == 0:
        return float("nan")
    slope, height = np.polyfit(at, level, 1)
    return float(max(0.0, -height / slope)) if slope < 0 else float("nan")


def mean_use(seen: Seen, step: float) -> float:
    """(b) The level shown over the printer's mean use a day; with "some" only, pages left of the mean life of pages."""
    if step == SOME_ONLY:
        if not seen.past or seen.pages_a_day <= 0 or seen.count.size == 0:
            return float("nan")
        gone = seen.count[-1] - seen.count[0]
        return float(max(0.0, np.mean(seen.past) - gone) / seen.pages_a_day)
    if seen.fall_a_day <= 0 or seen.level.size == 0:
        return float("nan")
    return float(seen.level[-1] / seen.fall_a_day)


def oracle(world: World, printer: int, day: int) -> float:
    """(c) The true level, the true use a page, and each coming day's expected pages."""
    return world.time_until_dry(printer, day, pages=world.expected)


__all__ = ["PHASES", "Seen", "mean_use", "oracle", "straight_line"]
