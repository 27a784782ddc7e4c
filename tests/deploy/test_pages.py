"""What docs/install.md and docs/operations.md say is so."""

from __future__ import annotations

import re

import pytest
import typer.main

from agent.cli import build
from tests.deploy.places import DEPLOY, ROOT, read

PAGES = ("install.md", "operations.md")


@pytest.mark.parametrize("name", PAGES)
def test_the_commands_and_options_exist(name: str):
    root = typer.main.get_command(build())
    text = (ROOT / "docs" / name).read_text()
    found = set(
        re.findall(r"(?:^|(?<=[`/])|(?<=    )|(?<=-u lowmark ))lowmark ((?:[a-z]+ ?)+)([^`\n|#]*)", text, re.MULTILINE)
    )
    assert len(found) > 5
    for words, rest in found:
        command = root
        for word in words.split():
            if not hasattr(command, "commands"):
                break
            assert word in command.commands, f"lowmark {words}"
            command = command.commands[word]
        known = {option for parameter in command.params for option in parameter.opts}
        for option in re.findall(r"--[a-z-]+", rest):
            assert option in known, f"lowmark {words} {option}"


@pytest.mark.parametrize("name", PAGES)
def test_the_files_named_are_there(name: str):
    text = (ROOT / "docs" / name).read_text()
    for path in re.findall(r"\bdeploy/[\w./-]*\w", text):
        assert (ROOT / path).exists() or path.startswith("deploy/secrets"), path
    for path in re.findall(r"`(drop-ins/[\w.-]+)`", text):
        assert (DEPLOY / "systemd" / path).exists(), path
    for page in re.findall(r"\]\((\w+\.md)\)", text):
        assert (ROOT / "docs" / page).exists(), page


def test_each_alert_about_the_agent_is_explained():
    text = (ROOT / "docs" / "operations.md").read_text()
    groups = {group["name"]: group["rules"] for group in read(DEPLOY / "prometheus" / "alerting.yml")["groups"]}
    rows = set(re.findall(r"^\| (Lowmark\w+) \|", text, re.MULTILINE))
    assert rows == {rule["alert"] for rule in groups["lowmark-agent"]}
