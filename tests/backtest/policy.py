"""What a rule for swapping costs: stock-outs per 100 lives, and pages thrown away.

A round goes every workday at 8 o'clock. A rule looks at what is known then and swaps or waits. A life that runs dry
between two rounds is a stock-out; what is left in a cartridge that is swapped is thrown away. Each rule is tried on the
same lives, each of which the simulation lets run dry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from agent.insight.printer import look
from tests.backtest import kept
from tests.backtest import world as truth
from tests.backtest.hardness import Hardness
from tests.backtest.trial import teach, terms

ROUNDS = {0: 1, 1: 1, 2: 1, 3: 1, 4: 3}
"""Weekday of a round -> days until the next."""
CHANCES = (0.01, 0.03, 0.05, 0.07, 0.1, 0.12, 0.15, 0.2, 0.3)
FAR = 15
"""With a level to see, a cartridge that lasts for more days than this has no chance worth asking for."""


@dataclass
class Bill:
    """The costs of one rule. ``thrown``: impressions left in swapped cartridges; ``possible``: all that they held."""

    lives: int = 0
    stock_outs: int = 0
    thrown: float = 0.0
    possible: float = 0.0

    def row(self) -> dict[str, float]:
        """Stock-outs per 100 lives, and pages thrown away per life as a share of what a cartridge holds."""
        lives = max(1, self.lives)
        return {
            "lives": self.lives,
            "stock_outs_per_100": 100 * self.stock_outs / lives,
            "pages_thrown_per_life": self.thrown / lives,
            "share_thrown": self.thrown / max(1.0, self.possible),
        }


def run(
    seeds: Sequence[int],
    step: float,
    printers: int,
    hard: Hardness,
    *,
    told: bool,
    tick: Callable[[], None] = lambda: None,
) -> dict[str, dict[str, float]]:
    """Try all rules on lives that began after day 200 and ran dry, those of all seeds together."""
    bills = {name: Bill() for name in _names(step)}
    for seed in seeds:
        _one_fleet(seed, step, printers, hard, bills, told=told, tick=tick)
    return {name: bill.row() for name, bill in bills.items()}


def _one_fleet(
    seed: int,
    step: float,
    printers: int,
    hard: Hardness,
    bills: dict[str, Bill],
    *,
    told: bool,
    tick: Callable[[], None],
) -> None:
    world = truth.make(seed, step, printers=printers, early_until=190, hard=hard)
    histories = kept.histories(world)
    what = terms(world.days + 400, told=told)
    fleets = {day: teach(histories, day, what, tick) for day in (200, 300)}
    for life in world.lives:
        if life.first < 600 or life.end_slot < 0 or not life.dry or life.start < 1.0:
            continue
        _one_life(world, histories, fleets, life, bills, what)
        tick()


def _names(step: float) -> list[str]:
    fixed = ["swap at 10 %", "swap at 20 %"] if step else []
    return fixed + [f"swap when the chance is over {chance:.0%}" for chance in CHANCES]


def _one_life(world, histories, fleets, life, bills, what) -> None:  # type: ignore[no-untyped-def]
    waiting = set(bills)
    first, last = (life.first + 2) // 3, (life.end_slot - 1) // 3
    for bill in bills.values():
        bill.lives += 1
        bill.possible += 1 / life.use
    for day in range(first, last + 1):
        ahead = ROUNDS.get((truth.FIRST.weekday() + day) % 7)
        if ahead is None or world.use[life.printer, day] != life.use:
            continue
        level = world.level[life.printer, day]
        slots = np.arange(max(life.first, day * 3 - 30), day * 3 + 1)
        slots = slots[world.heard[life.printer, slots] & (world.shown[life.printer, slots] != truth.UNKNOWN)]
        shown = float(world.shown[life.printer, slots[-1]]) if slots.size else 1.0
        chance = 0.0
        if world.step == truth.SOME_ONLY or world.time_until_dry(life.printer, day) < FAR:
            fleet = fleets[300 if day >= 300 else 200]
            found = look(histories[life.printer], fleet, truth.as_of(day), what).forecasts[0]
            chance = found.empty.chance_within(ahead) if found.empty is not None else 0.0
        for name in list(waiting):
            if _swaps(name, shown, chance):
                waiting.discard(name)
                bills[name].thrown += level / life.use
        if not waiting:
            return
    for name in waiting:
        bills[name].stock_outs += 1


def _swaps(name: str, shown: float, chance: float) -> bool:
    if name.startswith("swap at"):
        return shown <= float(name.split()[2]) / 100 + 1e-9
    return chance > float(name.rsplit(maxsplit=1)[-1].rstrip("%")) / 100
