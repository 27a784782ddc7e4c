"""Maintenance windows: suppressed by design (ISA-18.2), told afterwards if it still holds, never heard meanwhile."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
import typer
from typer.testing import CliRunner

from agent.alarms.hours import Hours
from agent.alarms.lifecycle import NotApplicableError, acknowledge
from agent.alarms.opening import open_window
from agent.alarms.rules import Rule
from agent.alarms.windows import Window
from agent.app.openings import opened
from agent.cli.alarms import register
from agent.model.window import Opened
from agent.settings import SettingsErrors, parse
from agent.store import Store
from tests.alarms.scene import DESK, LOW, MINUTE, START, Agent, kinds, seen, toner

CYAN = "low|7|toner:cyan"
HOUR = timedelta(hours=1)
NIGHT = Window("night", "switches restart", sites=("Harrow Lane*",), begin=START, end=START + HOUR)
GONE = Rule("gone", "unreachable", for_=5 * MINUTE, tell=("mail",))
DARK = Rule("dark", "siteSilent", for_=5 * MINUTE, tell=("mail",))


def within(*rules: Rule, windows=(NIGHT,)) -> Agent:
    return Agent(list(rules or (LOW,)), windows=windows)


def test_what_comes_in_a_window_is_told_when_it_is_over_and_still_holds():
    agent = within()
    assert agent.sweep(seen(toner(5))) == []
    assert agent.state(CYAN) == "suppressedByDesign"
    assert agent.records[CYAN].suppressed_by == "window|night"
    assert agent.sweep(seen(toner(5)), after=30 * MINUTE) == []
    (late,) = agent.sweep(seen(toner(5)), after=30 * MINUTE)
    assert late.kind == "raised"
    assert agent.state(CYAN) == "unacknowledged"
    texts = [one.text for one in agent.ledger]
    assert any("suppressed by design: maintenance window night (switches restart)" in text for text in texts)
    assert any("no longer suppressed: the maintenance window is over" in text for text in texts)


def test_what_came_and_went_in_a_window_is_never_told():
    agent = within()
    agent.sweep(seen(toner(5)))
    assert agent.sweep(seen(toner(90)), after=10 * MINUTE) == []
    assert agent.sweep(seen(toner(90)), after=HOUR) == []
    assert agent.state(CYAN) == "normal"


def test_what_was_told_before_is_not_told_again_and_its_end_is():
    agent = within(windows=())
    assert kinds(agent.sweep(seen(toner(5)))) == ["raised"]
    agent.windows = (replace(NIGHT, begin=agent.now),)
    assert agent.sweep(seen(toner(5))) == []
    assert agent.state(CYAN) == "suppressedByDesign"
    assert agent.sweep(seen(toner(5)), after=HOUR) == []
    assert agent.state(CYAN) == "unacknowledged"
    agent.windows = (replace(NIGHT, begin=agent.now, end=agent.now + HOUR),)
    agent.sweep(seen(toner(5)))
    assert kinds(agent.sweep(seen(toner(90)))) == ["returned"]


def test_what_was_acknowledged_before_is_acknowledged_still():
    agent = within(windows=())
    agent.sweep(seen(toner(5)))
    agent.keep([acknowledge(agent.records[CYAN], "Night desk", agent.now)[0]])
    agent.windows = (replace(NIGHT, begin=agent.now),)
    agent.sweep(seen(toner(5)))
    assert agent.state(CYAN) == "suppressedByDesign"
    assert agent.sweep(seen(toner(5)), after=HOUR) == []
    assert agent.state(CYAN) == "acknowledged"


def test_a_printer_that_is_back_by_the_end_of_the_window_is_not_told_of():
    agent = within(GONE)
    silent = seen(reachable=False, since=START)
    assert agent.sweep(silent, after=30 * MINUTE) == []
    assert agent.state("gone|7|contact") == "suppressedByDesign"
    # The window is over, but this printer was not asked again yet: what is on record is of before.
    agent.now += HOUR
    assert agent.sweep() == []
    assert agent.state("gone|7|contact") == "suppressedByDesign"
    assert agent.sweep(seen()) == []
    assert agent.state("gone|7|contact") == "normal"


def test_windows_choose_by_site_tag_printer_and_rule():
    for miss in (
        replace(NIGHT, sites=("Depot",)),
        replace(NIGHT, sites=(), tags=("staff",)),
        replace(NIGHT, sites=(), printers=("Back desk",)),
        replace(NIGHT, rules=("gone",)),
    ):
        assert kinds(within(windows=(miss,)).sweep(seen(toner(5)))) == ["raised"], miss
    for hit in (
        replace(NIGHT, sites=(), tags=("public",)),
        replace(NIGHT, sites=(), printers=("TG0007",)),
        replace(NIGHT, rules=("lo*",)),
    ):
        assert within(windows=(hit,)).sweep(seen(toner(5))) == [], hit


def three(*, reachable: bool, **parts: object):
    since = START - HOUR
    return [seen(printer=replace(DESK, id=n, **parts), reachable=reachable, since=since) for n in (7, 8, 9)]


def test_the_alarm_of_a_site_that_is_wholly_in_the_window_waits_too():
    agent = within(DARK, GONE)
    views = three(reachable=False)
    assert agent.sweep(*views, whole=views) == []
    assert agent.state("dark|site|Harrow Lane Library") == "suppressedByDesign"
    told = agent.sweep(*views, whole=views, after=HOUR)
    assert [one.key for one in told] == ["dark|site|Harrow Lane Library"], "and then it stands for its printers"


def test_printers_in_a_window_do_not_make_their_site_silent():
    away = replace(NIGHT, sites=(), tags=("move",))
    views = [*three(reachable=False, tags=("move",))]
    views += [seen(printer=replace(DESK, id=n), reachable=n != 10) for n in (10, 11, 12, 13)]
    agent = within(replace(DARK, share=0.5), windows=(away,))
    assert agent.sweep(*views, whole=views, after=10 * MINUTE) == []
    assert "dark|site|Harrow Lane Library" not in agent.records


@pytest.mark.parametrize(
    ("local", "holds"),
    [
        ("2026-03-29 01:30", True),  # a Sunday; the clock jumps from 2 to 3 in Prague
        ("2026-03-29 03:30", True),
        ("2026-03-29 04:00", False),
        ("2026-03-30 03:00", False),
        ("2026-10-25 03:59", True),  # a Sunday again, with the hour from 2 to 3 twice
    ],
)
def test_weekly_windows_go_by_the_clock_of_the_site(local: str, holds: bool):
    weekly = Window("weekly", hours=(Hours(time(1), time(4), (6,)),))
    moment = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/Prague")).astimezone(UTC)
    assert weekly.holds("Europe/Prague", moment) is holds


def test_one_that_is_given_without_offset_goes_by_the_clock_of_each_site():
    once = Window("once", begin=datetime(2026, 3, 2, 20), end=datetime(2026, 3, 3, 6))  # noqa: DTZ001 - that is the point
    at = datetime(2026, 3, 2, 19, 30, tzinfo=UTC)
    assert once.holds("Europe/Prague", at)  # 20:30 there
    assert not once.holds("Europe/London", at)


def test_settings_say_what_is_wrong_with_a_window():
    text = """
