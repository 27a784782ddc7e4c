"""Insight: one printer's whole insight, a fleet of 10,000, and what an unchanged printer costs.

The histories are of invented colour printers: six supplies, 400 days, about 150 pages a workday, a reading every two
hours of the working day; a toner lasts two to three months, so some thirty lives are in each history.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import numpy as np

from agent.insight.kin import Fleet, pool
from agent.insight.memory import Memory
from agent.insight.printer import look, summarise
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    Dated,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.reading import CONSUMED

P = TypeVar("P", CountPoint, LevelPoint)
DAYS = 400
FLEET = 10_000
HOURS = (8, 10, 12, 14, 16, 18)
FIRST = datetime(2025, 1, 6, tzinfo=UTC)
NOW = FIRST + timedelta(days=DAYS)
WEEK = np.array([1.05, 1.1, 1.0, 1.0, 0.85, 0.01, 0.01])
PARTS = (
    ("toner", "black", 9_000, 1),
    ("toner", "cyan", 6_000, 1),
    ("toner", "magenta", 6_000, 1),
    ("toner", "yellow", 6_000, 1),
    ("opc", None, 30_000, 5),
    ("fuser", None, 90_000, 10),
)
"""Kind, colorant, pages that one lasts, and the steps in which its level is shown (percent)."""


@dataclass(frozen=True)
class Speed:
    """CPU seconds are of one core, and reckoned up to a fleet of FLEET from the ``printers`` that were looked at.

    ``one_ms``: the median of one printer's insight. ``fleet_seconds``: the fleet looked at afresh; ``taught_seconds``:
    what its printers teach each other. ``unchanged_us``: one printer of which nothing changed, and ``read_again``, of
    how many of these a history was read all the same. ``some_changed_seconds``: the fleet, one in a hundred changed.
    """

    printers: int
    one_ms: float
    fleet_seconds: float
    taught_seconds: float
    unchanged_us: float
    read_again: int
    some_changed_seconds: float


def history(number: int) -> PrinterHistory:
    """One printer as the store would give it: points where something changed."""
    rng = np.random.default_rng([7, number])
    days = np.arange(DAYS)
    pages = rng.gamma(3, 1 / 3, DAYS) * WEEK[days % 7] * rng.lognormal(np.log(150), 0.5)
    moments = [FIRST + timedelta(days=int(day), hours=hour) for day in days for hour in HOURS]
    total = np.cumsum(np.repeat(pages / len(HOURS), len(HOURS)))
    count = np.floor(total).astype(int) + 5_000
    counted = [
        CountPoint(moments[at], int(count[at])) for at in np.flatnonzero(np.append(True, np.diff(count) > 0)).tolist()
    ]
    return PrinterHistory(
        Printer(number, f"printer-{number}", "127.0.0.1", model="Quillon C720", place=Place(f"site {number % 20}")),
        (ContactRun(moments[0], moments[-1], reachable=True),),
        tuple(_supply(rng, part, total, moments) for part in PARTS),
        (CounterTrack("life", "impressions", 2**32, _dated(counted)),),
        (),
    )


def _supply(
    rng: np.random.Generator, part: tuple[str, str | None, int, int], total: np.ndarray, moments: list[datetime]
) -> SupplyTrack:
    kind, colorant, pages, step = part
    left, last, shown = float(rng.uniform(0.1, 1.0)), float(total[0]), []
    lasts = pages * rng.lognormal(0, 0.25)
    for now in total.tolist():
        left -= (now - last) / lasts
        last = now
        if left <= 0:
            left, lasts = 1.0, pages * rng.lognormal(0, 0.25)
        shown.append(int(left * 100 // step) * step)
    points = [
        LevelPoint(moments[at], shown[at], 100)
        for at in np.flatnonzero(np.append(True, np.diff(np.array(shown)) != 0)).tolist()
    ]
    key = f"{kind}:{colorant}" if colorant else kind
    return SupplyTrack(key, kind, CONSUMED, colorant, "percent", key, _dated(points))


def _dated(points: Sequence[P]) -> Dated[P]:
    """As the store hands them out."""
    return Dated.of(points, [one.at.timestamp() for one in points])


def measure(short: bool) -> Speed:
    """Measure all of it. Different histories are few, as making them takes longer than looking at them."""
    different, printers = (4, 100) if short else (100, 1_500)
    made = [history(number) for number in range(different)]
    begun = time.process_time()
    taught = [summarise(one, Fleet(), NOW) for one in made]
    taught_seconds = (time.process_time() - begun) * FLEET / different
    fleet = pool(taught)
    single = []
    for one in made:
        begun = time.process_time()
        look(one, fleet, NOW)
        single.append(time.process_time() - begun)
    memory = Memory()
    fresh, _ = _pass(memory, made, fleet, printers, changed=0)
    unchanged, read_again = _pass(memory, made, fleet, printers, changed=0)
    some, _ = _pass(memory, made, fleet, printers, changed=100)
    scale = FLEET / printers
    return Speed(
        printers, statistics.median(single) * 1000, fresh * scale, taught_seconds,
        unchanged / printers * 1e6, read_again, some * scale,
    )  # fmt: skip


def _pass(
    memory: Memory, made: list[PrinterHistory], fleet: Fleet, printers: int, *, changed: int
) -> tuple[float, int]:
    """CPU seconds for all printers, and how many histories were read. ``changed``: one in so many has changed."""
    read = 0

    def read_it(number: int) -> PrinterHistory:
        nonlocal read
        read += 1
        one = made[number % len(made)]
        return replace(one, printer=replace(one.printer, id=number))

    begun = time.process_time()
    for number in range(printers):
        sign = 1 if changed and number % changed == 0 else 0
        memory.insight(number, sign, lambda number=number: read_it(number), zone="UTC", as_of=NOW, fleet=fleet)
    return time.process_time() - begun, read
