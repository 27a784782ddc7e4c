"""A repeating mark matched with what turns: geometry, tolerance, whole and broken turns."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.insight.rollers import (
    FEED,
    LONGEST_MM,
    RULER_MM,
    SHORTEST_MM,
    compare,
    distance,
    factor,
    rollers_of,
    sensible,
    strength,
    tolerance,
)
from agent.model.symptom import ROLLERS, Roller
from agent.model.upkeep import Plan

DIAMETERS = st.floats(4, 300)


# pi to ten places is 3.1415926536 (any table); worked by hand: 30 x pi = 94.2478, 24 x pi = 75.3982, 16 x pi = 50.2655,
# 84 x pi = 263.8938, 12.5 x pi = 39.2699.
@pytest.mark.parametrize(
    ("diameter", "around"), [(30, 94.2478), (24, 75.3982), (16, 50.2655), (84, 263.8938), (12.5, 39.2699)]
)
def test_one_turn_is_pi_times_the_diameter(diameter: float, around: float) -> None:
    assert Roller.of_diameter("drum", diameter).around == pytest.approx(around, abs=5e-5)


def test_the_tolerance_adds_ruler_and_feed_as_squares() -> None:
    # Uncertainties that do not depend on one another are added as squares (ISO/IEC Guide 98-3, 5.1.2, from memory).
    assert tolerance(0) == RULER_MM
    assert tolerance(94.2478) == pytest.approx(math.sqrt(1.0 + (0.015 * 94.2478) ** 2))
    # By hand: 1.5 % of 94.2478 is 1.41372, its square 1.99860; the root of 2.99860 is 1.73165.
    assert tolerance(94.2478) == pytest.approx(1.73165, abs=1e-5)
    assert FEED * 1000 < tolerance(1000) < FEED * 1000 + 0.1


def test_the_drum_is_told_from_a_neighbour_of_like_size() -> None:
    drum, fuser = Roller.of_diameter("drum", 30), Roller.of_diameter("fuser roller", 32)
    found = compare(94.0, [fuser, drum])
    assert [(one.roller.name, one.fits, one.turns) for one in found] == [("drum", True, 1), ("fuser roller", False, 1)]
    assert found[0].deviation == pytest.approx(-0.2478, abs=1e-4)


@pytest.mark.parametrize(("every", "turns"), [(94.2, 1), (188.5, 2), (282.7, 3), (47.1, 0.5), (31.4, 1 / 3)])
def test_whole_and_broken_turns_are_considered(every: float, turns: float) -> None:
    (one,) = compare(every, [Roller.of_diameter("drum", 30)])
    assert (one.fits, one.turns) == (True, turns)
    assert one.expected == pytest.approx(turns * 94.2478, abs=1e-3)


def test_a_single_turn_counts_more_than_two_or_half_of_one() -> None:
    found = compare(
        94.2,
        [
            Roller.of_diameter("drum", 15),
            Roller.of_diameter("pressure roller", 60),
            Roller.of_diameter("fuser roller", 30),
        ],
    )
    assert [one.roller.name for one in found] == ["fuser roller", "drum", "pressure roller"]
    assert all(one.fits for one in found)
    assert strength(found[0]) > strength(found[1])


def test_what_fits_makes_more_suspect_and_what_does_not_less() -> None:
    fits, other = compare(94.2, [Roller.of_diameter("drum", 30), Roller.of_diameter("transfer roller", 14)])
    assert factor([fits]) > 5
    assert factor([other]) < 1
    assert factor([]) == 1
    assert factor([other, fits]) == factor([fits])


@given(st.floats(SHORTEST_MM, LONGEST_MM), st.lists(DIAMETERS, max_size=8))
def test_every_roller_is_told_once_the_best_first(every: float, diameters: list[float]) -> None:
    rollers = [Roller.of_diameter(f"r{at}", one) for at, one in enumerate(diameters)]
    found = compare(every, rollers)
    assert sorted(one.roller.name for one in found) == sorted(one.name for one in rollers)
    assert [one.fits for one in found] == sorted((one.fits for one in found), reverse=True)
    strengths = [strength(one) for one in found]
    assert strengths == sorted(strengths, reverse=True)
    for one in found:
        assert one.deviation == pytest.approx(every - one.expected)
        assert one.fits == (abs(one.deviation) <= one.tolerance)
        assert 0 <= strength(one) <= 1


@given(DIAMETERS.filter(lambda one: 1 <= math.pi * one <= 1500), st.floats(-1, 1))
def test_a_distance_within_the_tolerance_is_always_found(diameter: float, off: float) -> None:
    roller = Roller.of_diameter("drum", diameter)
    every = roller.around + off * tolerance(roller.around) * 0.999
    assert compare(every, [roller])[0].fits


@pytest.mark.parametrize("every", [0, -3, 0.9, 1500.1, math.nan, math.inf, -math.inf])
def test_a_distance_that_cannot_be_is_refused(every: float) -> None:
    assert not sensible(every)
    with pytest.raises(ValueError, match="repeating mark"):
        compare(every, [])


def test_rollers_are_those_of_the_models_plans_and_the_first_plan_wins() -> None:
    kit = Plan("kit", models=("Tallgrass*",), rollers=(Roller("fuser roller", 78.5), Roller("drum", 94.2)))
    drum = Plan("drum", models=("Tallgrass M40",), rollers=(Roller("drum", 75.4), Roller("feed roller", 60)))
    other = Plan("other", models=("Quillon*",), rollers=(Roller("transfer belt", 760),))
    found = {one.name: one.around for one in rollers_of("Tallgrass M40", [kit, drum, other])}
    assert found == {"fuser roller": 78.5, "drum": 94.2, "feed roller": 60}
    assert set(found) <= set(ROLLERS)


@pytest.mark.parametrize(
    ("written", "mm"),
    [
        ("94", 94.0),
        (" 94.248 MM ", 94.248),
        ("94,2", 94.2),
        ("9.4cm", 94.0),
        ("3,7 in", 93.98),
        ("-5", -5.0),
        ("", None),
    ],
)
def test_a_distance_is_read_as_people_write_it(written: str, mm: float | None) -> None:
    # An inch is 25.4 mm by definition (ISO 80000-3).
    assert distance(written) == mm


@pytest.mark.parametrize("written", ["1,200", "nan", "inf", "1e3", "94..2", "94 mm mm", "a hand", "94 m", "9" * 50])
def test_what_may_be_read_in_two_ways_or_in_none_is_no_distance(written: str) -> None:
    with pytest.raises(ValueError, match="write it in mm"):
        distance(written)
