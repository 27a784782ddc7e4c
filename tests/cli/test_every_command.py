"""What holds for every command."""

from __future__ import annotations

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


def test_no_two_options_of_a_command_share_a_name():
    for path, command in COMMANDS.items():
        names = [name for one in command.params for name in one.opts]
        assert len(names) == len(set(names)), path
