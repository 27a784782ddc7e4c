"""Alarms about what is forecast."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from agent.alarms.outlook import Outlook, Spare
from agent.alarms.rules import Rule
from agent.model.insight import PROBABILITIES, Dates, Forecast, Spread
from agent.notify.message import compose
from tests.alarms.scene import START, Agent, kinds, seen, toner

SOON = Rule("soon", "runOut", within=timedelta(days=7), chance=0.5, deadband=0.1, tell=("mail",))
KEY = "soon|7|toner:cyan"


def forecast(median: float, start: datetime = START, *, supply: str = "toner:cyan", kind: str = "toner") -> Forecast:
    """It runs out after ``median`` days, give or take half of that: the quantiles lie on a line."""
    days = tuple(median * (0.5 + chance) for chance in PROBABILITIES)
    return Forecast(
        7, supply, kind, "cyan", "TG-40 cyan", start, None, Spread(start, days, 1500.0),
        Dates(date(2026, 3, 5), date(2026, 3, 8), date(2026, 3, 12)), level=0.06, basis=("4 earlier lives here",),
    )  # fmt: skip


def look(agent: Agent, *forecasts: Forecast, reachable: bool = True, after: timedelta = timedelta(hours=1)):
    view = seen(toner(6), reachable=reachable)
    return agent.sweep(view, after=after, outlooks={7: Outlook(forecasts)})


def test_an_alarm_comes_when_the_chance_of_running_out_in_time_reaches_the_limit():
    agent = Agent([SOON])
    assert look(agent, forecast(7.5)) == []
    (message,) = look(agent, forecast(6.5))
    assert (message.key, message.kind) == (KEY, "raised")
    # 7 days less 2 hours gone by, on the line median * (0.5 + chance): (7 + 2/24) / 6.5 - 0.5 = 0.589...
    assert message.facts["chance"] == 0.59
    body = compose([message]).body
    assert "Chance       59 % within 7 d\n" in body
    assert "Runs out     between Thu 5 Mar and Thu 12 Mar (8 chances in 10)\n" in body
    assert "Bring        a new cyan toner" in body
    assert "Left         about 6 %" in body


def test_time_that_goes_by_brings_the_day_nearer_without_a_new_forecast():
    agent = Agent([SOON])
    old = forecast(8.0)
    assert look(agent, old) == []
    assert kinds(look(agent, old, after=timedelta(days=1))) == ["raised"]


def test_within_the_deadband_it_holds_and_a_swap_ends_it():
    agent = Agent([SOON])
    look(agent, forecast(6.5))
    assert look(agent, forecast(7.5, agent.now)) == []
    assert agent.state(KEY) == "unacknowledged"
    assert kinds(look(agent, forecast(60, agent.now))) == ["returned"]


def test_no_forecast_and_no_answer_say_nothing():
    agent = Agent([SOON])
    unknown = replace(forecast(1), empty=None, empty_dates=None, reason="too early to tell")
    assert look(agent, unknown) == []
    assert agent.sweep(seen(toner(6))) == []
    assert look(agent, forecast(1), reachable=False) == []
    assert kinds(look(agent, forecast(1))) == ["raised"]
    assert agent.sweep(seen(toner(6))) == []
    assert look(agent, unknown) == []
    assert agent.state(KEY) == "unacknowledged"


def test_a_supply_that_is_gone_closes_its_alarm():
    agent = Agent([SOON])
    look(agent, forecast(1))
    assert kinds(look(agent, forecast(90, supply="toner:black"))) == ["returned"]
    assert agent.state(KEY) == "normal"


def test_kinds_narrow_it_and_a_waste_box_is_emptied_not_replaced():
    agent = Agent([replace(SOON, kinds=("wasteToner",))])
    (message,) = look(agent, forecast(1), forecast(1, supply="wasteToner", kind="wasteToner"))
    assert message.key == "soon|7|wasteToner"
    assert "will be full within 7 d" in message.text
    assert "Bring        an empty" in compose([message]).body


def test_a_new_cartridge_of_which_nothing_can_be_forecast_yet_ends_the_alarm():
    agent = Agent([SOON])
    look(agent, forecast(1))
    unknown = replace(forecast(1), empty=None, empty_dates=None, reason="too early to tell")
    assert kinds(agent.sweep(seen(toner(100)), outlooks={7: Outlook((unknown,))})) == ["returned"]


# --- the next round and the shelf ------------------------------------------------------------------------------------

ROUND = Rule("round", "runOut", before_round=True, unstocked=True, chance=0.5, tell=("mail",))
NONE_LEFT = Spare("TG-40C", 0, on_order=2, expected=date(2026, 3, 9))


def before_round(agent: Agent, median: float, spare: Spare | None, days: int = 4):
    at = START + timedelta(days=days)
    spares = {"toner:cyan": spare} if spare is not None else {}
    outlook = Outlook((forecast(median),), at.date(), at, spares)
    return agent.sweep(seen(toner(6)), after=timedelta(hours=1), outlooks={7: outlook})


def test_it_will_run_dry_before_the_next_round_and_none_is_on_the_shelf():
    (message,) = before_round(Agent([ROUND]), 3.0, NONE_LEFT)
    # 4 days on the line 3 * (0.5 + chance): 4 / 3 - 0.5 = 0.833...
    assert message.text == (
        "cyan toner will run out before the next round (Fri 6 Mar) (chance 83 %), and none is on the shelf"
    )
    body = compose([message]).body
    assert "Chance       83 % before the next round\n" in body
    assert "Next round   Fri 6 Mar\n" in body
    assert "Shelf        TG-40C: none; 2 ordered, expected Mon 9 Mar\n" in body


def test_what_lies_on_the_shelf_or_is_not_counted_is_no_alarm_of_this_rule():
    for spare in (replace(NONE_LEFT, on_shelf=1), replace(NONE_LEFT, on_shelf=None), None):
        assert before_round(Agent([ROUND]), 3.0, spare) == []
    assert before_round(Agent([ROUND]), 30.0, NONE_LEFT) == [], "nor is what lasts until after the round"
    assert before_round(Agent([replace(ROUND, unstocked=False)]), 3.0, None) != []


def test_a_part_that_arrives_ends_it():
    agent = Agent([ROUND])
    before_round(agent, 3.0, NONE_LEFT)
    assert kinds(before_round(agent, 3.0, replace(NONE_LEFT, on_shelf=2, place="Cupboard 3", on_order=0))) == [
        "returned"
    ]


def test_where_no_round_is_planned_nothing_is_said_of_it():
    outlook = Outlook((forecast(1),), None, None, {"toner:cyan": NONE_LEFT})
    assert Agent([ROUND]).sweep(seen(toner(6)), outlooks={7: outlook}) == []


def test_which_keys_go_together():
    with pytest.raises(ValueError, match="do not go together"):
        replace(ROUND, within=timedelta(days=3))
    with pytest.raises(ValueError, match="have no meaning for supplyEmpty"):
        Rule("x", "supplyEmpty", unstocked=True)
