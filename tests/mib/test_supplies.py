"""Colours and keys of supplies."""

from __future__ import annotations

import pytest

from agent.mib import oids
from agent.mib.colours import canonical, from_description
from agent.model.wire import Value
from tests.mib.invented import read, row, supply


def keys(*rows: dict[str, Value]) -> list[str]:
    cells: dict[str, Value] = {}
    for each in rows:
        cells |= each
    return [found.key for found in read(cells).supplies]


@pytest.mark.parametrize(
    ("value", "colour"),
    [
        ("cyan", "cyan"),
        ("BLACK", "black"),
        ("K", "black"),
        ("Light-Cyan", "light cyan"),
        ("lightMagenta", "light magenta"),
        ("Gray", "grey"),
        ("other", None),
        ("unknown", None),
        ("", None),
        ("Harrow Red", "harrow red"),
    ],
)
def test_colorants_have_one_spelling(value: str, colour: str | None) -> None:
    assert canonical(value) == colour


@pytest.mark.parametrize(
    ("description", "colour"),
    [
        ("Black Toner Cartridge", "black"),
        ("Toner Cyan 3000", "cyan"),
        ("cyanToner", "cyan"),
        ("Resttoner Schwarz", "black"),
        ("Cartouche jaune", "yellow"),
        ("Light Magenta Ink", "light magenta"),
        ("Black drum, black developer", "black"),
        ("Toner", None),
        ("Tri-colour cartridge", None),
        ("Black/Cyan drum", None),
        ("K-3000 toner", None),  # a letter in an order number is no colour
        ("Blackwell toner", None),  # nor is a part of a word
        ("", None),
    ],
)
def test_a_description_tells_a_colour_only_when_it_names_just_one(description: str, colour: str | None) -> None:
    assert from_description(description) == colour


def test_without_a_colorant_table_the_description_tells_the_colour() -> None:
    assert keys(supply(1, Description=b"Cyan toner"), supply(2, Description=b"Toner")) == ["toner:cyan", "toner"]


def test_with_a_colorant_table_the_description_tells_nothing() -> None:
    colorants = row(oids.PRT_COLORANT, 1, 1, Value=b"magenta")
    assert keys(colorants, supply(1, ColorantIndex=1, Description=b"Cyan toner")) == ["toner:magenta"]
    assert keys(colorants, supply(1, ColorantIndex=0, Description=b"Cyan toner")) == ["toner"]


def test_a_colorant_that_is_not_there_is_remarked_on() -> None:
    reading = read(row(oids.PRT_COLORANT, 1, 1, Value=b"magenta") | supply(1, ColorantIndex=8))
    assert reading.supplies[0].colorant is None
    assert [r.where for r in reading.remarks] == ["prtMarkerSuppliesColorantIndex.1.1"]


def test_a_waste_bins_description_is_no_colour() -> None:
    assert keys(supply(1, Type=4, Class=4, Description=b"Black waste bottle")) == ["wasteToner"]


def test_two_of_the_same_are_told_apart_in_order_of_index() -> None:
    black = {"Description": b"Black toner"}
    assert keys(supply(7, **black), supply(2, **black), supply(3, Type=9, **black), supply(9, **black)) == [
        "toner:black",
        "opc:black",
        "toner:black#2",
        "toner:black#3",
    ]


def test_keys_are_unique_whatever_colours_are_called() -> None:
    rows = [row(oids.PRT_COLORANT, 1, 1, Value=b"red"), row(oids.PRT_COLORANT, 1, 2, Value=b"red#2")]
    found = keys(*rows, supply(1, ColorantIndex=1), supply(2, ColorantIndex=2), supply(3, ColorantIndex=1))
    assert found == ["toner:red", "toner:red#2", "toner:red#3"]


def test_rows_come_in_numeric_order_of_index() -> None:
    assert [s.index for s in read(supply(10) | supply(2) | supply(1)).supplies] == [1, 2, 10]
