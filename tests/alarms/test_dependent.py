"""One alarm stands for others: a silent printer for what it said last, a silent site for its printers."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from agent.alarms.lifecycle import Event, acknowledge, apply, shelve
from agent.alarms.rules import Rule
from agent.model.fleet import Place
from agent.notify.message import compose
from tests.alarms.scene import DESK, LOW, MINUTE, START, Agent, alert, kinds, seen, toner

CYAN = "low|7|toner:cyan"
GONE = Rule("gone", "unreachable", for_=30 * MINUTE, tell=("mail",))
SITE = Rule("dark", "siteSilent", for_=5 * MINUTE, severity="high", tell=("mail",))
JAMMED = Rule("jammed", "printerAlert", codes=("jam",), tell=("mail",))
NAME = "Harrow Lane Library"


def desk(level: int = 50, **parts):
    return seen(toner(level), **parts)


def silent(since=START):
    return desk(5, reachable=False, since=since)


def asleep() -> Agent:
    """Cyan is low and told; then the printer falls silent for longer than the rule allows."""
    agent = Agent([LOW, GONE, JAMMED])
    agent.sweep(seen(toner(5), alerts=[alert()]))
    assert kinds(agent.messages) == ["raised", "raised"]
    agent.sweep(silent(agent.now), after=40 * MINUTE)
    return agent


# --- a silent printer ----------------------------------------------------------------------------------------------


def test_a_silent_printer_hides_what_it_said_last():
    agent = asleep()
    assert agent.state("gone|7|contact") == "unacknowledged"
    assert agent.state(CYAN) == "suppressedByDesign"
    assert agent.state("jammed|7|jam:mediaPath:1") == "suppressedByDesign"
    assert agent.records[CYAN].suppressed_by == "gone|7|contact"
    assert kinds(agent.messages) == ["raised", "raised", "raised"]


def test_it_hides_nothing_before_its_own_alarm_stands():
    agent = Agent([LOW, GONE])
    agent.sweep(desk(5))
    agent.sweep(silent(agent.now), after=29 * MINUTE)
    assert agent.state(CYAN) == "unacknowledged"


def test_without_a_rule_for_silence_nothing_is_hidden():
    agent = Agent([LOW])
    agent.sweep(desk(5))
    agent.sweep(silent(), after=timedelta(days=2))
    assert agent.state(CYAN) == "unacknowledged"


def test_when_the_printer_answers_its_alarms_come_back_without_being_told_twice():
    agent = asleep()
    found = agent.sweep(seen(toner(5), alerts=[alert()], since=agent.now))
    assert kinds(found) == ["returned"]
    assert found[0].key == "gone|7|contact"
    assert (agent.state(CYAN), agent.records[CYAN].suppressed_by) == ("unacknowledged", "")


def test_what_was_mended_in_the_dark_is_over_when_the_printer_answers():
    agent = asleep()
    found = agent.sweep(desk(90, since=agent.now))
    assert sorted((one.key, one.kind) for one in found) == [
        ("gone|7|contact", "returned"),
        ("jammed|7|jam:mediaPath:1", "returned"),
        (CYAN, "returned"),
    ]
    assert agent.state(CYAN) == "normal"


def test_what_was_acknowledged_before_is_acknowledged_still():
    agent = Agent([LOW, GONE])
    agent.sweep(desk(5))
    agent.keep([acknowledge(agent.records[CYAN], "Night desk", agent.now)[0]])
    agent.sweep(silent(agent.now), after=40 * MINUTE)
    assert agent.state(CYAN) == "suppressedByDesign"
    agent.sweep(desk(5, since=agent.now))
    record = agent.records[CYAN]
    assert (record.state.value, record.acknowledged_by) == ("acknowledged", "Night desk")


def test_what_came_off_the_shelf_in_the_dark_is_told_when_the_printer_answers():
    agent = asleep()
    record, _ = shelve(agent.records[CYAN], agent.now + 10 * MINUTE, "Night desk", "on its way", agent.now)
    agent.keep([record])
    agent.sweep(silent(START + MINUTE), after=20 * MINUTE)
    assert agent.state(CYAN) == "suppressedByDesign"
    found = agent.sweep(desk(5, since=agent.now))
    assert ("repeat", "standing again after it was set aside") in [(one.kind, one.reason) for one in found]


def test_an_alarm_of_silence_that_is_out_of_service_hides_nothing():
    agent = asleep()
    agent.keep([apply(agent.records["gone|7|contact"], Event.WITHDRAW, agent.now, who="Night desk")[0]])
    agent.sweep(silent(START + MINUTE))
    assert agent.state(CYAN) == "unacknowledged"


def test_taking_the_rule_for_silence_out_releases_what_it_hid():
    agent = asleep()
    agent.rules = [LOW, JAMMED]
    agent.sweep(silent(START + MINUTE))
    agent.sweep(silent(START + MINUTE))
    assert agent.state(CYAN) == "unacknowledged"


# --- a silent site -------------------------------------------------------------------------------------------------


def fleet(count: int = 40, silent: int = 0, since=START, *, site: str = NAME, tags=(), reachable_since=START):
    """A site; the first ``silent`` printers of it do not answer."""
    made = []
    for at in range(count):
        printer = replace(
            DESK,
            id=100 + at,
            name=f"Printer {at:02}",
            address=f"127.0.1.{at}",
            tags=tags,
            place=Place(site, zone="UTC"),
        )
        dark = at < silent
        made.append(desk(printer=printer, reachable=not dark, since=since if dark else reachable_since))
    return made


def sweep(agent: Agent, views, after: timedelta = MINUTE):
    """In batches, as the sweep does, and then the agent itself."""
    told = agent.sweep(*views[:15], whole=views, after=after)
    told += agent.sweep(*views[15:], whole=views, after=timedelta(0))
    return told + agent.sweep(whole=views, after=timedelta(0))


def test_a_site_that_goes_silent_is_one_alarm_and_not_forty():
    agent = Agent([GONE, SITE])
    views = fleet(silent=40)
    for _ in range(60):
        sweep(agent, views)
    (message,) = agent.messages
    assert (message.key, message.kind, message.severity) == (f"dark|site|{NAME}", "raised", "high")
    assert message.text == f"40 of 40 printers at {NAME} do not answer"
    assert message.at == START + 5 * MINUTE
    singles = [record for record in agent.records.values() if record.rule == "gone"]
    assert {record.state.value for record in singles} == {"suppressedByDesign"}
    assert len(singles) == 40
    text = compose([message])
    assert text.subject.startswith(f"[high] Site {NAME}: 40 of 40 printers")
    assert "Among them   Printer 00, Printer 01" in text.body


def test_when_it_is_heard_again_one_message_says_so_and_printers_still_silent_speak_for_themselves():
    agent = Agent([GONE, SITE])
    for _ in range(40):
        sweep(agent, fleet(silent=40))
    back = fleet(silent=2, reachable_since=agent.now)
    told = sweep(agent, back)
    told += sweep(agent, back)
    assert sorted((one.key, one.kind) for one in told) == [
        (f"dark|site|{NAME}", "returned"),
        ("gone|100|contact", "raised"),
        ("gone|101|contact", "raised"),
    ]
    assert {record.state.value for record in agent.records.values() if record.rule == "gone"} == {
        "unacknowledged",
        "normal",
    }


def test_a_printer_that_was_not_asked_since_does_not_cry_when_its_site_comes_back():
    agent = Agent([GONE, SITE])
    for _ in range(40):
        sweep(agent, fleet(silent=40))
    back = fleet(silent=3)
    told = agent.sweep(*back[5:], whole=back)
    assert [one.key for one in told] == [f"dark|site|{NAME}"]
    answered = fleet(silent=0, reachable_since=agent.now)
    assert agent.sweep(*answered[:5], whole=answered) == []
    assert {record.state.value for record in agent.records.values() if record.rule == "gone"} == {"normal"}


def test_a_single_silence_told_before_is_not_told_again_after_the_site_was_silent():
    agent = Agent([GONE, SITE])
    for _ in range(40):
        sweep(agent, fleet(silent=1))
    for _ in range(40):
        sweep(agent, fleet(silent=40))
    assert agent.state("gone|100|contact") == "suppressedByDesign"
    sweep(agent, fleet(silent=1))
    assert agent.state("gone|100|contact") == "unacknowledged"
    assert [(one.key, one.kind) for one in agent.messages] == [
        ("gone|100|contact", "raised"),
        (f"dark|site|{NAME}", "raised"),
        (f"dark|site|{NAME}", "returned"),
    ]


@pytest.mark.parametrize(("count", "quiet", "expected"), [(40, 31, 0), (40, 32, 1), (2, 2, 0), (3, 3, 1)])
def test_eighty_percent_of_three_or_more_printers_make_a_site(count, quiet, expected):
    agent = Agent([SITE])
    for _ in range(6):
        sweep(agent, fleet(count, quiet))
    assert len(agent.messages) == expected


def test_a_site_alarm_holds_within_its_deadband():
    agent = Agent([replace(SITE, deadband=0.1)])
    for quiet in (33, 33, 33, 33, 33, 30, 29):
        sweep(agent, fleet(40, quiet))
    assert kinds(agent.messages) == ["raised"]
    assert kinds(sweep(agent, fleet(40, 27))) == ["returned"]


def test_a_rule_with_a_tag_watches_the_printers_behind_one_switch():
    agent = Agent([GONE, replace(SITE, tags=("switch-b2",))])
    views = [
        *fleet(20, 20, tags=("switch-b2",)),
        *(replace(one, printer=replace(one.printer, id=one.printer.id + 50)) for one in fleet(20, 1)),
    ]
    for _ in range(40):
        sweep(agent, views)
    assert sorted(one.key for one in agent.messages) == [f"dark|site|{NAME}", "gone|150|contact"]


def test_each_site_has_an_alarm_of_its_own():
    agent = Agent([GONE, SITE])
    depot = [replace(one, printer=replace(one.printer, id=one.printer.id + 50)) for one in fleet(5, 5, site="Depot")]
    for _ in range(10):
        sweep(agent, [*fleet(), *depot])
    assert [one.key for one in agent.messages] == ["dark|site|Depot"]


def test_a_site_that_is_no_longer_there_closes_its_alarm():
    agent = Agent([SITE])
    for _ in range(6):
        sweep(agent, fleet(5, 5))
    assert kinds(sweep(agent, fleet(1, 1))) == ["returned"]
    assert agent.state(f"dark|site|{NAME}") == "normal"


def test_without_the_whole_fleet_nothing_is_said_of_sites():
    agent = Agent([SITE])
    for _ in range(6):
        sweep(agent, fleet(5, 5))
    assert agent.sweep(*fleet(5, 0)) == []
    assert agent.state(f"dark|site|{NAME}") == "unacknowledged"


def test_the_alarm_of_a_silent_site_hides_even_while_it_waits_for_its_delay():
    agent = Agent([replace(GONE, for_=6 * MINUTE), replace(SITE, on_delay=30 * MINUTE)])
    for _ in range(20):
        sweep(agent, fleet(silent=40))
    assert agent.messages == []
    sweep(agent, fleet(silent=40), after=30 * MINUTE)
    assert [one.key for one in agent.messages] == [f"dark|site|{NAME}"]


# --- why an alarm is one ---------------------------------------------------------------------------------------------


def test_a_message_says_what_to_do_how_long_there_is_and_what_happens_otherwise():
    rule = replace(
        LOW,
        consequence="The reading room cannot print.",
        action="Swap the cartridge.",
        time_to_act=timedelta(hours=4),
    )
    agent = Agent([rule])
    (message,) = agent.sweep(desk(5))
    body = compose([message]).body
    assert "What to do   Swap the cartridge.\n" in body
    assert "Time to act  4 h\n" in body
    assert "Otherwise    The reading room cannot print.\n" in body
    assert agent.records[CYAN].facts["action"] == "Swap the cartridge."
    (ended,) = agent.sweep(desk(90))
    assert "Swap the cartridge" not in compose([ended]).body
