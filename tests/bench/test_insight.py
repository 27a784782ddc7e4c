"""The insight part of the bench runs, and an unchanged printer is not read again."""

from dataclasses import replace

import pytest

from agent.insight.kin import Fleet
from agent.insight.printer import look
from agent.model.fleet import Dated
from tests.bench import insight


def test_an_unchanged_printer_is_not_read_again():
    found = insight.measure(short=True)
    assert found.read_again == 0
    assert found.unchanged_us < 100 * found.one_ms  # a tenth of a full look at the very most
    assert found.fleet_seconds > found.some_changed_seconds


def test_the_histories_of_the_bench_are_whole():
    made = insight.history(1)
    assert len(made.supplies) == 6
    assert (made.contacts[-1].last - made.contacts[0].first).days >= 399


def test_moments_that_come_as_numbers_change_nothing():
    given = insight.history(1)
    reckoned = replace(
        given,
        supplies=tuple(replace(track, points=tuple(track.points)) for track in given.supplies),
        counters=tuple(replace(track, points=tuple(track.points)) for track in given.counters),
    )
    assert isinstance(given.counters[0].points, Dated)
    assert not isinstance(reckoned.counters[0].points, Dated)
    assert look(given, Fleet(), insight.NOW) == look(reckoned, Fleet(), insight.NOW)


def test_points_and_moments_must_be_as_many():
    with pytest.raises(ValueError, match="2 points, but 1 moments"):
        Dated.of(insight.history(1).counters[0].points[:2], [0.0])
