"""The report about alarms, checked against figures that were counted by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.alarms.lifecycle import acknowledge, shelve
from agent.alarms.performance import performance
from agent.alarms.rules import Rule
from agent.alarms.spells import chatter_window, chattering, most_within, story
from agent.model.alarm import AlarmState
from tests.alarms.scene import LOW, MINUTE, START, Agent, seen, toner

CYAN = "low|7|toner:cyan"
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
FULL = replace(LOW, consequence="It runs out.", action="Swap it.")


def up_and_down(agent: Agent, times: int, *, stand: timedelta = MINUTE, rest: timedelta = MINUTE) -> None:
    """Cyan falls below its limit and comes back, so many times."""
    for _ in range(times):
        agent.sweep(seen(toner(5)), after=rest)
        agent.sweep(seen(toner(90)), after=stand)


def report(agent: Agent, **parts):
    at = parts.pop("at", agent.now)
    return performance(agent.ledger, parts.pop("rules", agent.rules), parts.pop("since", at - DAY), at, **parts)


def measure(found, name: str):
    (one,) = (one for one in found.measures if one.name == name)
    return one


def test_the_rate_is_counted_by_day_by_person_and_by_ten_minutes():
    agent = Agent([FULL])
    up_and_down(agent, 12, stand=HOUR, rest=HOUR)
    found = report(agent, people=2)
    assert (found.heard, found.per_day, found.per_day_each) == (12, 12.0, 6.0)
    # A day has 144 times ten minutes: 12 / 144 / 2 people.
    assert found.per_ten_minutes == pytest.approx(0.041666, rel=1e-4)
    assert measure(found, "rate").good
    assert found.severities == {"low": 0, "medium": 12, "high": 0, "urgent": 0}


@pytest.mark.parametrize(
    ("number", "good", "words"),
    # EEMUA 191, average alarm rate in steady operation, from memory: one in 10 minutes is very likely acceptable, one
    # in 5 minutes can be managed, one in 2 minutes is likely to ask too much, one a minute is very likely unacceptable.
    [
        (144, True, "very likely acceptable"),
        (288, False, "can be managed"),
        (720, False, "likely to ask too much"),
        (1440, False, "very likely unacceptable"),
    ],
)
def test_the_rate_is_named_as_the_guideline_names_it(number, good, words):
    agent = Agent([FULL])
    agent.sweep(seen(toner(5)))
    (entry,) = agent.ledger
    step = DAY / number
    ledger = [replace(entry, at=START + at * step, data={**entry.data, "alarm": f"low|{at}|x"}) for at in range(number)]
    rate = measure(performance(ledger, [FULL], START - MINUTE / 60, START + DAY - MINUTE / 60), "rate")
    assert (rate.good, rate.words) == (good, words)


def test_more_than_ten_in_ten_minutes_are_a_flood():
    agent = Agent([FULL])
    for colours in (10, 11):
        agent = Agent([FULL])
        agent.sweep(seen(*(toner(5, colour=f"spot{at}") for at in range(colours))))
        flood = measure(report(agent, at=agent.now + MINUTE), "flood")
        assert (flood.value, flood.good) == (colours, colours == 10)


def test_three_times_in_a_minute_is_chattering_and_three_times_in_two_is_not():
    agent = Agent([FULL])
    up_and_down(agent, 3, stand=MINUTE / 6, rest=MINUTE / 6)
    assert [(one.key, one.count, one.at) for one in report(agent).chattering] == [(CYAN, 3, START + MINUTE / 6)]
    slow = Agent([FULL])
    up_and_down(slow, 3, stand=MINUTE / 2, rest=MINUTE / 2)
    assert report(slow).chattering == ()


def test_an_alarm_that_is_polled_chatters_when_it_comes_as_often_as_polling_lets_it():
    agent = Agent([FULL])
    up_and_down(agent, 3)
    assert chattering(story(agent.ledger, agent.now).spells) == {}
    assert list(chattering(story(agent.ledger, agent.now).spells, chatter_window(MINUTE))) == [CYAN]


def test_what_stands_for_over_a_day_is_stale_unless_it_was_set_aside():
    agent = Agent([FULL])
    agent.sweep(seen(toner(5), toner(4, colour="magenta")))
    record, transition = shelve(agent.records["low|7|toner:magenta"], agent.now + 3 * DAY, "Desk", "ordered", agent.now)
    agent.keep([record])
    agent.ledger.append(transition.entry)
    assert report(agent, at=agent.now + DAY).stale == ()
    found = report(agent, at=agent.now + DAY + MINUTE)
    assert [(one.key, one.state) for one in found.stale] == [(CYAN, AlarmState.UNACKNOWLEDGED)]
    assert [one.key for one in found.shelved] == ["low|7|toner:magenta"]
    assert "by Desk for 3 d: ordered" in found.shelved[0].text


def test_it_can_be_asked_as_of_any_moment():
    agent = Agent([FULL])
    up_and_down(agent, 10, stand=HOUR, rest=HOUR)
    halfway = START + 10 * HOUR
    found = report(agent, at=halfway)
    assert found == performance([one for one in agent.ledger if one.at <= halfway], agent.rules, found.since, halfway)
    assert found.heard == 5


def test_the_ten_most_frequent_come_first_and_their_share_means_something_with_many_only():
    agent = Agent([FULL])
    up_and_down(agent, 3, stand=HOUR, rest=HOUR)
    agent.sweep(seen(toner(90), toner(5, colour="black")))
    found = report(agent)
    assert [(one.key, one.count, one.share) for one in found.frequent] == [
        (CYAN, 3, 0.75),
        ("low|7|toner:black", 1, 0.25),
    ]
    assert found.frequent[0].text == "cyan toner: 5 % left (limit 10 %)"
    assert measure(found, "topTen").good is None


def test_people_are_those_who_acknowledged_and_how_long_they_took_is_told():
    agent = Agent([FULL])
    for who in ("Desk", "Night desk", "Desk"):
        agent.sweep(seen(toner(5)), after=HOUR)
        record, transition = acknowledge(agent.records[CYAN], who, agent.now + 10 * MINUTE)
        agent.keep([record])
        agent.ledger.append(transition.entry)
        agent.sweep(seen(toner(90)), after=HOUR)
    found = report(agent)
    assert (found.people, found.to_acknowledge) == (2, 600.0)
    assert found.rules[0].acknowledged == 1.0


def test_what_another_alarm_stood_for_was_not_heard():
    gone = Rule("gone", "unreachable", for_=5 * MINUTE)
    dark = Rule("dark", "siteSilent", for_=MINUTE, fewest=2)
    agent = Agent([gone, dark])
    views = [seen(printer=replace(seen().printer, id=at), reachable=False) for at in (1, 2, 3)]
    for _ in range(10):
        agent.sweep(*views, whole=views)
    found = report(agent)
    assert (found.heard, found.hidden) == (1, 3)
    assert [one.rule for one in found.rules] == ["dark"]


# --- advice --------------------------------------------------------------------------------------------------------


def advised(agent: Agent, **parts) -> dict[str, str]:
    return {one.key: one.value for one in report(agent, **parts).advice}


def test_alarms_that_are_over_in_no_time_ask_for_an_on_delay_that_spares_them():
    agent = Agent([FULL])
    up_and_down(agent, 8, stand=4 * MINUTE, rest=20 * HOUR)
    assert advised(agent, since=START)["on_delay"] == "5m"
    spared = Agent([replace(FULL, on_delay=5 * MINUTE)])
    up_and_down(spared, 8, stand=4 * MINUTE, rest=20 * HOUR)
    assert report(spared).heard == 0


def test_alarms_that_come_back_soon_ask_for_an_off_delay_that_joins_them():
    agent = Agent([FULL])
    up_and_down(agent, 8, stand=5 * HOUR, rest=8 * MINUTE)
    assert advised(agent, since=START)["off_delay"] == "10m"
    joined = Agent([replace(FULL, off_delay=10 * MINUTE)])
    for _ in range(8):
        joined.sweep(seen(toner(5)), after=8 * MINUTE)
        for _ in range(60):
            joined.sweep(seen(toner(5)), after=5 * MINUTE)
        joined.sweep(seen(toner(90)))
    assert report(joined, since=START).heard == 1


def test_what_nobody_ever_acknowledges_is_no_alarm():
    agent = Agent([FULL])
    up_and_down(agent, 10, stand=3 * DAY, rest=3 * DAY)
    assert advised(agent, since=START) == {"tell": "[]"}


def test_a_rule_without_a_reason_is_told_so_when_it_was_heard():
    agent = Agent([LOW, Rule("gone", "unreachable")])
    agent.sweep(seen(toner(5)))
    assert [(one.rule, one.key) for one in report(agent).advice] == [("low", "action")]


def test_a_quiet_time_asks_for_nothing():
    found = performance([], [FULL], START, START + DAY)
    assert (found.heard, found.advice, found.frequent) == (0, (), ())
    assert all(one.good is not False for one in found.measures)
    with pytest.raises(ValueError, match="before"):
        performance([], [FULL], START, START)


@settings(max_examples=150)
@given(st.lists(st.integers(0, 50), max_size=30), st.integers(0, 20))
def test_the_fullest_window_agrees_with_trying_every_one(seconds, width):
    moments = sorted(START + timedelta(seconds=one) for one in seconds)
    window = timedelta(seconds=width)
    best = max((sum(begin <= one <= begin + window for one in moments) for begin in moments), default=0)
    assert most_within(moments, window)[0] == best
