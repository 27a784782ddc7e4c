"""How quickly a sweep asks: spread over a part of the interval where the fleet is large, at once where it is not."""

from __future__ import annotations

import asyncio
import time
from datetime import timedelta

import pytest

from agent.model.wire import Peer
from agent.sweep.fleet import Fleet
from agent.sweep.pace import Pace
from agent.sweep.run import GENTLE, SPREAD, Sweep
from agent.sweep.station import Station, Stop
from tests.sweep.seam import Answering, Remembering

LARGE = 300
SECONDS = 1.0
"""LARGE printers in so many seconds are more a second than ``GENTLE``."""


def sweep_over(stations: int, interval: timedelta | None) -> tuple[Sweep, Answering]:
    """Printers that do not answer: they cost the test no time of its own."""
    wire = Answering()
    sweep = Sweep(
        wire, Remembering(), Fleet(), clock=lambda: wire.now, timer=time.monotonic, rate=100_000, interval=interval
    )
    sweep.watch([Station(Stop(Peer("192.0.2.1", number))) for number in range(1, stations + 1)])
    return sweep, wire


def seconds_of_sweeps(sweep: Sweep, count: int) -> list[float]:
    async def sweeps() -> list[float]:
        return [(await sweep.run()).seconds for _ in range(count)]

    return asyncio.run(sweeps())


def test_a_large_fleet_is_spread_over_a_third_of_the_interval_but_for_the_first_sweep():
    assert LARGE / SECONDS > GENTLE
    sweep, wire = sweep_over(LARGE, timedelta(seconds=SECONDS / SPREAD))
    first, second = seconds_of_sweeps(sweep, 2)
    assert first < SECONDS / 2
    assert 0.85 * SECONDS <= second < 3 * SECONDS
    assert len(wire.asked) == 2 * LARGE


def test_a_small_fleet_is_asked_at_once_however_long_the_interval():
    sweep, wire = sweep_over(20, timedelta(minutes=5))
    _, second = seconds_of_sweeps(sweep, 2)
    assert second < 0.2
    assert len(wire.asked) == 40


def test_the_end_waits_for_none_that_has_not_begun():
    sweep, wire = sweep_over(LARGE, timedelta(seconds=SECONDS / SPREAD))

    async def scene() -> float:
        await sweep.run()
        going = asyncio.create_task(sweep.run())
        await asyncio.sleep(0.2)
        began = time.monotonic()
        sweep.end()
        await going
        return time.monotonic() - began

    assert asyncio.run(scene()) < 0.3
    assert len(wire.asked) < 2 * LARGE


@pytest.mark.parametrize("rate", [100.0, 400.0])
def test_what_was_paid_is_waited_for_in_the_order_of_asking(rate):
    async def scene() -> tuple[float, list[int]]:
        pace, order = Pace(rate, time.monotonic, at_once=0.05), []

        async def one(number: int) -> None:
            await pace.begin(1)
            order.append(number)

        began = time.monotonic()
        await asyncio.gather(*(one(number) for number in range(int(rate / 2))))
        return time.monotonic() - began, order

    took, order = asyncio.run(scene())
    assert took >= 0.4, "half a second's worth, of which a twentieth of a second's goes out together"
    assert order == sorted(order)