sites: {Depot: {zone: Europe/Prague}}
maintenance:
  - {name: a, reason: x, sites: Depo, weekly: [{from: "02:00", to: "04:00"}]}
  - {name: a, reason: x}
  - {name: b, reason: x, from: 2026-03-02T20:00}
  - {name: c, reason: x, from: 2026-03-02T20:00, to: 2026-03-02T19:00}
  - {name: d, reason: x, from: tomorrow, to: 2026-03-02T19:00}
"""
    with pytest.raises(SettingsErrors) as wrong:
        parse(text)
    said = str(wrong.value)
    for part in (
        "did you mean Depot",
        "the same name again",
        "no time at all",
        "two ends",
        "a later moment",
        "tomorrow",
    ):
        assert part in said, said


# --- opened by people ---------------------------------------------------------------------------------------------

ASKED = Opened("move", START, START + 4 * HOUR, "Night desk", "the desk moves", tags=("public",))


def test_a_window_needs_a_name_a_reason_and_an_end():
    made, entry = open_window(ASKED, [])
    assert made == ASKED
    assert entry.text == "maintenance window move (tag public) opened by Night desk for 4 h: the desk moves"
    for wrong in (
        replace(ASKED, name="a|b"),
        replace(ASKED, who=" "),
        replace(ASKED, reason=""),
        replace(ASKED, end=START),
        replace(ASKED, end=START + timedelta(days=32)),
    ):
        with pytest.raises(NotApplicableError):
            open_window(wrong, [])
    with pytest.raises(NotApplicableError, match="open already"):
        open_window(ASKED, [ASKED])


def test_the_agent_takes_it_up_and_closes_it_when_its_time_is_over(tmp_path):
    with Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}") as store:
        store.open_window(*open_window(ASKED, []))
        (window,) = opened(store, START + HOUR)
        assert within(windows=(window,)).sweep(seen(toner(5))) == []
        assert opened(store, START + 4 * HOUR) == ()
        assert opened(store, START + 4 * HOUR) == ()
        said = [(one.kind, one.text, one.who) for one in store.ledger(kinds={"windowOpened", "windowClosed"})]
        assert said[1] == ("windowClosed", "maintenance window move is over", "lowmark")
        assert len(said) == 2
        assert store.windows() == ()


def test_the_commands_open_show_and_close_it(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    monkeypatch.setenv("LOWMARK_STORE", url)
    monkeypatch.chdir(tmp_path)
    program = typer.Typer()
    register(program)
    program.command("other")(lambda: None)

    def lowmark(*words: str, status: int = 0) -> str:
        done = CliRunner().invoke(program, ["alarms", "window", *words])
        assert done.exit_code == status, done.output
        return done.output

    with Store.open(url) as store:
        store.save_printer(replace(DESK, id=0))
    said = ("--for", "4h", "--by", "Night desk", "--reason", "the desk moves")
    assert "1 printer is in it" in lowmark("open", "move", *said, "--tag", "public")
    assert "open already" in lowmark("open", "move", *said, status=2)
    assert "no printer in service is in it" in lowmark("open", "else", *said, "--site", "Depot", status=1)
    lowmark("close", "else", "--by", "Night desk")
    assert "tag public" in lowmark()
    (one,) = json.loads(lowmark("--json"))["windows"]
    assert (one["name"], one["open"], one["source"], one["tags"]) == ("move", True, "opened", ["public"])
    assert "closed by Night desk" in lowmark("close", "move", "--by", "Night desk")
    assert "open are: none" in lowmark("close", "move", "--by", "Night desk", status=2)
    assert "no maintenance window" in lowmark()
