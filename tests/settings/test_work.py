"""Parts, shelf and upkeep plans in the settings file."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from agent.model.symptom import ROLLERS
from agent.settings import parse
from agent.settings.rollers import Rollers
from tests.settings.texts import only_error_of

PARTS = "parts: [{name: TG-40K, supplies: [toner:black], price: 89.50, yield: 6000}, {name: KIT}]\n"


def test_prices_are_decimal_as_they_are_written() -> None:
    part = parse(PARTS).parts[0]
    assert part.price == Decimal("89.50")
    assert str(part.price) == "89.50"
    assert parse('parts: [{name: A, price: "7"}, {name: B, price: 0.1}]').parts[1].price == Decimal("0.1")


def test_a_part_takes_lead_time_and_service_level_from_the_shelf_unless_it_has_its_own() -> None:
    text = "parts: [{name: A}, {name: B, lead_time: 14d, pack: 6, minimum: 12}]\nshelf: {lead_time: 3d, review: 1d}\n"
    one, two = parse(text).spares()
    assert (one.terms.lead_days, one.terms.lead_sd, one.terms.review_days) == (3.0, 2.0, 1.0)
    assert (two.terms.lead_days, two.terms.pack, two.terms.minimum) == (14.0, 6, 12)


def test_plans_become_values_of_the_core() -> None:
    (plan,) = parse("upkeep: [{name: clean, every: 90d, impressions: 5000}]").plans()
    assert (plan.name, plan.what, plan.days, plan.impressions) == ("clean", "clean", 90, 5000)


def test_without_the_key_the_usual_plans_apply_and_an_empty_list_means_none() -> None:
    assert [plan.name for plan in parse("").plans()] == ["maintenance", "calibration"]
    assert parse("upkeep: []").plans() == ()


def test_a_shelf_may_be_said_in_part() -> None:
    shelf = parse("shelf: {service_level: 98%}").shelf
    assert (shelf.service_level, shelf.review, shelf.currency) == (0.98, timedelta(days=7), "EUR")


@pytest.mark.parametrize(
    ("text", "key", "expected", "hint"),
    [
        (PARTS + "upkeep: [{name: a, every: 9d, needs: [KITT]}]", "upkeep[0].needs[0]", "KIT, TG-40K", "KIT?"),
        ("upkeep: [{name: a, every: 9d, needs: KIT}]", "upkeep[0].needs[0]", "there are no parts yet", ""),
        ("upkeep: [{name: a}]", "upkeep[0]", "one of impressions, every, after, reports, renews", ""),
        ("upkeep: [{name: a, after: [tonner]}]", "upkeep[0].after[0]", "kinds of RFC 3805", "toner?"),
        ("upkeep: [{name: a, after: [a]}]", "upkeep[0].after[0]", "another plan", ""),
        ("upkeep: [{name: a, reports: [overduePreventMain]}]", "upkeep[0].reports[0]", "codes", "overduePreventMaint?"),
        ("upkeep: [{name: a, every: 9d, reset_sweeps: 2}]", "upkeep[0].reset_sweeps", "the key renews", ""),
        ("upkeep: [{name: a, every: 9d}, {name: a, every: 8d}]", "upkeep[1].name", "a name of its own", ""),
        ("upkeep: [{name: a, impressions: 0}]", "upkeep[0].impressions", "at least 1", ""),
        ('upkeep: [{name: "a,b", every: 9d}]', "upkeep[0].name", "without comma", ""),
        (
            "upkeep: [{name: a, every: 9d, rollers: {drum: 30}}]",
            "upkeep[0].rollers.drum",
            "a diameter like 30mm",
            "say the unit: mm",
        ),
        (
            "upkeep: [{name: a, every: 9d, rollers: {drum: thick}}]",
            "upkeep[0].rollers.drum",
            "a diameter like 30mm",
            "",
        ),
        ("upkeep: [{name: a, every: 9d, rollers: {drum: 0mm}}]", "upkeep[0].rollers.drum", "from 3mm to 400mm", ""),
        (
            "upkeep: [{name: a, every: 9d, rollers: {drum: 2000mm on paper}}]",
            "upkeep[0].rollers.drum",
            "from 5mm to 1500mm",
            "",
        ),
        ("upkeep: [{name: a, every: 9d, rollers: {drumm: 30mm}}]", "upkeep[0].rollers.drumm", "one of", "drum?"),
        ("parts: [{name: A}, {name: A}]", "parts[1].name", "a name of its own", ""),
        ("parts: [{name: A, supplies: [drum]}]", "parts[0].supplies[0]", "kinds of RFC 3805", ""),
        ("parts: [{name: A, price: -1}]", "parts[0].price", "an amount of money", ""),
        ("parts: [{name: A, price: EUR 3}]", "parts[0].price", "an amount of money", "currency"),
        ("parts: [{name: A, price: .nan}]", "parts[0].price", "an amount of money", ""),
        ("parts: [{name: A, pack: 0}]", "parts[0].pack", "at least 1", ""),
        ("parts: [{name: A, yeld: 3}]", "parts[0].yeld", "one of name", "yield?"),
        ("shelf: {service_level: 100%}", "shelf.service_level", "less than 1", ""),
        ("shelf: {service_level: 0%}", "shelf.service_level", "greater than 0", ""),
        ("shelf: {places: [{name: A}, {name: A}]}", "shelf.places[1].name", "a name of its own", ""),
        ("shelf: {places: [{name: A, site: B}]}", "shelf.places[0].site", "one of name, sites", "sites?"),
        ("shelf: {places: [{name: A, sites: B}]}", "shelf.places[0].sites[0]", "there are no sites yet", ""),
        ("shelf: {currency: euro}", "shelf.currency", "ISO 4217", ""),
    ],
)
def test_what_cannot_be_is_said_with_its_place(text: str, key: str, expected: str, hint: str) -> None:
    error = only_error_of(text)
    assert error.key == key
    assert expected in error.expected
    assert hint in error.hint


def test_rollers_are_diameters_or_distances_on_paper() -> None:
    text = "upkeep: [{name: a, every: 9d, rollers: {drum: 30mm, transfer_belt: 760 mm on paper, fuser_roller: 25.5mm}}]"
    found = {one.name: (one.diameter, one.around) for one in parse(text).plans()[0].rollers}
    # pi = 3.14159265: 30 x pi = 94.2478, 25.5 x pi = 80.1106.
    assert found["drum"] == (30.0, pytest.approx(94.2478, abs=1e-4))
    assert found["fuser roller"] == (25.5, pytest.approx(80.1106, abs=1e-4))
    assert found["transfer belt"] == (None, 760.0)
    assert set(Rollers.model_fields) == {name.replace(" ", "_") for name in ROLLERS}


def test_wild_cards_and_unlisted_kinds_are_taken() -> None:
    text = 'parts: [{name: A, supplies: ["toner*", "unlisted(77)", "opc:black#2"]}]'
    assert parse(text).parts[0].supplies == ("toner*", "unlisted(77)", "opc:black#2")
