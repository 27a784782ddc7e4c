"""Levels and capacities: RFC 3805 section 2.4 and the descriptions of prtMarkerSuppliesLevel and ...MaxCapacity."""

from __future__ import annotations

import pytest

from agent.mib import oids
from agent.model.reading import Amount, Mark, Supply
from agent.model.wire import Value
from tests.mib.invented import read, row, supply


def only(**changes: Value) -> Supply:
    (found,) = read(supply(1, **changes)).supplies
    return found


def remarks(**changes: Value) -> list[tuple[str, str]]:
    return [(remark.where, remark.what) for remark in read(supply(1, **changes)).remarks]


@pytest.mark.parametrize(
    ("value", "amount"),
    [(-1, Mark.OTHER), (-2, Mark.UNKNOWN), (-3, Mark.SOME), (0, 0), (1, 1), (2**31 - 1, 2**31 - 1)],
)
def test_a_level_is_a_number_or_a_mark(value: int, amount: Amount) -> None:
    assert only(Level=value, MaxCapacity=-2).level == amount
    assert remarks(Level=value, MaxCapacity=-2) == []


@pytest.mark.parametrize(("value", "amount"), [(-1, Mark.OTHER), (-2, Mark.UNKNOWN), (1, 1), (2**31 - 1, 2**31 - 1)])
def test_a_capacity_is_a_number_or_a_mark(value: int, amount: Amount) -> None:
    assert only(MaxCapacity=value, Level=-3).capacity == amount
    assert remarks(MaxCapacity=value, Level=-3) == []


@pytest.mark.parametrize("value", [-4, -100, -(2**31), 2**31, 2**64])
def test_an_illegal_level_is_unknown_and_remarked_on(value: int) -> None:
    assert only(Level=value).level is Mark.UNKNOWN
    assert remarks(Level=value)[0][0] == "prtMarkerSuppliesLevel.1.1"


@pytest.mark.parametrize("value", [-3, -4, -(2**31), 2**31])
def test_an_illegal_capacity_is_unknown_and_remarked_on(value: int) -> None:
    assert only(MaxCapacity=value).capacity is Mark.UNKNOWN
    assert remarks(MaxCapacity=value)[0][0] == "prtMarkerSuppliesMaxCapacity.1.1"


@pytest.mark.parametrize(
    ("level", "capacity", "unit", "fraction"),
    [
        (1500, 6000, 7, 0.25),
        (0, 6000, 7, 0.0),
        (6000, 6000, 7, 1.0),
        (40, -2, 19, 0.4),  # percent needs no capacity
        (40, 100, 19, 0.4),
        (40, -2, 7, None),  # capacity unknown, level known
        (-3, 6000, 7, None),  # some remains
        (-2, 6000, 7, None),
        (-1, 6000, 7, None),
        (3000, 0, 7, None),  # capacity 0
        (0, 0, 7, None),
        (7000, 6000, 7, 1.0),  # above the capacity
        (101, -2, 19, None),
    ],
)
def test_the_share_is_never_invented(level: int, capacity: int, unit: int, fraction: float | None) -> None:
    assert only(Level=level, MaxCapacity=capacity, SupplyUnit=unit).fraction == fraction


def test_a_receptacles_level_is_the_space_that_is_left() -> None:
    """prtMarkerSuppliesLevel: "if this supply is a receptacle ... the remaining space"."""
    full = only(Class=4, Type=4, Level=0)
    assert full.is_receptacle
    assert full.fraction == 0.0
    assert only(Class=4, Type=4, Level=6000).fraction == 1.0


def test_a_level_above_the_capacity_is_remarked_on() -> None:
    assert remarks(Level=7000) == [("prtMarkerSuppliesLevel.1.1", "the level 7000 is above the capacity 6000")]


def test_a_capacity_of_zero_is_remarked_on() -> None:
    assert remarks(MaxCapacity=0) == [
        ("prtMarkerSuppliesMaxCapacity.1.1", "the capacity is 0, so no share can be worked out")
    ]


def test_more_than_a_hundred_percent_is_remarked_on() -> None:
    assert remarks(Level=120, MaxCapacity=-2, SupplyUnit=19) == [
        ("prtMarkerSuppliesLevel.1.1", "the level is 120 percent")
    ]


@pytest.mark.parametrize(
    "column", ["Level", "MaxCapacity", "Class", "Type", "SupplyUnit", "MarkerIndex", "ColorantIndex"]
)
@pytest.mark.parametrize("value", [b"\x01\x02", b"", "1.3.6", b"50"])
def test_a_wrong_type_is_a_remark_and_not_a_number(column: str, value: Value) -> None:
    found = only(**{column: value})
    assert found.index == 1
    (where, what) = remarks(**{column: value})[0]
    assert where.endswith(f"{column}.1.1")
    assert "in place of a number" in what


def test_a_number_where_words_belong_is_a_remark() -> None:
    assert only(Description=7).description == ""
    assert remarks(Description=7) == [("prtMarkerSuppliesDescription.1.1", "7 in place of words")]


def test_cells_that_are_not_answered_are_unknown() -> None:
    (found,) = read(row(oids.PRT_SUPPLIES, 1, 1, Type=21)).supplies
    assert (found.kind, found.supply_class, found.unit) == ("tonerCartridge", "other", "unknown")
    assert (found.level, found.capacity, found.fraction) == (Mark.UNKNOWN, Mark.UNKNOWN, None)


def test_an_unlisted_value_is_shown_as_such() -> None:
    assert only(Type=99).kind == "unlisted(99)"
    assert remarks(Type=99) == [("prtMarkerSuppliesType.1.1", "99 is listed in no standard")]


@pytest.mark.parametrize(
    ("level", "capacity", "expected"),
    [(120, 500, (120, 500)), (-3, 500, (Mark.SOME, 500)), (0, 0, (0, 0)), (-2, -1, (Mark.UNKNOWN, Mark.OTHER))],
)
def test_trays_and_bins_follow_the_same_rules(level: int, capacity: int, expected: tuple[Amount, Amount]) -> None:
    cells = row(oids.PRT_INPUT, 1, 1, CurrentLevel=level, MaxCapacity=capacity)
    cells |= row(oids.PRT_OUTPUT, 1, 1, RemainingCapacity=level, MaxCapacity=capacity)
    reading = read(cells)
    assert (reading.trays[0].level, reading.trays[0].capacity) == expected
    assert (reading.bins[0].remaining, reading.bins[0].capacity) == expected
    assert reading.remarks == ()


def test_a_full_supply_is_nothing_to_remark_on() -> None:
    assert remarks(Level=6000, MaxCapacity=6000) == []


def test_a_slot_for_single_sheets_with_capacity_zero_is_nothing_to_remark_on() -> None:
    assert read(row(oids.PRT_INPUT, 1, 1, CurrentLevel=1, MaxCapacity=0)).remarks == ()


def test_a_tray_above_its_capacity_is_remarked_on() -> None:
    reading = read(row(oids.PRT_INPUT, 1, 1, CurrentLevel=501, MaxCapacity=500))
    assert [r.where for r in reading.remarks] == ["prtInputCurrentLevel.1.1"]
