"""What a supply is worth: by its maker's word, by those before it, or by what is left."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from agent.insight import worth
from agent.model.insight import Life
from agent.model.round import RoundTerms
from agent.model.shelf import SparePart
from tests.insight.walked import NOW, forecast, printer, spot


def lived(impressions: int | None, *, gone: bool = True) -> Life:
    fitted, removed = NOW - timedelta(days=60), NOW - timedelta(days=30) if gone else None
    return Life("toner:black", "toner", 1, fitted, removed, impressions, 1.0, 0.0, 0.0, "ranDry", 1.0, 1.0)


def insight(*lives: Life):
    given = spot(printer(1), forecast(1, "toner:black", 9)).insight
    return replace(given, lives=lives)


def test_a_whole_one_gives_what_its_maker_says_else_what_those_before_it_gave_else_what_is_left_tells():
    half = replace(forecast(1, "toner:black", 9), level=0.5)
    own = insight(lived(4_000), lived(6_000), lived(90_000, gone=False), lived(None))
    assert worth.whole(own, half, SparePart("T", declared_yield=7_000), 1_000.0) == 7_000
    assert worth.whole(own, half, SparePart("T"), 1_000.0) == 5_000
    assert worth.whole(insight(), half, None, 1_000.0) == 2_000
    assert worth.whole(None, replace(half, level=0.04), None, 1_000.0) is None
    assert worth.whole(None, half, None, None) is None


@pytest.mark.parametrize(("kind", "least"), [("toner", 1.0), ("opc", 0.25), ("wasteToner", 0.1)])
def test_a_page_of_toner_is_dearer_than_one_of_a_drum_and_that_dearer_than_one_of_a_waste_box(kind, least):
    assert worth.share(kind) == least


def test_what_stops_the_printer_costs_a_standstill_and_what_spoils_prints_less():
    terms = RoundTerms(standstill=100, late=20)
    assert worth.harm("toner", terms) == 100
    assert worth.harm("opc", terms) == 60
