"""The order of the walk, and the days on which rounds are made."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.insight.walk import floor_key, natural, next_round, rounds_ahead, stop_key
from agent.model.round import Rhythm
from tests.insight.walked import printer

WORKDAYS = Rhythm()


def rooms(*names: str) -> list[str]:
    return [one.place.room for one in sorted((printer(1, room=name) for name in names), key=stop_key)]


def test_rooms_are_sorted_as_people_count():
    assert rooms("10", "9", "9a", "110", "A10", "A9", "") == ["9", "9a", "10", "110", "A9", "A10", ""]


@pytest.mark.parametrize(
    "floors",
    [
        ["B2", "B1", "0", "1", "2", "10", "Attic", ""],
        ["-2", "-1", "Ground floor", "1st", "2nd floor", "Roof"],
        ["UG2", "UG1", "EG", "1. OG", "2. OG"],
        ["Basement", "G", "Level 1", "Level 2", "Level 10"],
    ],
)
def test_floors_go_from_the_bottom_up(floors):
    assert [*sorted({*floors}, key=floor_key)] == floors


def test_the_walk_goes_by_site_building_floor_room_and_name():
    stops = [
        printer(1, site="Depot", building="A", floor="2", room="1"),
        printer(2, site="Depot", building="A", floor="B1", room="20"),
        printer(3, site="Depot", building="A", floor="B1", room="3"),
        printer(4, site="Annex", building="Z", floor="9", room="9"),
        printer(5, site="Depot", building="", floor="0", room="1"),
        printer(6, site="", building="A", floor="0", room="1"),
        printer(7, site="Depot", building="A", floor="B1", room="3"),
    ]
    assert [one.id for one in sorted(stops, key=stop_key)] == [4, 3, 7, 2, 1, 5, 6]


PLACES = st.builds(
    printer,
    st.integers(1, 10_000),
    site=st.sampled_from(["", "Depot", "depot", "Main 2", "Main 10"]),
    building=st.text(max_size=6),
    floor=st.one_of(st.sampled_from(["", "B1", "0", "1", "EG", "-1"]), st.text(max_size=5)),
    room=st.text(max_size=6),
)


@given(st.lists(PLACES, max_size=12, unique_by=lambda one: one.id), st.randoms(use_true_random=False))
def test_the_order_is_total_and_does_not_depend_on_the_order_given(stops, dice):
    shuffled = list(stops)
    dice.shuffle(shuffled)
    assert sorted(shuffled, key=stop_key) == sorted(stops, key=stop_key)
    assert all(stop_key(a) < stop_key(b) for a, b in pairwise(sorted(stops, key=stop_key)))


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_two_texts_can_be_put_in_order(one, other):
    assert (natural(one) < natural(other)) or (natural(other) < natural(one)) or natural(one) == natural(other)


def test_the_next_round_is_on_the_next_day_of_the_rhythm_that_is_no_holiday():
    friday = date(2026, 4, 2)  # the Thursday before Good Friday
    assert next_round(WORKDAYS, date(2026, 3, 20)) == date(2026, 3, 23)
    off = Rhythm(off=frozenset({date(2026, 4, 3), date(2026, 4, 6)}))
    assert next_round(off, friday) == date(2026, 4, 7)
    assert next_round(Rhythm(days=(0, 3)), date(2026, 3, 18)) == date(2026, 3, 19)
    assert next_round(Rhythm(days=()), friday) is None
    assert next_round(WORKDAYS, date.max) is None


def test_rounds_ahead_begin_now_or_at_ten_of_the_sites_clock():
    early = datetime(2026, 3, 18, 7, 30, tzinfo=UTC)
    found = rounds_ahead(WORKDAYS, date(2026, 3, 18), "Europe/London", early)
    assert found[:4] == pytest.approx((2.5 / 24, 1 + 2.5 / 24, 2 + 2.5 / 24, 5 + 2.5 / 24))
    late = early + timedelta(hours=8)
    assert rounds_ahead(WORKDAYS, date(2026, 3, 18), "Europe/London", late)[0] == 0.0


@given(st.sets(st.integers(0, 6)), st.dates(date(2020, 1, 1), date(2030, 1, 1)))
def test_rounds_ahead_always_rise(days, day):
    now = datetime(day.year, day.month, day.day, 23, tzinfo=UTC)
    found = rounds_ahead(Rhythm(days=tuple(sorted(days))), day, "UTC", now)
    assert len(found) >= 2
    assert found[0] >= 0
    assert all(a < b for a, b in pairwise(found))
