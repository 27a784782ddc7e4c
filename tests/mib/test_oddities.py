"""Deviations of device families, as data."""

from __future__ import annotations

from importlib.resources import files

import pytest

from agent.mib import oids
from agent.mib.oddities import MarkerFix, Oddity, OddityErrors, SupplyFix, choose, parse
from agent.model.reading import Amount, Counter, Mark, Supply
from agent.model.wire import Value
from tests.mib.invented import read, row, supply

PACKAGED = parse(files("agent.mib").joinpath("oddities.toml").read_text("utf-8"))


def named(name: str) -> tuple[Oddity, ...]:
    chosen = choose(PACKAGED, None, [name])
    assert len(chosen) == 1
    return chosen


def put_right(name: str, **changes: Value) -> Supply:
    (found,) = read(supply(1, **changes), oddities=named(name)).supplies
    return found


def fixed(fix: SupplyFix, **changes: Value) -> Supply:
    (found,) = read(supply(1, **changes), oddities=[Oddity("test", "why", (), (fix,))]).supplies
    return found


# --- choosing ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("object_id", "chosen"),
    [
        ("1.3.6.1.4.1.32473.10.1", ["waste-as-fill"]),
        ("1.3.6.1.4.1.32473.10.1.77", ["waste-as-fill"]),
        ("1.3.6.1.4.1.32473.10.10", []),  # whole numbers, not digits
        ("1.3.6.1.4.1.32473.10", []),
        ("", []),
        (None, []),
        (7, []),
        (b"1.3.6.1.4.1.32473.10.1", []),
    ],
)
def test_an_oddity_is_chosen_by_the_printers_object_id(object_id: object, chosen: list[str]) -> None:
    assert [oddity.name for oddity in choose(PACKAGED, object_id)] == chosen


def test_an_oddity_is_chosen_by_its_name_in_the_settings() -> None:
    chosen = choose(PACKAGED, "1.3.6.1.4.1.32473.10.1", ["life-in-sheets", "no-such-oddity"])
    assert [oddity.name for oddity in chosen] == ["waste-as-fill", "life-in-sheets"]


def test_the_packaged_examples_are_invented() -> None:
    """1.3.6.1.4.1.32473 is the enterprise number for documentation (RFC 5612)."""
    assert len(PACKAGED) >= 5
    assert all(oid.startswith("1.3.6.1.4.1.32473.") for oddity in PACKAGED for oid in oddity.object_ids)


# --- putting right ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level", "capacity", "unit", "left"),
    [
        (1000, 6000, 7, 5000),
        (7000, 6000, 7, 0),
        (30, -2, 19, 70),  # percent needs no capacity
        (30, -2, 7, Mark.UNKNOWN),
        (-3, 6000, 7, Mark.UNKNOWN),  # "some" is in it says nothing of the space
        (-2, 6000, 7, Mark.UNKNOWN),
        (-1, 6000, 7, Mark.OTHER),
    ],
)
def test_a_waste_level_reported_as_fill_becomes_the_space_left(
    level: int, capacity: int, unit: int, left: Amount
) -> None:
    found = put_right("waste-as-fill", Type=4, Class=4, Level=level, MaxCapacity=capacity, SupplyUnit=unit)
    assert found.level == left


def test_only_the_supplies_meant_are_changed_and_a_remark_says_so() -> None:
    cells = supply(1, Level=1000) | supply(2, Type=4, Class=4, Level=1000)
    reading = read(cells, oddities=named("waste-as-fill"))
    assert [found.level for found in reading.supplies] == [1000, 5000]
    assert [(r.where, r.what) for r in reading.remarks] == [("supply 2", "put right as the oddity waste-as-fill says")]


def test_a_wrong_class_is_put_right() -> None:
    found = put_right("waste-as-consumed", Type=4, Class=3)
    assert found.is_receptacle
    assert found.level == 3000


def test_a_level_in_percent_of_another_unit_is_a_share() -> None:
    found = put_right("level-in-percent", SupplyUnit=13, MaxCapacity=4200, Level=35)
    assert (found.unit, found.capacity, found.level, found.fraction) == ("percent", 100, 35, 0.35)


def test_a_capacity_in_another_unit_is_converted() -> None:
    found = put_right("capacity-in-grams", SupplyUnit=13, MaxCapacity=420, Level=2100)
    assert (found.capacity, found.level, found.fraction) == (4200, 2100, 0.5)


def test_counts_in_thousands_are_multiplied() -> None:
    found = put_right("drum-in-kilo-impressions", Type=9, MaxCapacity=60, Level=15)
    assert (found.key, found.capacity, found.level) == ("opc", 60_000, 15_000)


def test_a_level_that_means_unknown_is_unknown() -> None:
    assert put_right("level-255-unknown", Level=255, MaxCapacity=100).level is Mark.UNKNOWN
    assert put_right("level-255-unknown", Level=25, MaxCapacity=100).level == 25


def test_a_wrong_kind_gives_the_right_key() -> None:
    assert put_right("kit-as-other", Type=1, Description=b"Maintenance Kit 200K").key == "fuser"
    assert put_right("kit-as-other", Type=1, Description=b"Roller").key == "other"


def test_supplies_are_meant_by_index_and_class_too() -> None:
    fix = SupplyFix(indexes=frozenset({1}), classes=frozenset({"supplyThatIsConsumed"}), unit="sheets")
    assert fixed(fix).unit == "sheets"
    assert fixed(fix, Class=4).unit == "impressions"
    assert fixed(SupplyFix(indexes=frozenset({2}), unit="sheets")).unit == "impressions"


