"""Histories that should not be: each is taken without a crash, and what was odd is said."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.insight.kin import Fleet, pool
from agent.insight.memory import Memory
from agent.insight.printer import Terms, look, summarise
from agent.model.fleet import ContactRun, CountPoint, LevelPoint, PrinterHistory
from agent.model.reading import Mark
from tests.insight.drawn import START, at, counter, history, steady, track

NOW = at(24 * 119)


def noted(made, word):
    found = look(made, Fleet(), NOW)
    assert any(word in note.text for note in found.notes), [note.text for note in found.notes]
    return found


def usual():
    supply, counts = steady(120)
    return history([supply], [counts], until=24 * 119)


def test_readings_out_of_order_are_put_in_order_and_noted():
    good = usual()
    points = list(good.supplies[0].points)
    random.Random(1).shuffle(points)
    mixed = replace(good, supplies=(replace(good.supplies[0], points=tuple(points)),))
    found = noted(mixed, "out of order")
    assert found.forecasts == look(good, Fleet(), NOW).forecasts


def test_duplicate_rows_count_once_and_are_noted():
    good = usual()
    counts = good.counters[0]
    twice = replace(
        good, counters=(replace(counts, points=tuple(p for point in counts.points for p in (point, point))),)
    )
    found = noted(twice, "shared a moment")
    assert found.usage == look(good, Fleet(), NOW).usage


def test_a_clock_that_jumped_ahead_and_back_does_no_harm():
    good = usual()
    ahead = LevelPoint(at(24 * 365 * 5), 3, 100)
    behind = LevelPoint(START - timedelta(days=20_000), 55, 100)
    supply = good.supplies[0]
    odd = replace(good, supplies=(replace(supply, points=(*supply.points[:40], ahead, behind, *supply.points[40:])),))
    found = noted(odd, "out of order")
    assert found.forecasts[0].empty is not None


def test_a_supply_that_appears_late_is_told_from_then_on():
    good = usual()
    late = track([(24.0 * day, 100 - (day - 100)) for day in range(100, 119)], key="toner:cyan")
    found = look(replace(good, supplies=(*good.supplies, late)), Fleet(), NOW)
    assert [one.supply for one in found.forecasts] == ["toner:black", "toner:cyan"]
    assert (
        look(replace(good, supplies=(*good.supplies, late)), Fleet(), at(24 * 50))
        .forecasts[1]
        .reason.startswith("nothing")
    )


def test_a_supply_that_vanished_is_not_guessed_at():
    good = usual()
    gone = track([(0, 90), (200, 80), (300, Mark.UNKNOWN)], key="toner:cyan")
    found = look(replace(good, supplies=(*good.supplies, gone)), Fleet(), NOW)
    assert "has not said how much is left since" in found.forecasts[1].reason


def test_two_supplies_with_one_name_are_told_apart():
    good = usual()
    found = noted(replace(good, supplies=(good.supplies[0], good.supplies[0])), "two supplies have this name")
    assert [one.supply for one in found.forecasts] == ["toner:black", "toner:black (2)"]


def test_a_capacity_that_changes_in_mid_life_is_noted():
    good = usual()
    supply = good.supplies[0]
    points = tuple(
        point if index < 30 else replace(point, level=point.level * 3, capacity=300)
        for index, point in enumerate(supply.points)
    )
    found = noted(replace(good, supplies=(replace(supply, points=points),)), "capacity changed")
    assert len(found.lives) == len(look(good, Fleet(), NOW).lives)


@pytest.mark.parametrize("capacity", [0, Mark.UNKNOWN, Mark.OTHER])
def test_without_a_capacity_an_amount_is_no_share(capacity):
    made = history(
        [track([(0, 500), (100, 400)], unit="tenthsOfGrams", capacity=capacity)], [steady(60)[1]], until=1440
    )
    assert "does not say" in look(made, Fleet(), at(1440)).forecasts[0].reason


def test_a_level_above_its_capacity_is_full_and_noted():
    made = history([track([(0, 180), (100, 90)])], [steady(120)[1]], until=24 * 119)
    assert noted(made, "above its capacity").lives[0].start_level == 1.0


def test_a_counter_below_zero_is_noted_not_believed():
    good = usual()
    counts = good.counters[0]
    bad = replace(counts, points=(*counts.points[:30], replace(counts.points[30], value=-5), *counts.points[31:]))
    assert noted(replace(good, counters=(bad,)), "impossible").usage[0].per_workday == pytest.approx(100, rel=0.1)


def test_a_printer_that_was_never_reached_has_nothing_to_tell():
    nothing = PrinterHistory(usual().printer, (ContactRun(START, NOW, False),), (), ())
    found = look(nothing, Fleet(), NOW)
    assert found.forecasts == found.lives == found.usage == ()
    assert summarise(nothing, Fleet(), NOW).supplies == ()


def test_a_counter_that_stands_still_gives_way_to_time():
    supply, _ = steady(120)
    made = history([supply], [counter([(0, 5)])], until=24 * 119)
    assert look(made, Fleet(), NOW).forecasts[0].empty is not None


AMOUNTS = st.one_of(st.integers(0, 2**31 - 1), st.sampled_from(list(Mark)), st.integers(0, 100))
HOURS = st.floats(-1e4, 1e5, allow_nan=False)


@settings(max_examples=120)
@given(
    st.lists(st.tuples(HOURS, AMOUNTS, AMOUNTS), max_size=25),
    st.lists(st.tuples(HOURS, st.integers(0, 2**40)), max_size=25),
    st.lists(st.tuples(HOURS, HOURS, st.booleans()), max_size=8),
    st.sampled_from(["percent", "impressions", "unlisted(99)"]),
)
def test_whatever_stands_in_the_store_the_answer_is_whole(levels, counts, runs, unit):
    supply = replace(
        track([], unit=unit), points=tuple(LevelPoint(at(hour), level, room) for hour, level, room in levels)
    )
    counted = replace(counter([]), points=tuple(CountPoint(at(hour), value) for hour, value in counts))
    contacts = [ContactRun(at(min(one)), at(max(one)), ok) for *one, ok in runs]
    made = history([supply], [counted], until=0, contacts=contacts)
    fleet = pool([summarise(made, Fleet(), at(5e4))])
    for found in look(made, fleet, at(5e4)).forecasts:
        assert (found.empty is None) == (found.reason is not None)
        if found.empty is not None:
            assert list(found.empty.days) == sorted(found.empty.days)
            assert 0 <= found.chance[7] <= found.chance[14] <= 1


def test_an_unchanged_printer_is_not_even_read():
    reads = []
    memory, fleet, terms = Memory(), Fleet(), Terms()

    def read():
        reads.append(1)
        return usual()

    def ask(changed, moment):
        return memory.insight(1, changed, read, zone="UTC", as_of=moment, fleet=fleet, terms=terms)

    first = ask("a", NOW)
    assert ask("a", NOW + timedelta(hours=1)) is first
    assert len(reads) == 1
    ask("b", NOW + timedelta(hours=2))
    ask("b", NOW + timedelta(days=1))
    assert len(reads) == 3
    memory.forget(1)
    ask("b", NOW + timedelta(days=1))
    assert len(reads) == 4


@pytest.mark.parametrize("misread", [(1,), (1, 7, 0)])
def test_a_count_that_is_misread_in_between_is_left_out_and_noted(misread):
    good = usual()
    track = good.counters[0]
    points = tuple(
        replace(point, value=misread[place - 30]) if 30 <= place < 30 + len(misread) else point
        for place, point in enumerate(track.points)
    )
    found = noted(replace(good, counters=(replace(track, points=points),)), "misread")
    sound = look(good, Fleet(), NOW)
    assert [life.impressions for life in found.lives] == [life.impressions for life in sound.lives]
    assert found.usage[0].per_workday == pytest.approx(sound.usage[0].per_workday, rel=0.01)


def test_a_board_with_a_count_of_its_own_is_not_taken_for_misread():
    good = usual()
    track = good.counters[0]
    points = tuple(
        replace(point, value=point.value - track.points[50].value) if place >= 50 else point
        for place, point in enumerate(track.points)
    )
    found = noted(replace(good, counters=(replace(track, points=points),)), "it was reset")
    assert not any("misread" in note.text for note in found.notes)
