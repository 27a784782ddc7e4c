"""The command ``alarms`` on a real store."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
import typer
from typer.testing import CliRunner

from agent.alarms.lifecycle import acknowledge
from agent.alarms.rules import Rule
from agent.app.desk import change, find
from agent.cli.alarms import choose, read_span, register
from agent.model.fleet import Printer
from agent.store import Store
from tests.alarms.scene import LOW, START, Agent, seen, toner

CYAN = "low|1|toner:cyan"


@pytest.fixture
def url(tmp_path) -> str:
    return f"sqlite:///{tmp_path / 'history.sqlite'}"


@pytest.fixture
def agent(url) -> Agent:
    """An agent that has judged once: cyan low, black empty; saved in the store with its messages."""
    found = Agent([replace(LOW, tell=("desk",)), Rule("empty", "supplyEmpty", severity="urgent", tell=("desk",))])
    with Store.open(url) as store:
        printer = store.save_printer(replace(seen().printer, id=0))
        assert printer.id == 1
        found.sweep(seen(toner(8), toner(0, colour="black"), printer=printer))
        store.save_alarms(list(found.records.values()), found.ledger, found.messages)
    return found


@pytest.fixture
def lowmark(url, monkeypatch):
    monkeypatch.setenv("COLUMNS", "250")
    monkeypatch.setenv("LOWMARK_STORE", url)
    program = typer.Typer(pretty_exceptions_enable=False)
    register(program)

    @program.command("other")
    def other() -> None:
        """A second command, so that the program has commands."""

    def run(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(program, ["alarms", *words])
        assert result.exit_code == status, result.output
        return result.output

    return run


def kept(url: str, key: str = CYAN):
    with Store.open(url) as store:
        return find(store.alarms(), key)


def test_the_table_says_severity_without_colour_and_the_gravest_first(agent, lowmark):
    text = lowmark()
    lines = [line for line in text.splitlines() if "Front desk" in line]
    assert len(lines) == 2
    assert lines[0].strip().startswith("!!! urgent")
    assert "black toner is empty" in lines[0]
    assert lines[1].strip().startswith("!   medium")
    assert "cyan toner: 8 % left (limit 10 %)" in lines[1]
    assert "Mon 2 Mar 09:01 CET" in lines[1]
    assert "Harrow Lane Library, Main building" in lines[1]
    assert "\x1b[" not in text


def test_severity_narrows_and_json_is_whole(agent, lowmark):
    assert "cyan" not in lowmark("--severity", "urgent")
    data = json.loads(lowmark("--json"))
    assert data["format"] == "lowmark.alarms.v1"
    assert data["alarms"][0]["rule"] == "empty"
    assert {one["state"] for one in data["alarms"]} == {"unacknowledged"}
    assert "is none of" in lowmark("--severity", "grave", status=2)


def test_who_saw_an_alarm_is_said_only_while_that_is_its_state(agent, lowmark):
    lowmark("ack", CYAN, "--by", "Ada")
    assert "acknowledged by Ada" in lowmark()
    lowmark("withdraw", CYAN, "--by", "Bea", "--reason", "moved")
    assert "out of service by" not in lowmark("--all")
    lowmark("reinstate", CYAN, "--by", "Bea")
    assert "unacknowledged by" not in lowmark()


@pytest.mark.parametrize(
    ("given", "better"), [("2026-03-02", "2026-03-02T00:00:00Z"), ("2026-03-02T08", "2026-03-02T08Z")]
)
def test_a_moment_without_its_offset_is_answered_with_one_that_can_be_used(agent, lowmark, given, better):
    said = " ".join(lowmark("--at", given, status=2).replace("│", " ").split())
    assert better in said
    lowmark("--at", better)


def test_nothing_standing_is_said(url, lowmark):
    Store.open(url).close()
    assert "no alarm stands" in lowmark()


def test_ack_is_kept_and_stands_in_the_ledger(agent, lowmark, url):
    assert "acknowledged" in lowmark("ack", CYAN, "--by", "Night desk")
    assert kept(url).acknowledged_by == "Night desk"
    with Store.open(url) as store:
        (entry,) = store.ledger(kinds={"alarmAcknowledged"})
    assert (entry.who, entry.data["alarm"]) == ("Night desk", CYAN)
    assert "acknowledged by Night desk" in lowmark()
    assert "nothing to acknowledge" in lowmark("ack", CYAN, "--by", "Night desk", status=2)


def test_shelve_hides_it_until_all_are_asked_for_and_unshelve_brings_it_back(agent, lowmark, url):
    lowmark("shelve", "cyan", "--for", "3d", "--by", "Night desk", "--reason", "on its way")
    record = kept(url)
    assert (record.state.value, record.shelved_reason) == ("shelved", "on its way")
    assert timedelta(days=2) < record.shelved_until - datetime.now(UTC) <= timedelta(days=3)
    text = lowmark()
    assert "cyan toner: 8 %" not in text
    assert "2 more set aside" in text
    assert "shelved until" in lowmark("--all")
    assert "unacknowledged" in lowmark("unshelve", CYAN, "--by", "Night desk")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("ack", "magenta", "--by", "x"), "there is no alarm 'magenta'"),
        (("ack", "toner", "--by", "x"), "fits 3 alarms"),
        (("shelve", CYAN, "--for", "tomorrow", "--by", "x", "--reason", "y"), "no span of time"),
        (("shelve", CYAN, "--for", "9w", "--by", "x", "--reason", "y"), "within 31 d"),
        (("outbox", "--retry", "99"), "no dead letter 99"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(agent, lowmark, words, said):
    assert said in lowmark(*words, status=2)


def test_the_outbox_shows_what_waits_and_what_was_given_up_and_tries_it_again(agent, lowmark, url):
    with Store.open(url) as store:
        first, second = store.due(START + timedelta(days=1))
        store.mark_failed(first.id, START, "550 no such mailbox", None)
        store.mark_failed(second.id, START, "no connection", START + timedelta(hours=1))
    text = lowmark("outbox")
    assert "550 no such mailbox" in text
    assert "no connection" in text
    assert "dead 1" in text
    data = json.loads(lowmark("outbox", "--json"))
    assert [one["last_error"] for one in data["dead"]] == ["550 no such mailbox"]
    assert "will be sent again" in lowmark("outbox", "--retry", str(first.id))
    with Store.open(url) as store:
        assert store.dead_letters() == ()


def test_a_change_that_the_agent_overtook_is_made_anew(agent, url):
    """The agent saves the next revision after the command has read the record and before it writes."""
    with Store.open(url) as store:
        overtaken = []

        def act(record, now):
            if not overtaken:
                overtaken.append(record)
                store.save_alarms([replace(record, value=0.07, revision=record.revision + 1)])
            return acknowledge(record, "Night desk", now)

        moved = change(store, CYAN, act, START)
        assert (moved.value, moved.acknowledged_by) == (0.07, "Night desk")
        assert kept(url) == moved
        assert len(store.ledger(kinds={"alarmAcknowledged"})) == 1


def test_names_with_markup_are_shown_as_they_are(url, lowmark):
    agent = Agent()
    with Store.open(url) as store:
        printer = store.save_printer(Printer(0, "[red]desk[/red] [link=x]", "127.0.0.1"))
        agent.sweep(seen(toner(3), printer=printer))
        store.save_alarms(list(agent.records.values()))
    assert "[red]desk[/red] [link=x]" in lowmark()


def test_all_shows_what_is_normal_again_last():
    agent = Agent()
    agent.sweep(seen(toner(5), toner(5, colour="magenta")))
    agent.sweep(seen(toner(90), toner(5, colour="magenta")))
    agent.keep([acknowledge(agent.records["low|7|toner:cyan"], "Night desk", agent.now)[0]])
    records = list(agent.records.values())
    assert [record.subject for record in choose(records)] == ["toner:magenta"]
    assert [record.subject for record in choose(records, every=True)] == ["toner:magenta", "toner:cyan"]


def test_spans_are_read():
    assert [read_span(text) for text in ("30m", "4h", "3d", "2w")] == [
        timedelta(minutes=30),
        timedelta(hours=4),
        timedelta(days=3),
        timedelta(days=14),
    ]
    for text in ("", "h", "-1h", "1.5h", "4", "1000000w", "4 hours"):
        with pytest.raises(typer.BadParameter):
            read_span(text)


# --- the report ------------------------------------------------------------------------------------------------------


def test_the_report_is_printed_and_whole_in_json_as_of_any_moment(agent, lowmark):
    when = ("--since", "2026-03-02T00:00:00Z", "--at", "2026-03-03T12:00:00Z")
    text = lowmark("--report", *when)
    assert "2 heard, 1 more hidden behind another or set aside" in text
    assert "Standing for over 24 hours" in text
    assert "from memory" in text
    assert "Front desk" in text
    data = json.loads(lowmark("--report", *when, "--people", "3", "--json"))
    assert data["format"] == "lowmark.alarms.report.v1"
    assert (data["heard"], data["people"], len(data["stale"])) == (2, 3, 2)
    assert data["stale"][0]["state"] == "unacknowledged"
    assert {one["name"] for one in data["measures"]} == {"rate", "flood", "topTen", "chattering", "stale", "grave"}
    assert "0 heard" in lowmark("--report", "--at", "2026-03-01T00:00:00Z")


def test_moments_belong_to_the_report_and_must_follow_one_another(agent, lowmark):
    assert "go with --report" in lowmark("--since", "2026-03-02T00:00:00Z", status=2)
    assert "go with --report" in lowmark("--people", "2", status=2)
    assert "before --at" in lowmark(
        "--report", "--since", "2026-03-02T00:00:00Z", "--at", "2026-03-01T00:00:00Z", status=2
    )


def test_alarms_are_told_as_of_an_earlier_moment_by_command_and_shape_alike(agent, lowmark, url):
    before, then = "2026-03-02T08:00:30+00:00", "2026-03-02T09:30:00+00:00"
    lowmark("ack", CYAN, "--by", "Night desk")
    assert "no alarm stands" in lowmark("--at", before)
    text = lowmark("--at", then)
    assert "cyan toner: 8 % left (limit 10 %)" in text
    assert "Front desk" in text
    assert "Mon 2 Mar 09:01 CET, 1 h 29 min ago" in text
    assert "Night desk" not in text
    told = json.loads(lowmark("--at", then, "--json"))
    assert datetime.fromisoformat(told["at"]) == datetime.fromisoformat(then)
    now = json.loads(lowmark("--json"))
    assert [one.keys() for one in told["alarms"]] == [one.keys() for one in now["alarms"]]
    assert {one["key"]: (one["state"], one["marks"]) for one in told["alarms"]}[CYAN] == ("unacknowledged", [])
    assert {one["key"]: (one["state"], one["marks"]) for one in now["alarms"]}[CYAN] == ("acknowledged", ["stale"])


@pytest.mark.parametrize("words", [(), ("--json",), ("--report",), ("--all",)])
def test_a_moment_that_lies_ahead_is_refused_and_not_answered_with_the_present(agent, lowmark, words):
    said = lowmark(*words, "--at", "2999-01-01T00:00:00Z", status=2)
    assert "Tue 1 Jan 2999 00:00 UTC has not come yet" in said
    assert "cyan" not in said


def test_what_stands_long_is_marked_stale(agent, lowmark):
    assert "unacknowledged, stale" in lowmark()
    assert json.loads(lowmark("--json"))["alarms"][0]["marks"] == ["stale"]
    lowmark("shelve", CYAN, "--for", "3d", "--by", "Night desk", "--reason", "on its way")
    assert "shelved until" in lowmark("--all")
    assert {tuple(one["marks"]) for one in json.loads(lowmark("--all", "--json"))["alarms"]} == {("stale",), ()}


def test_an_alarm_is_taken_out_of_service_with_a_reason_and_brought_back(agent, lowmark, url):
    assert "out of service" in lowmark("withdraw", CYAN, "--by", "Night desk", "--reason", "in the cellar")
    with Store.open(url) as store:
        (entry,) = store.ledger(kinds={"alarmWithdrawn"})
    assert (entry.who, "in the cellar" in entry.text) == ("Night desk", True)
    assert "cyan toner: 8 %" not in lowmark()
    assert "unacknowledged" in lowmark("reinstate", CYAN, "--by", "Night desk")
    assert "it is in service" in lowmark("reinstate", CYAN, "--by", "Night desk", status=2)
    assert "needs a reason" in lowmark("withdraw", CYAN, "--by", "Night desk", "--reason", " ", status=2)
