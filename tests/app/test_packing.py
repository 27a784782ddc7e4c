"""What was packed comes out as it went in, whatever it is. How small it is meanwhile: tests/bench/test_memory.py."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import pytest

from agent.alarms.conditions import outlook_conditions
from agent.alarms.outlook import Outlook, Prospect
from agent.alarms.rules import Rule
from agent.app.packing import LESSONS, packed, packed_upkeep
from agent.app.parts import due_of
from agent.insight.kin import Fleet, pool
from agent.insight.printer import look, summarise
from agent.model.fleet import PrinterView
from agent.model.insight import Forecast, Foretold, Insight, Note, Spread, gists_of
from agent.model.upkeep import PrinterUpkeep
from agent.settings import parse
from tests.bench.insight import NOW, history

SOME = 4


@pytest.fixture(scope="module")
def insights() -> list[Insight]:
    """Of colour printers with some forty lives each."""
    histories = [history(number) for number in range(SOME)]
    fleet = pool([summarise(one, Fleet(), NOW) for one in histories])
    return [look(one, fleet, NOW) for one in histories]


@pytest.fixture(scope="module")
def upkeep(insights: list[Insight]) -> list[PrinterUpkeep]:
    settings = parse("")
    return [due_of(settings, history(number), one, (), None, NOW) for number, one in enumerate(insights)]


def test_an_insight_comes_out_as_it_went_in(insights: list[Insight]) -> None:
    for one in insights:
        kept = packed(one)
        assert kept == one
        assert one == kept
        assert repr(kept) == repr(one)  # that numbers are of the same type, too
        assert len(kept.lives) == len(one.lives) > 20
        assert kept.lives[-1] == one.lives[-1]
        assert tuple(kept.forecasts[1:3]) == one.forecasts[1:3]


def test_upkeep_comes_out_as_it_went_in(upkeep: list[PrinterUpkeep]) -> None:
    assert all(one.items for one in upkeep)
    assert [repr(packed_upkeep(one)) for one in upkeep] == [repr(one) for one in upkeep]
    assert [packed_upkeep(one) for one in upkeep] == upkeep


def test_a_lesson_teaches_the_same_after_it_was_packed() -> None:
    taught = [summarise(history(number), Fleet(), NOW) for number in range(SOME)]
    again = [LESSONS.unpack(LESSONS.pack(one)) for one in taught]
    assert repr(again) == repr(taught)
    first, second = pool(taught), pool(again)
    same = [one.name for one in fields(Fleet) if repr(getattr(first, one.name)) == repr(getattr(second, one.name))]
    assert same == [one.name for one in fields(Fleet)]


def test_gists_are_told_without_unpacking_and_are_those_of_the_forecasts(insights: list[Insight]) -> None:
    for one in insights:
        kept = packed(one).forecasts
        assert isinstance(kept, Foretold)
        assert list(gists_of(kept)) == [forecast.gist for forecast in one.forecasts] == gists_of(one.forecasts)


def test_what_nothing_is_known_of_comes_out_so() -> None:
    at = datetime(2026, 3, 1, 4, 5, 6, 789_012, tzinfo=UTC)
    refused = Forecast(7, "toner:black", "toner", None, "Töner \N{PRINTER}", at, reason="too early to tell")
    without = replace(refused, empty=Spread(at, (0.5,) * 15, 9.0), chance=MappingProxyType({7: 1.0}))
    made = Insight(7, at, (), (), (refused, without), (Note("printer", "a note"),))
    assert packed(made) == made
    assert repr(packed(made)) == repr(made)
    refused_gist, gist = gists_of(packed(made).forecasts)
    assert (refused_gist.level, refused_gist.expected, refused_gist.earliest) == (None, None, None)
    assert gist.earliest == at + timedelta(days=0.5)
    assert gist.expected is None


@pytest.mark.parametrize("days", [0.3, 1.0, 2.5, 7.0, 20.0, 45.0, 120.0])
def test_rules_about_run_outs_judge_the_same_by_packed_forecasts(insights: list[Insight], days: float) -> None:
    rule = Rule("dry", "runOut", within=timedelta(days=days), chance=0.3)
    for number, one in enumerate(insights):
        view = PrinterView(history(number).printer, None, True, NOW)
        plain, kept = (
            [
                (found.subject, found.active, found.value, found.known, found.part.forecast)
                for found in outlook_conditions([rule], view, Outlook(forecasts), NOW)
                if isinstance(found.part, Prospect)
            ]
            for forecasts in (one.forecasts, packed(one).forecasts)
        )
        assert kept == plain
        assert [chance for _, _, chance, _, _ in plain] == [
            None if told.empty is None else round(told.empty.chance_within(days - _since(told.empty)), 2)
            for told in one.forecasts
        ]


def _since(spread: Spread) -> float:
    return (spread.start - NOW) / timedelta(days=1)
