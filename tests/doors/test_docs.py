"""What docs/who-may.md shows is what the program takes."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from textwrap import dedent

import pytest
import typer
from typer.testing import CliRunner

from agent.app.entry import gate_of
from agent.app.keeper import FEWEST_DIFFERENT, IDLE, LONGEST, SHORTEST
from agent.cli import build
from agent.model.people import DOES
from agent.settings import parse
from agent.store import Store
from tests.doors.house import GOOD, Time, keeper_of

PAGE = (Path(__file__).parents[2] / "docs" / "who-may.md").read_text("utf-8")
BLOCKS = [dedent(one).strip("\n") for one in re.findall(r"(?:^    .*\n(?:\n(?=    ))?)+", PAGE, re.MULTILINE)]
SETTINGS = [part for block in BLOCKS for part in block.split("\n\n") if re.match(r"(listen|metrics):", part)]
COMMANDS = [line for block in BLOCKS for line in block.splitlines() if line.startswith("lowmark ")]


def test_there_is_something_to_test() -> None:
    assert len(SETTINGS) == 4
    assert len(COMMANDS) == 9


@pytest.mark.parametrize("text", SETTINGS)
def test_the_settings_are_taken(text: str, store: Store) -> None:
    settings = parse(text)
    gate = gate_of(settings, keeper_of(store, Time()))
    if "names" in text:
        assert gate.sign_in
        assert settings.listen.pages
        assert gate.names >= {"lowmark.harrow-lane.example"}
    assert gate.header == ("X-Remote-User" if "X-Remote-User" in text else "")


def test_the_commands_do_what_they_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("new.txt").write_text(f"{GOOD} again\n")
    for line in COMMANDS:
        words = shlex.split(line)[1:]
        done = CliRunner().invoke(build(), [*words, "--store", "sqlite:///history.sqlite"], input=f"{GOOD}\n")
        assert done.exit_code == 0, (line, done.output)


def test_every_command_and_role_is_explained() -> None:
    commands = getattr(typer.main.get_command(build()), "commands", {})
    for group in ("people", "tokens"):
        assert commands[group].commands
        for name in commands[group].commands:
            assert f"lowmark {group} {name}" in PAGE
    for role, words in DOES.items():
        assert f"| `{role}` | {words} |" in PAGE


def test_the_numbers_are_those_of_the_program() -> None:
    assert f"{SHORTEST} to {LONGEST} characters" in PAGE
    assert FEWEST_DIFFERENT > 1
    assert f"not used for {IDLE.total_seconds() / 3600:.0f} hours" in PAGE
    listen = parse("").listen
    assert listen.session_idle == IDLE
    assert f"after {listen.session_longest.days} days" in PAGE
