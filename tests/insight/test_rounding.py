"""How a printer rounds the levels it shows is learnt from new cartridges, which are full.

RFC 3805 (prtMarkerSuppliesLevel) leaves the rounding open. The truth here is that of the printers drawn below.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from agent.insight.kin import Fleet, pool
from agent.insight.printer import summarise
from agent.insight.steps import Steps
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.reading import CONSUMED

START = datetime(2025, 3, 3, tzinfo=UTC)  # a Monday
DAYS = 300
WAYS: dict[str, Callable[[float], float]] = {
    "down": lambda steps: math.floor(steps + 1e-9),
    "nearest": lambda steps: math.floor(steps + 0.5),
    "up": lambda steps: math.ceil(steps - 1e-9),
}


def uneven(number: int, step: float, way: str, hours: tuple[int, ...]) -> PrinterHistory:
    """A printer with uneven workdays, whose cartridges last about 50 workdays and are exchanged when empty."""
    rng = np.random.default_rng([number, round(step * 1000)])
    left, lasts, count = float(rng.uniform(0.2, 1.0)), 5_000.0, 1_000
    counts: list[CountPoint] = []
    shown: list[LevelPoint] = []
    for day in range(DAYS):
        pages = int(100 * rng.gamma(4, 0.25)) if day % 7 < 5 else 0
        for hour in hours:
            printed = pages // len(hours)
            count += printed
            left -= printed / lasts
            if left <= 0:
                lasts = 5_000.0 * rng.lognormal(0, 0.2)
                left = 1.0 - float(rng.uniform(0, printed)) / lasts
            at = START + timedelta(days=day, hours=hour)
            counts.append(CountPoint(at, count))
            shown.append(LevelPoint(at, round(min(1.0, WAYS[way](left / step) * step) * 1000), 1000))
    supply = SupplyTrack("toner:black", "toner", CONSUMED, "black", "tenthsOfGrams", "Toner", tuple(shown))
    counter = CounterTrack("life", "impressions", 2**32, tuple(counts))
    printer = Printer(number, f"desk-{number}", "127.0.0.9", model="Tallgrass M40", place=Place("Main library"))
    return PrinterHistory(printer, (ContactRun(START, counts[-1].at, True),), (supply,), (counter,), ())


def learnt(step: float, way: str, hours: tuple[int, ...]) -> Steps:
    """What ten such printers teach of their steps."""
    now = START + timedelta(days=DAYS)
    histories = [uneven(number, step, way, hours) for number in range(10)]
    found = pool([summarise(one, Fleet(), now) for one in histories]).steps_of(("Tallgrass M40", "toner", "black"))
    assert found is not None
    assert found.size == pytest.approx(step)
    return found


@pytest.mark.parametrize("step", [0.005, 0.01, 0.02, 0.025])
@pytest.mark.parametrize(("way", "index"), [("down", 0), ("nearest", 1), ("up", 2)])
def test_fine_steps_tell_their_rounding_where_a_printer_is_read_often(step: float, way: str, index: int) -> None:
    found = learnt(step, way, tuple(range(8, 18)))
    assert found.chances[index] > 0.9, found.chances


@pytest.mark.parametrize(("way", "rounding"), [("down", 0.0), ("nearest", 0.5), ("up", 1.0)])
@pytest.mark.parametrize("step", [0.02, 0.025])
def test_one_reading_a_day_comes_near_it(step: float, way: str, rounding: float) -> None:
    assert learnt(step, way, (18,)).rounding == pytest.approx(rounding, abs=0.25)
