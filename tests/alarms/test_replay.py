"""The dry run: replaying what was read gives what came; changed rules give what they would have given."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import typer
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from agent.alarms.past import Past
from agent.alarms.replay import compare, replay
from agent.alarms.rules import Rule
from agent.alarms.spells import story
from agent.alarms.windows import Window
from agent.cli.alarms import register
from agent.model.contact import Contact, StatusPoint
from agent.model.fleet import ContactRun, Finding, LedgerEntry, LevelPoint, PrinterHistory, SupplyTrack
from agent.model.reading import CONSUMED
from agent.store import Store
from tests.alarms.scene import DESK, LOW, MINUTE, START, Agent, alert, reading, seen, toner

GONE = Rule("gone", "unreachable", for_=3 * MINUTE)
DARK = Rule("dark", "siteSilent", for_=2 * MINUTE, fewest=2)
JAMMED = Rule("jammed", "printerAlert", codes=("jam",), on_delay=2 * MINUTE)
ODD = Rule("odd", "counterOddity", off_delay=4 * MINUTE)
EMPTY = Rule("out", "supplyEmpty", severity="high", tell=("mail",))
LEVELS = st.one_of(st.integers(5, 20), st.sampled_from([0, 2]))
MINUTES = st.tuples(LEVELS, st.sampled_from([True, True, True, False]), st.booleans(), st.booleans())


class World:
    """Printers that are asked every minute: judged as they are asked, and remembered as the store remembers."""

    def __init__(self, rules, count: int) -> None:
        self.agent = Agent(list(rules))
        self.printers = [replace(DESK, id=at, name=f"Printer {at}") for at in range(1, count + 1)]
        self.seen: dict[int, list] = {one.id: [] for one in self.printers}
        self.views: dict[int, object] = {}

    def minute(self, states) -> None:
        now = self.agent.now + MINUTE
        for printer, (level, reachable, jam, odd) in zip(self.printers, states, strict=True):
            before = self.views.get(printer.id)
            since = before.since if before is not None and before.reachable is reachable else now
            made = [Finding("counterJump", now, "life", "it jumped")] if odd and reachable else []
            view = seen(
                toner(level), printer=printer, reachable=reachable, since=since, alerts=[alert()] if jam else [],
                findings=made,
            )  # fmt: skip
            if not reachable:
                view = replace(view, reading=before.reading if before is not None else None)
            self.views[printer.id] = view
            self.seen[printer.id].append((now, level, reachable, jam, bool(made)))
        self.agent.sweep(*self.views.values(), whole=list(self.views.values()))

    def pasts(self) -> list[Past]:
        return [self._past(printer) for printer in self.printers]

    def _past(self, printer) -> Past:
        runs, points, states, ledger = [], [], [], []
        for now, level, reachable, jam, odd in self.seen[printer.id]:
            if runs and runs[-1].reachable is reachable:
                runs[-1] = replace(runs[-1], last=now)
            else:
                runs.append(ContactRun(now, now, reachable))
            if reachable and (not points or points[-1].level != level):
                points.append(LevelPoint(now, level, 100))
            alerts = (alert(),) if jam else ()
            if reachable and (not states or states[-1].alerts != alerts):
                states.append(StatusPoint(now, "running", "idle", frozenset(), (), alerts))
            if odd:
                ledger.append(LedgerEntry(now, "counterJump", "it jumped", printer.id, "life"))
        tracks = ()
        if points:
            tracks = (SupplyTrack("toner:cyan", "toner", CONSUMED, "cyan", "percent", "TG-40", tuple(points)),)
        return Past(PrinterHistory(printer, tuple(runs), tracks, (), tuple(ledger)), states, MINUTE)


def heard(told):
    return sorted((one.key, one.heard, one.raised, one.returned) for one in told.spells if one.heard)


@settings(max_examples=120)
@given(
    st.lists(st.tuples(MINUTES, MINUTES, MINUTES), min_size=1, max_size=40),
    st.integers(0, 4),
    st.integers(0, 4),
    st.tuples(st.integers(0, 30), st.integers(0, 20), st.sampled_from([(), ("Printer 1",)])),
    st.sampled_from([("mail",), ("phone",)]),
)
def test_the_same_rules_replayed_give_what_came(minutes, on, off, window, heard_by):
    rules = [replace(LOW, on_delay=on * MINUTE, off_delay=off * MINUTE), GONE, DARK, JAMMED, ODD]
    rules += [replace(EMPTY, on_delay=off * MINUTE, off_delay=on * MINUTE, tell=heard_by)]
    world = World(rules, 3)
    begin = START + window[0] * MINUTE
    windows = (Window("move", printers=window[2], begin=begin, end=begin + window[1] * MINUTE),)
    world.agent.windows = windows
    for states in minutes:
        world.minute(states)
    end = world.agent.now
    made = replay(world.pasts(), rules, START, end, windows)
    came = story(world.agent.ledger, end)
    found = compare(came, made, rules, START, end)
    assert heard(made) == heard(came)
    assert (found.new, found.missed, found.kept) == ((), (), len(heard(came)))


def falling() -> World:
    """Cyan falls from 12 to 1 percent, a point every ten minutes."""
    world = World([LOW], 1)
    for level in range(12, 0, -1):
        for _ in range(10):
            world.minute([(level, True, False, False)])
    return world


def rehearsed(world: World, *rules: Rule):
    end = world.agent.now
    made = replay(world.pasts(), rules, START, end)
    return compare(story(world.agent.ledger, end), made, rules, START, end)


def test_a_lower_limit_comes_later_and_is_the_same_alarm():
    found = rehearsed(falling(), replace(LOW, below=0.05))
    assert (found.new, found.missed, found.kept) == ((), (), 1)


def test_what_a_changed_rule_would_not_have_raised_is_missed():
    found = rehearsed(falling(), replace(LOW, below=0.01))
    assert [one.spell.key for one in found.missed] == ["low|1|toner:cyan"]
    assert found.missed[0].beside == ()


def test_another_rule_for_the_same_supply_is_named_beside_it():
    found = rehearsed(falling(), replace(LOW, name="lower", below=0.05))
    assert [(one.spell.rule, one.beside) for one in found.new] == [("lower", ("low",))]
    assert [(one.spell.rule, one.beside) for one in found.missed] == [("low", ("lower",))]
    # 4 percent was first shown in the minute after 12, 11 .. 5 had been shown for ten minutes each.
    assert found.new[0].spell.raised == START + 81 * MINUTE


def test_a_delay_is_over_at_a_moment_when_nothing_new_was_read():
    found = rehearsed(falling(), replace(LOW, name="late", below=0.02, deadband=0.0, on_delay=4 * MINUTE))
    assert found.new[0].spell.raised == START + 115 * MINUTE


def test_the_agent_itself_and_run_outs_are_neither_new_nor_missed():
    world = falling()
    world.agent.rules = [Rule("unwell", "agentUnwell"), Rule("soon", "runOut")]
    found = rehearsed(world, LOW, Rule("unwell", "agentUnwell"), Rule("soon", "runOut"))
    assert (found.new, found.missed, found.kept) == ((), (), 1)


# --- the command, on a real store ------------------------------------------------------------------------------------


@pytest.fixture
def program(tmp_path, monkeypatch):
    """A store that an agent wrote into every minute for two hours, and a settings file with a changed rule."""
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    agent = Agent([LOW])
    with Store.open(url) as store:
        printer = store.save_printer(replace(DESK, id=0))
        for level in range(12, 0, -1):
            for _ in range(10):
                view = seen(toner(level), printer=printer)
                agent.sweep(view)
                contact = Contact(agent.now, printer.id, True, reading(toner(level), at=agent.now))
                store.commit([contact], list(agent.records.values()), agent.ledger[-1:] if agent.ledger else ())
                agent.ledger.clear()
    file = tmp_path / "changed.yaml"
    file.write_text(
        yaml.safe_dump(
            {
                "store": url,
                "alarms": [
                    {"name": "low", "when": "supplyBelow", "below": "1%", "deadband": "0%"},
                    {"name": "half", "when": "supplyBelow", "below": "5%", "on_delay": "3m"},
                ],
            }
        )
    )
    monkeypatch.setenv("COLUMNS", "200")
    app = typer.Typer(pretty_exceptions_enable=False)
    register(app)
    app.command("other")(lambda: None)

    def run(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(app, ["alarms", "rehearse", *words])
        assert result.exit_code == status, result.output
        return result.output

    return run, str(file)


def test_the_command_says_what_would_have_come_and_what_would_not(program):
    run, file = program
    when = ("--from", "2026-03-02T08:00:00Z", "--to", "2026-03-02T10:00:00Z", "--settings", file)
    text = run(*when)
    assert "1 would have come, 1 that came would not have, 0 come either way" in text
    assert "instead of low" in text
    # The settings say no zone, the printer's site is in Prague: 8:00 UTC is 9:00 there in winter.
    assert re.match(r"Mon 2 Mar( 2026)? 08:00 UTC to Mon 2 Mar( 2026)? 10:00 UTC through 2 rules", text)
    assert re.search(r"Mon 2 Mar( 2026)? 10:24 CET .*Front desk", text)
    assert not re.search(r"\d{4}-\d\d-\d\d", text)
    data = json.loads(run(*when, "--json"))
    assert data["format"] == "lowmark.alarms.rehearsal.v1"
    assert [(one["key"], one["beside"]) for one in data["missed"]] == [("low|1|toner:cyan", ["half"])]
    assert data["new"][0]["raised"] == (START + 84 * MINUTE).isoformat()
    assert data["new"][0]["printer"] == "Front desk"


def test_the_command_wants_moments_in_order_and_rules(program, monkeypatch, tmp_path):
    run, _ = program
    assert "before --to" in run("--from", "2026-03-02T08:00:00Z", "--to", "2026-03-01T08:00:00Z", status=2)
    monkeypatch.chdir(tmp_path)
    run("--from", "2026-03-02T08:00:00Z", status=2)


def test_the_command_changes_nothing(program):
    run, file = program
    url = yaml.safe_load(Path(file).read_text())["store"]
    with Store.open(url) as store:
        before = (store.alarms(), store.ledger(), store.outbox_counts())
    run("--from", "2026-03-02T08:00:00Z", "--to", "2026-03-02T10:00:00Z", "--settings", file)
    with Store.open(url) as store:
        assert (store.alarms(), store.ledger(), store.outbox_counts()) == before


def test_a_year_of_one_printer_is_replayed_in_seconds():
    points = tuple(LevelPoint(START + timedelta(hours=8 * at), 100 - at % 100, 100) for at in range(1000))
    track = SupplyTrack("toner:cyan", "toner", CONSUMED, "cyan", "percent", "TG-40", points)
    end = START + timedelta(days=334)
    history = PrinterHistory(DESK, (ContactRun(START, end, True),), (track,), ())
    made = replay([Past(history, (), MINUTE)], [LOW, GONE], START, end)
    assert len(made.spells) == 10
