"""What holds for every command."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click
import pytest
import typer
from typer.testing import CliRunner

from agent.cli import build


def _commands(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    inner = getattr(command, "commands", None)
    if inner:
        for name, one in inner.items():
            yield from _commands(one, (*path, name))
    if path and (not inner or getattr(command, "invoke_without_command", False)):
        yield path, command


APP = build()
COMMANDS = dict(_commands(typer.main.get_command(APP)))


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_command_has_help_with_an_example(path):
    done = CliRunner().invoke(APP, [*path, "--help"], env={"COLUMNS": "200"})
    assert done.exit_code == 0
    assert "Example" in done.stdout
    assert f"lowmark {' '.join(path)}" in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("demo --printers 0", "found 0, expected at least 1"),
        ("survey 127.0.0.1 --port 70000", "found 70000, expected at most 65535"),
        ("ledger --limit many", "found many, expected a whole number"),
        ("demo --speed fast", "found fast, expected a number"),
        ("people add Z --role boss", "--role': 'boss' is not one of 'look', 'serve', 'administer'"),
    ],
)
def test_what_an_option_cannot_take_is_said_as_the_settings_say_it(words, said):
    done = CliRunner().invoke(APP, words.split(), env={"COLUMNS": "200"})
    assert done.exit_code == 2
    assert said in done.stderr


GROUPS = ("settings", "people", "tokens", "shelf", "upkeep", "alarms", "alarms window")


@pytest.mark.parametrize("path", GROUPS)
def test_every_group_of_commands_shows_an_example_too(path):
    done = CliRunner().invoke(APP, [*path.split(), "--help"], env={"COLUMNS": "100"})
    assert done.exit_code == 0
    assert "Example" in done.stdout
    assert f"lowmark {path} " in done.stdout.partition("Example")[2]


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_the_sentences_of_a_help_are_as_wide_as_the_terminal(path):
    wide = CliRunner().invoke(APP, [*path, "--help"], env={"COLUMNS": "1000", "TERMINAL_WIDTH": "1000"}).stdout
    told = wide.partition("Usage:")[2].partition("Example")[0].partition("╭")[0]
    paragraphs = [part for part in re.split(r"\n\s*\n", told) if part.strip()][1:]
    assert paragraphs
    assert all("\n" not in part.strip() for part in paragraphs), paragraphs


def test_no_two_options_of_a_command_share_a_name():
    for path, command in COMMANDS.items():
        names = [name for one in command.params for name in one.opts]
        assert len(names) == len(set(names)), path
