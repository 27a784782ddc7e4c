"""When a counter will come to a number: against a simulated fleet whose coming pages only the simulation knows."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest

from agent.insight import reach
from agent.insight.kin import Fleet, pool
from agent.insight.meter import meter
from agent.insight.printer import Terms, look, summarise
from agent.model.insight import Dates, Usage
from tests.backtest import kept
from tests.backtest import world as simulation

MONDAY = datetime(2026, 3, 2, 7, tzinfo=UTC)
STEADY = Usage("life", "impressions", 200.0, 199.0, 201.0, 0.02, (1.0,) * 5 + (0.0, 0.0), 1.0, None, 200, 1000.0, None)


def test_the_expected_range_holds_the_true_day_four_times_in_five():
    """160 forecasts, 1 to 10 weeks of printing ahead: 80 % +- three standard deviations, and no bias to speak of."""
    world = simulation.make(5, 0.01, printers=80, days=330)
    histories = kept.histories(world)
    off = simulation.holidays(400)
    generator = np.random.default_rng(1)
    held, errors = [], []
    for day in (150, 250):
        at = simulation.as_of(day)
        today = reach.day_in(simulation.ZONE, at)
        fleet = pool([summarise(one, Fleet(), at, Terms(holidays=off)) for one in histories])
        for number, history in enumerate(histories):
            usage = look(history, fleet, at, Terms(holidays=off)).usage[0]
            gauge = meter(history, at)
            if usage.per_week is None or gauge is None:
                continue
            target = float(generator.uniform(1, 10)) * usage.per_week
            found = reach.dates_of(usage, target, simulation.ZONE, min(gauge.latest_at, at), at, off)
            took = int(np.searchsorted(np.cumsum(world.wear[number, day:]), target))
            assert found is not None
            truth = date.fromordinal(today.toordinal() + took)
            held.append(found.p10 <= truth <= found.p90)
            errors.append((found.p50 - truth).days)
    assert len(held) == 160
    assert 0.71 <= np.mean(held) <= 0.89
    assert abs(np.mean(errors)) < 2.0
    assert np.median(np.abs(errors)) <= 6


def test_a_steady_printer_comes_to_its_count_when_arithmetic_says():
    found = reach.dates_of(STEADY, 1990, "UTC", MONDAY, MONDAY)
    assert found is not None
    assert found.p50 == date(2026, 3, 13)  # ten workdays of 200, the first one included
    assert (found.p90 - found.p10).days <= 3


def test_holidays_put_it_off():
    off = {date(2026, 3, day) for day in range(9, 14)}
    found = reach.dates_of(STEADY, 1990, "UTC", MONDAY, MONDAY, off)
    assert found is not None
    assert found.p50 >= date(2026, 3, 19)


def test_what_is_reached_already_is_due_today_and_the_far_future_has_no_date():
    assert reach.dates_of(STEADY, 0, "UTC", MONDAY, MONDAY) == Dates(*(date(2026, 3, 2),) * 3)
    assert reach.dates_of(STEADY, 1e9, "UTC", MONDAY, MONDAY) is None


def test_without_use_there_is_no_date():
    from dataclasses import replace

    assert reach.dates_of(replace(STEADY, per_workday=None), 100, "UTC", MONDAY, MONDAY) is None
    assert reach.dates_of(replace(STEADY, by_time=True), 100, "UTC", MONDAY, MONDAY) is None


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "America/Los_Angeles", "Nowhere/Land"])
def test_days_are_reckoned_in_the_zone_of_the_site(zone):
    at = datetime(2026, 3, 2, 11, tzinfo=UTC)
    wanted = {"Pacific/Kiritimati": date(2026, 3, 3), "America/Los_Angeles": date(2026, 3, 2)}
    assert reach.day_in(zone, at) == wanted.get(zone, date(2026, 3, 2))


def test_whatever_is_sooner_counts():
    law = Dates(date(2026, 3, 5), date(2026, 3, 9), date(2026, 3, 20))
    assert reach.sooner(law, date(2026, 3, 10)) == Dates(date(2026, 3, 5), date(2026, 3, 9), date(2026, 3, 10))
    assert reach.sooner(None, date(2026, 3, 10)) == Dates(*(date(2026, 3, 10),) * 3)
    assert reach.sooner(law, None) == law
    assert reach.sooner(None, None) is None
