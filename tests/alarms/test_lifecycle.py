"""The table of states and events, and what people may do with an alarm."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from agent.alarms.lifecycle import (
    LONGEST_SHELF,
    TABLE,
    Event,
    NotApplicableError,
    acknowledge,
    apply,
    shelve,
    unshelve,
    words,
)
from agent.model.alarm import AlarmState
from tests.alarms.scene import LOW, MINUTE, START, Agent, kinds, seen, toner

S, E = AlarmState, Event

# The state transition diagram of ISA-18.2 / IEC 62682 (figure "alarm state transition diagram"), without latching.
# Written down from memory: (state, event, condition still holds) -> state.
STANDARD = [
    (S.NORMAL, E.RAISE, True, S.UNACKNOWLEDGED),
    (S.UNACKNOWLEDGED, E.ACKNOWLEDGE, True, S.ACKNOWLEDGED),
    (S.UNACKNOWLEDGED, E.CLEAR, False, S.RETURNED),
    (S.ACKNOWLEDGED, E.CLEAR, False, S.NORMAL),
    (S.RETURNED, E.ACKNOWLEDGE, False, S.NORMAL),
    (S.RETURNED, E.RAISE, True, S.UNACKNOWLEDGED),
    *((state, E.SHELVE, None, S.SHELVED) for state in (S.NORMAL, S.UNACKNOWLEDGED, S.ACKNOWLEDGED, S.RETURNED)),
    *((state, E.SUPPRESS, None, S.SUPPRESSED) for state in (S.NORMAL, S.UNACKNOWLEDGED, S.ACKNOWLEDGED, S.RETURNED)),
    *(
        (state, E.WITHDRAW, None, S.OUT_OF_SERVICE)
        for state in (S.NORMAL, S.UNACKNOWLEDGED, S.ACKNOWLEDGED, S.RETURNED)
    ),
    (S.SHELVED, E.UNSHELVE, False, S.NORMAL),
    (S.SHELVED, E.UNSHELVE, True, S.UNACKNOWLEDGED),
    (S.SHELVED, E.EXPIRE, False, S.NORMAL),
    (S.SHELVED, E.EXPIRE, True, S.UNACKNOWLEDGED),
    (S.SUPPRESSED, E.RELEASE, False, S.NORMAL),
    (S.SUPPRESSED, E.RELEASE, True, S.UNACKNOWLEDGED),
    (S.OUT_OF_SERVICE, E.RESTORE, False, S.NORMAL),
    (S.OUT_OF_SERVICE, E.RESTORE, True, S.UNACKNOWLEDGED),
]


def test_the_table_holds_every_pair_of_state_and_event():
    assert set(TABLE) == {(state, event) for state in AlarmState for event in Event}


@pytest.mark.parametrize(("state", "event", "holds", "expected"), STANDARD)
def test_the_table_goes_where_the_standard_goes(state, event, holds, expected):
    arc = TABLE[state, event]
    assert arc is not None
    assert (arc.standing or arc.to if holds else arc.to) is expected


def test_every_arc_has_a_reason_and_every_state_is_reached_and_left():
    arcs = {pair: arc for pair, arc in TABLE.items() if arc is not None}
    assert all(arc.reason for arc in arcs.values())
    for state in AlarmState:
        assert any(arc.to is state or arc.standing is state for (frm, _), arc in arcs.items() if frm is not state)
        assert any(arc.to is not state for (frm, _), arc in arcs.items() if frm is state)
        assert words(state)


def test_the_end_of_its_subject_makes_every_alarm_normal():
    assert all(TABLE[state, Event.VANISH].to is AlarmState.NORMAL for state in AlarmState)


@pytest.mark.parametrize("state", AlarmState)
@pytest.mark.parametrize("event", Event)
def test_what_the_table_forbids_is_refused_in_words_and_the_rest_is_done(state, event):
    agent = Agent()
    agent.sweep(seen(toner(5)))
    record = replace(agent.records["low|7|toner:cyan"], state=state)
    if TABLE[state, event] is None:
        with pytest.raises(NotApplicableError, match=record.key.replace("|", r"\|")):
            apply(record, event, START)
    else:
        moved, transition = apply(record, event, START, who="Night desk")
        assert moved.revision == record.revision + 1
        assert (transition.before, transition.after) == (state, moved.state)
        assert transition.reason in transition.entry.text
        assert transition.entry.who == "Night desk"
        assert transition.entry.data["alarm"] == record.key


def standing() -> Agent:
    agent = Agent()
    assert kinds(agent.sweep(seen(toner(5)))) == ["raised"]
    return agent


def test_an_acknowledged_alarm_says_by_whom_and_returns_to_normal_at_once():
    agent = standing()
    record, transition = acknowledge(agent.records["low|7|toner:cyan"], "Night desk", agent.now)
    agent.keep([record])
    assert (agent.state(), record.acknowledged_by, transition.entry.who) == ("acknowledged", "Night desk", "Night desk")
    assert kinds(agent.sweep(seen(toner(80)))) == ["returned"]
    assert agent.state() == "normal"


def test_an_unseen_alarm_that_returns_waits_for_its_acknowledgement():
    agent = standing()
    agent.sweep(seen(toner(80)))
    assert agent.state() == "returnedUnacknowledged"
    record, _ = acknowledge(agent.records["low|7|toner:cyan"], "Night desk", agent.now)
    agent.keep([record])
    assert agent.sweep(seen(toner(80))) == []
    assert agent.state() == "normal"


def test_a_shelved_alarm_is_silent_until_its_time_is_over_and_then_told_again():
    agent = standing()
    record, _ = shelve(agent.records["low|7|toner:cyan"], agent.now + 30 * MINUTE, "Night desk", "ordered", agent.now)
    agent.keep([record])
    agent.change(LOW, repeat=5 * MINUTE)
    for _ in range(29):
        assert agent.sweep(seen(toner(5))) == []
    assert agent.state() == "shelved"
    (again,) = agent.sweep(seen(toner(5)))
    assert (again.kind, again.reason, agent.state()) == (
        "repeat",
        "standing again after it was set aside",
        "unacknowledged",
    )
    assert agent.records["low|7|toner:cyan"].shelved_until is None


def test_what_is_raised_on_the_shelf_is_told_when_it_leaves_the_shelf():
    agent = standing()
    agent.sweep(seen(toner(80)))
    record, _ = shelve(agent.records["low|7|toner:cyan"], agent.now + 10 * MINUTE, "Night desk", "test", agent.now)
    agent.keep([record])
    assert agent.sweep(seen(toner(3))) == []
    record, _ = unshelve(agent.records["low|7|toner:cyan"], "Night desk", agent.now)
    agent.keep([record])
    assert kinds(agent.sweep(seen(toner(3)))) == ["raised"]


def test_the_return_of_what_was_told_is_told_even_from_the_shelf():
    agent = standing()
    record, _ = shelve(agent.records["low|7|toner:cyan"], agent.now + 10 * MINUTE, "Night desk", "test", agent.now)
    agent.keep([record])
    assert kinds(agent.sweep(seen(toner(90)))) == ["returned"]
    assert agent.state() == "shelved"
    assert agent.sweep(seen(toner(90)), after=10 * MINUTE) == []
    assert agent.state() == "normal"


def test_shelving_needs_an_end_within_the_limit_a_name_and_a_reason():
    record = standing().records["low|7|toner:cyan"]
    for until, who, why in (
        (START, "Night desk", "ordered"),
        (START + 2 * LONGEST_SHELF, "Night desk", "ordered"),
        (START + 10 * MINUTE, " ", "ordered"),
        (START + 10 * MINUTE, "Night desk", "\n"),
    ):
        with pytest.raises(NotApplicableError):
            shelve(record, until, who, why, START + MINUTE)


def test_names_and_reasons_cannot_break_a_line_of_the_ledger():
    record = standing().records["low|7|toner:cyan"]
    _, transition = shelve(record, START + timedelta(hours=1), "Eve\r\nroot", "a\nb\u202ec", START)
    assert transition.entry.text.isprintable()
    assert transition.entry.who == "Eve root"