def test_a_life_count_in_sheets_says_so() -> None:
    cells = row(oids.PRT_MARKER, 1, 1, CounterUnit=7, LifeCount=500)
    reading = read(cells, oddities=named("life-in-sheets"))
    assert reading.counters == (Counter("life", "sheets", 500, 2**32),)
    assert reading.markers[0].unit == "sheets"
    assert reading.remarks[0].where == "marker 1"


def test_a_life_count_in_tens_wraps_ten_times_later() -> None:
    cells = row(oids.PRT_MARKER, 1, 1, CounterUnit=7, LifeCount=2**32 - 1)
    reading = read(cells, oddities=named("life-in-tens"))
    assert reading.counters == (Counter("life", "impressions", 10 * (2**32 - 1), 10 * 2**32),)


# --- writing ----------------------------------------------------------------------------------------------------

RIGHT = """
[[oddity]]
name = "tallgrass-drum"
why = "Counts the drum in feet."
object_ids = ["1.3.6.1.4.1.32473.1"]
[[oddity.supply]]
kinds = ["opc"]
classes = ["supplyThatIsConsumed"]
indexes = [3]
described = "drum"
level_is = "left"
level_times = 2
capacity_times = 3
unknown_levels = [254, 255]
unit = "feet"
class = "other"
kind = "other"
[oddity.marker]
life_unit = "feet"
life_times = 4
"""


def test_every_key_is_read() -> None:
    assert parse(RIGHT) == (
        Oddity(
            "tallgrass-drum",
            "Counts the drum in feet.",
            ("1.3.6.1.4.1.32473.1",),
            (
                SupplyFix(
                    kinds=frozenset({"opc"}),
                    classes=frozenset({"supplyThatIsConsumed"}),
                    indexes=frozenset({3}),
                    described="drum",
                    level_times=2,
                    capacity_times=3,
                    unknown_levels=frozenset({254, 255}),
                    unit="feet",
                    supply_class="other",
                    kind="other",
                ),
            ),
            MarkerFix("feet", 4),
        ),
    )


def test_an_empty_document_has_no_oddities() -> None:
    assert parse("") == ()


def wrong(text: str) -> tuple[str, ...]:
    with pytest.raises(OddityErrors) as caught:
        parse(text)
    return caught.value.errors


def test_what_is_no_toml_is_told_with_its_line() -> None:
    (error,) = wrong('[[oddity]]\nname = "x\n')
    assert "this is no TOML" in error
    assert "line 2" in error


@pytest.mark.parametrize(
    ("old", "new", "error"),
    [
        ("level_times", "level_tmies", "there is no key 'level_tmies'; the nearest is 'level_times'"),
        ("object_ids", "objectids", "there is no key 'objectids'; the nearest is 'object_ids'"),
        ("life_unit", "lifeunit", "there is no key 'lifeunit'; the nearest is 'life_unit'"),
        ('why = "Counts the drum in feet."', "", "why is missing"),
        ('["opc"]', '["opk"]', "kinds is ['opk'], and should be a list in which 'opk' is opc perhaps"),
        ('["opc"]', '"opc"', "kinds is 'opc', and should be a list"),
        ('"feet"\nlife', '"feets"\nlife', "life_unit is 'feets', and should be feet perhaps"),
        ("level_times = 2", "level_times = 0", "level_times is 0, and should be a whole number from 1 to 100000"),
        ("level_times = 2", "level_times = true", "level_times is True, and should be a whole number from 1 to 100000"),
        ("level_times = 2", "level_times = 2.5", "level_times is 2.5, and should be a whole number from 1 to 100000"),
        ('"left"', '"full"', "level_is is 'full', and should be"),
        (
            '"1.3.6.1.4.1.32473.1"',
            '".1.3.6"',
            "object_ids is ['.1.3.6'], and should be a list in which '.1.3.6' is an OID",
        ),
        ('"tallgrass-drum"', '"Tallgrass Drum"', "name is 'Tallgrass Drum', and should be a name in lower-case"),
        ("[3]", "[-3]", "indexes is [-3], and should be a list in which -3 is a whole number"),
    ],
)
def test_an_error_says_where_and_what_and_what_is_right(old: str, new: str, error: str) -> None:
    assert old in RIGHT
    (found,) = wrong(RIGHT.replace(old, new, 1))
    assert found.startswith("oddity 1 (")
    assert error in found


def test_all_errors_are_told_at_once() -> None:
    errors = wrong(
        '[odity]\n[[oddity]]\nname = "a"\n[[oddity]]\nname = "a"\nwhy = "b"\n[[oddity.supply]]\nkinds = ["opc"]\n'
    )
    assert errors == (
        "the document: there is no key 'odity'; the nearest is 'oddity'",
        "oddity 1 (a): why is missing",
        "oddity 1 (a): nothing is put right; give [[oddity.supply]] or [oddity.marker]",
        "oddity 2 (a): an earlier oddity has the same name",
        "oddity 2 (a), supply 1: nothing is put right; give level_is, unit, class ...",
    )


@pytest.mark.parametrize(
    "text",
    [
        "oddity = 1",
        "oddity = [1]",
        '[[oddity]]\nname = "a"\nwhy = "b"\nsupply = 1',
        '[[oddity]]\nname = "a"\nwhy = "b"\nmarker = 1',
        '[[oddity]]\nname = 5\nwhy = ["b"]\n[oddity.marker]\nlife_times = 2',
        '[oddity]\nname = "a"',
    ],
)
def test_a_wrong_shape_is_an_error_and_no_crash(text: str) -> None:
    assert wrong(text)
