"""The page about alarms says what the program does."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import pytest
import typer.main

from agent.alarms.lifecycle import LONGEST_SHELF, TABLE, Event, words
from agent.alarms.picture import mermaid, rows
from agent.alarms.rules import WHEN
from agent.cli.alarms import register
from agent.model.alarm import AlarmState
from agent.settings import json_schema, parse

PAGE = (Path(__file__).parents[2] / "docs" / "alarms.md").read_text("utf-8")


def test_the_picture_on_the_page_is_the_one_made_from_the_table():
    assert f"```mermaid\n{mermaid()}```\n" in PAGE


def test_the_table_on_the_page_is_the_table():
    assert rows() in PAGE


def test_the_picture_shows_every_way_from_one_state_to_another():
    drawn = {tuple(pair) for pair in re.findall(r"^    (\w+) --> (\w+):", mermaid(), re.MULTILINE)}
    ways = {
        (state.value, to.value)
        for (state, event), arc in TABLE.items()
        if arc is not None and event is not Event.VANISH
        for to in (arc.to, arc.standing)
        if to is not None and to is not state
    }
    assert drawn == ways
    assert all(f"    {state.value}: {words(state)}\n" in mermaid() for state in AlarmState)


def test_every_kind_of_rule_and_every_key_of_a_rule_is_explained():
    for when in WHEN:
        assert f"| `{when}` |" in PAGE
    for key in json_schema()["$defs"]["Alarm"]["properties"]:
        assert key == "name" or f"`{key}`" in PAGE, key


def blocks() -> list[str]:
    """The indented blocks that are settings."""
    found = re.findall(r"(?:^(?:    )+.*\n|^\n)+", PAGE, re.MULTILINE)
    keys = ("alarms:", "maintenance:", "calendars:", "letters:")
    return [text for block in found if (text := textwrap.dedent(block).strip()).startswith(keys)]


def test_the_examples_are_settings_that_load():
    assert len(blocks()) == 6
    desk = "{name: desk, kind: mail, host: localhost, security: none, from: a@b.example, to: a@b.example}"
    for block in blocks():
        channels = f"\nchannels: [{desk}]" if block.startswith("letters:") else ""
        assert parse(f"{block}{channels}\n").rules()


def test_the_longest_shelf_is_told():
    assert f"{LONGEST_SHELF.days} days at most" in PAGE


def test_every_command_and_option_on_the_page_exists():
    program = typer.Typer()
    register(program)
    program.command("other")(lambda: None)
    group = typer.main.get_command(program).commands["alarms"]
    lines = re.findall(r"lowmark alarms ?(.*)", PAGE)
    assert len(lines) > 8
    for line in lines:
        name, command = line.split(" ")[0].strip("`"), group
        if name in group.commands:
            command = group.commands[name]
            inner = line.split(" ")[1] if " " in line else ""
            command = getattr(command, "commands", {}).get(inner, command)
        elif name and not name.startswith("-"):
            pytest.fail(f"there is no command {name}")
        known = {option for one in command.params for option in one.opts}
        assert set(re.findall(r"--[a-z]+", line)) <= known, line
