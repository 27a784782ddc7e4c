"""Of two rules about one supply the more urgent one hides the other: an empty cartridge is not also a low one."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from agent.alarms.lifecycle import Event, apply, shelve
from agent.alarms.precedence import gravest_first, hides
from agent.alarms.routes import Route
from agent.alarms.rules import Rule
from agent.alarms.spells import story
from agent.alarms.windows import Window
from agent.rehearsal.paper import RULES
from agent.settings.alarms import USUAL_ALARMS
from tests.alarms.scene import LOW, MINUTE, Agent, seen, toner

CYAN = "low|7|toner:cyan"
OUT = "out|7|toner:cyan"
EMPTY = Rule("out", "supplyEmpty", severity="high", tell=("mail",))
NEARLY = Rule("nearly", "supplyBelow", below=0.04, severity="high", tell=("mail",))
SOON = Rule("soon", "runOut", within=timedelta(days=7), severity="high", tell=("mail",))


def told(agent: Agent) -> list[tuple[str, str]]:
    """Whose alarm was told, and how, in the order of telling."""
    return [(message.key.partition("|")[0], message.kind) for message in agent.messages]


# --- one supply, one alarm -------------------------------------------------------------------------------------------


def test_an_empty_supply_is_told_once_and_not_as_a_low_one_besides():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(0)))
    assert told(agent) == [("out", "raised")]
    assert agent.state(CYAN) == "suppressedByDesign"
    assert agent.records[CYAN].suppressed_by == OUT
    assert [spell.rule for spell in story(agent.ledger, agent.now).spells if spell.heard] == ["out"]


def test_what_was_low_before_steps_back_when_it_is_empty_and_its_end_is_told_to_those_who_heard():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(8)))
    agent.sweep(seen(toner(0)))
    assert agent.state(CYAN) == "suppressedByDesign"
    agent.sweep(seen(toner(100)))
    assert told(agent) == [("low", "raised"), ("out", "raised"), ("out", "returned"), ("low", "returned")]
    assert (agent.state(CYAN), agent.records[CYAN].suppressed_by) == ("normal", "")


def test_what_is_a_little_less_than_empty_is_low_again():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(0)))
    agent.sweep(seen(toner(3)))
    assert told(agent) == [("out", "raised"), ("out", "returned"), ("low", "raised")]


def test_each_supply_stands_for_itself():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(0), toner(6, colour="magenta")))
    assert agent.state(CYAN) == "suppressedByDesign"
    assert agent.state("low|7|toner:magenta") == "unacknowledged"


def test_of_two_limits_the_lower_one_hides_the_higher_and_empty_hides_both():
    agent = Agent([LOW, NEARLY, EMPTY])
    agent.sweep(seen(toner(8)))
    agent.sweep(seen(toner(3)))
    assert agent.records[CYAN].suppressed_by == "nearly|7|toner:cyan"
    agent.sweep(seen(toner(0)))
    assert told(agent) == [("low", "raised"), ("nearly", "raised"), ("out", "raised")]
    assert {agent.records[key].suppressed_by for key in (CYAN, "nearly|7|toner:cyan")} == {OUT}


def test_nobody_hears_that_it_is_low_while_the_empty_alarm_waits_for_its_delay():
    agent = Agent([LOW, replace(EMPTY, on_delay=5 * MINUTE)])
    agent.sweep(seen(toner(0)))
    assert told(agent) == []
    agent.sweep(seen(toner(0)), after=5 * MINUTE)
    assert told(agent) == [("out", "raised")]


def test_a_level_that_trembles_about_nothing_does_not_make_the_low_alarm_come_and_go():
    agent = Agent([LOW, replace(EMPTY, on_delay=5 * MINUTE)])
    agent.sweep(seen(toner(3)))
    for level in (0, 2, 0, 2, 0, 2):
        agent.sweep(seen(toner(level)))
        assert agent.state(CYAN) == "unacknowledged"
    assert [one.kind for one in agent.ledger if one.data["alarm"] == CYAN] == ["alarmRaised"]


def test_a_silent_printer_hides_both_and_both_are_as_they_were_when_it_answers():
    agent = Agent([LOW, EMPTY, Rule("gone", "unreachable", for_=30 * MINUTE, tell=("mail",))])
    agent.sweep(seen(toner(0)))
    agent.sweep(seen(toner(0), reachable=False, since=agent.now), after=40 * MINUTE)
    assert {agent.records[key].suppressed_by for key in (CYAN, OUT)} == {"gone|7|contact"}
    agent.sweep(seen(toner(0), since=agent.now))
    assert (agent.state(OUT), agent.records[CYAN].suppressed_by) == ("unacknowledged", OUT)
    assert told(agent) == [("out", "raised"), ("gone", "raised"), ("gone", "returned")]


def test_a_sweep_over_other_printers_releases_nothing():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(0)))
    other = seen(toner(50))
    agent.sweep(replace(other, printer=replace(other.printer, id=8)))
    assert agent.records[CYAN].suppressed_by == OUT


def test_one_that_is_shelved_stands_for_the_lesser_one_and_one_out_of_service_does_not():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(0)))
    agent.keep([shelve(agent.records[OUT], agent.now + 60 * MINUTE, "Night desk", "it is coming", agent.now)[0]])
    agent.sweep(seen(toner(0)))
    assert agent.state(CYAN) == "suppressedByDesign"
    agent.keep([apply(agent.records[OUT], Event.WITHDRAW, agent.now, who="Night desk", why="moved")[0]])
    agent.sweep(seen(toner(0)))
    assert agent.state(CYAN) == "unacknowledged"
    assert told(agent) == [("out", "raised"), ("low", "raised")]


def test_taking_the_rule_for_empty_supplies_out_lets_the_low_one_speak():
    agent = Agent([LOW, EMPTY])
    agent.sweep(seen(toner(0)))
    agent.rules = [LOW]
    agent.sweep(seen(toner(0)))
    assert told(agent)[0] == ("out", "raised")
    assert sorted(told(agent)[1:]) == [("low", "raised"), ("out", "returned")]


def test_a_window_stands_before_a_more_urgent_alarm():
    agent = Agent([LOW, EMPTY])
    agent.windows = (Window("move", tags=("public",), begin=agent.now, end=agent.now + 9 * MINUTE),)
    agent.sweep(seen(toner(0)))
    assert agent.records[CYAN].suppressed_by == "window|move"
    agent.sweep(seen(toner(0)), after=9 * MINUTE)
    assert told(agent) == [("out", "raised")]
    assert agent.records[CYAN].suppressed_by == OUT


# --- nobody is left without word -------------------------------------------------------------------------------------


def test_whoever_would_not_hear_of_the_more_urgent_one_hears_of_the_lesser():
    agent = Agent([replace(LOW, tell=("desk",)), EMPTY])
    agent.sweep(seen(toner(0)))
    assert sorted((one.key, one.channel) for one in agent.messages) == [(CYAN, "desk"), (OUT, "mail")]


def test_a_channel_that_takes_no_empty_supplies_hears_of_the_low_one():
    agent = Agent([LOW, EMPTY])
    agent.routes = {"mail": Route(watches=("supplyBelow",))}
    agent.sweep(seen(toner(0)))
    assert told(agent) == [("low", "raised")]


def test_a_channel_that_takes_no_low_supplies_is_no_reason_to_raise_one():
    agent = Agent([LOW, EMPTY])
    agent.routes = {"mail": Route(watches=("supplyEmpty",))}
    agent.sweep(seen(toner(0)))
    assert agent.state(CYAN) == "suppressedByDesign"


# --- the order of rules ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("greater", "lesser", "hidden"),
    [
        (EMPTY, LOW, True),
        (LOW, EMPTY, False),
        (EMPTY, SOON, True),
        (SOON, LOW, False),
        (LOW, SOON, False),
        (NEARLY, LOW, True),
        (LOW, LOW, False),
        (NEARLY, Rule("box", "receptacleNearlyFull", below=0.1), False),
        (Rule("brim", "receptacleNearlyFull", below=0.02), Rule("box", "receptacleNearlyFull", below=0.1), True),
        (replace(SOON, within=timedelta(days=2)), SOON, True),
        (SOON, replace(SOON, within=timedelta(days=2)), False),
        (replace(SOON, within=timedelta(days=2)), replace(SOON, unstocked=True), False),
        (replace(SOON, within=timedelta(days=2)), replace(SOON, within=None, before_round=True), False),
        (replace(EMPTY, severity="low"), LOW, False),
        (replace(EMPTY, tell=()), LOW, False),
        (EMPTY, replace(LOW, escalate_after=60 * MINUTE, escalate_to=("chief",)), False),
        (
            replace(EMPTY, escalate_after=60 * MINUTE, escalate_to=("chief",)),
            replace(LOW, escalate_after=60 * MINUTE, escalate_to=("chief",)),
            True,
        ),
    ],
)
def test_a_rule_hides_another_when_it_goes_further_and_all_hear_of_it(greater, lesser, hidden):
    assert hides(greater, lesser, {}) is hidden


def test_the_gravest_come_first_and_others_keep_their_places():
    gone, jam = Rule("gone", "unreachable"), Rule("jam", "printerAlert")
    assert [rule.name for rule in gravest_first([LOW, gone, NEARLY, jam, EMPTY])] == [
        "out", "gone", "nearly", "jam", "low",
    ]  # fmt: skip


def test_the_usual_rules_and_those_of_the_demo_say_nothing_twice_of_an_empty_supply():
    for rules in (
        [one.rule(("mail",)) for one in USUAL_ALARMS],
        [Rule(one["name"], one["when"], below=0.15 if one["when"] == "supplyBelow" else None,
              severity=one.get("severity", "medium")) for one in RULES if one["when"].startswith("supply")],
    ):  # fmt: skip
        by_kind = {rule.when: rule for rule in rules}
        assert hides(by_kind["supplyEmpty"], by_kind["supplyBelow"], {})
