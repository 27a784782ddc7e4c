"""Running the method and its rivals over one simulated fleet, and scoring them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from agent.insight import runout
from agent.insight.kin import Fleet, pool
from agent.insight.printer import Terms, look, summarise
from agent.insight.reach import flow_of
from agent.insight.usage import ahead
from agent.model.fleet import PrinterHistory
from agent.model.insight import Insight
from tests.backtest import kept, limit
from tests.backtest import world as truth
from tests.backtest.rivals import Seen, mean_use, oracle, straight_line

GROUPS = ((1, 5), (5, 10), (10, 20), (20, 40))
TARGET = (0.1, 0.5, 0.9)
FIELDS = (
    "printer",
    "day",
    "true",
    "p10",
    "p50",
    "p90",
    "line",
    "mean",
    "oracle",
    "volume",
    "limit",
    "day10",
    "day50",
    "day90",
    *(f"clock_{name}" for name in ("true", "p50", "oracle", "limit")),
)
"""Days ahead with the hours taken out in which nobody prints (``open_days``), whole days, and days by the clock."""


@dataclass(frozen=True)
class Plan:
    """Which as-of days: ``first`` .. ``last``, ``many`` for each printer, fleets pooled anew every ``every`` days."""

    first: int = 120
    last: int = 395
    many: int = 12
    every: int = 50


def terms(days: int, *, told: bool) -> Terms:
    """What the settings would say. ``told``: the public holidays are among it."""
    return Terms(holidays=truth.holidays(days) if told else frozenset())


def teach(histories: Sequence[PrinterHistory], day: int, what: Terms, tick: Callable[[], None] = lambda: None) -> Fleet:
    """The fleet as known on a day."""
    made = []
    for history in histories:
        made.append(summarise(history, Fleet(), truth.as_of(day), what))
        tick()
    return pool(made)


def run(
    world: truth.World, plan: Plan, *, told: bool, tick: Callable[[], None] = lambda: None
) -> tuple[np.ndarray, list[str]]:
    """One row of FIELDS for each as-of moment with a cartridge that is not empty, and the reasons of refusals."""
    histories = kept.histories(world)
    what = terms(world.days + 400, told=told)
    rng = np.random.default_rng([world.seed, 77])
    drawn = np.sort(
        np.array(
            [rng.choice(np.arange(plan.first, plan.last), plan.many, replace=False) for _ in range(world.printers)]
        ),
        axis=1,
    )
    best = limit.levels(world)
    rows, reasons = [], []
    for begin in range(plan.first, plan.last, plan.every):
        fleet = teach(histories, begin, what, tick)
        for printer in range(world.printers):
            for day in drawn[printer].tolist():
                if begin <= day < begin + plan.every and world.level[printer, day] > 0:
                    nearest = limit.until_dry(world, best, printer, day)
                    row, reason = _one(world, histories[printer], fleet, printer, day, what, nearest)
                    rows.append(row)
                    reasons.append(reason)
                    tick()
    made = np.array(rows)
    clock = made[:, [FIELDS.index(name) for name in ("true", "p50", "oracle", "limit")]]
    made[:, 2:11] = open_days(made[:, 2:11])
    return np.hstack([made, clock]), reasons


def _one(
    world: truth.World, history: PrinterHistory, fleet: Fleet, printer: int, day: int, what: Terms, nearest: float
) -> tuple[tuple[float, ...], str]:
    insight = look(history, fleet, truth.as_of(day), what)
    found = insight.forecasts[0]
    real = world.time_until_dry(printer, day)
    seen = Seen(world, printer, day)
    known = _volume(world, insight, printer, day, what)
    rivals = straight_line(seen, world.step), mean_use(seen, world.step), oracle(world, printer, day), known, nearest
    nan = float("nan")
    if found.empty is None or found.empty_dates is None:
        return (printer, day, real, nan, nan, nan, *rivals, nan, nan, nan), found.reason or "?"
    quantiles = tuple(found.empty.quantile(one) for one in TARGET)
    today = truth.calendar(day + 1)[day]
    dates = found.empty_dates
    whole = tuple(float((one - today).days) for one in (dates.p10, dates.p50, dates.p90))
    return (printer, day, real, *quantiles, *rivals, *whole), ""


def _volume(world: truth.World, insight: Insight, printer: int, day: int, what: Terms) -> float:
    """An oracle that must learn the volume: the pages left are told, the pages to come are the method's own law.

    What this errs more than the full oracle no method can avoid that has only the counter to go by.
    """
    use = flow_of(insight.usage[0]) if insight.usage else None
    if use is None:
        return float("nan")
    need = world.level[printer, day] / world.use[printer, day]
    start = truth.as_of(day).timestamp()
    off = frozenset(one.toordinal() for one in what.holidays)
    days = ahead(use, truth.ZONE, start, 400, off)
    law = runout.law(np.array([need]), 0.0, runout.course(use, days), np.ones(1))
    return float(law.quantiles()[0][7])


def work_days(day: np.ndarray, ahead_days: np.ndarray) -> np.ndarray:
    """Days ahead of a day of the simulation, with weekends taken out."""
    since = (truth.FIRST.weekday() + day) % 7 + ahead_days
    week = np.floor(since / 7)
    return 5 * week + np.minimum(since - 7 * week, 5)


def open_days(days: np.ndarray) -> np.ndarray:
    """Days after 8 o'clock with the hours taken out in which nobody prints (18 to 8), so that a day's end and the next
    day's beginning are one moment. Else every error would be near a whole number of days, and a median of such errors
    would leap from one to the next by chance. Weekends count as they are."""
    whole = np.floor(days)
    return whole + np.minimum(1.0, (days - whole) * 24 / 10)


def pinball(real: np.ndarray, forecast: np.ndarray, chance: float) -> np.ndarray:
    """The pinball loss of a quantile (Koenker and Bassett 1978)."""
    miss = real - forecast
    return np.maximum(chance * miss, (chance - 1) * miss)
