"""What the pages tell people to type works, and what they refer to is there."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import pytest
import yaml

from agent.alarms.rules import UNWELL
from agent.settings import load
from tests.docs.examples import blocks
from tests.docs.pages import DOCS
from tests.whole.agent import wait

ROOT = DOCS.parent
MARKS = {"sh", "sh background", "yaml", "yaml settings", "json", "text", "promql", "console", "toml", "mermaid"}


@pytest.mark.parametrize("page", sorted(DOCS.glob("*.md")), ids=lambda page: page.name)
def test_blocks_say_what_they_are_and_can_be_read(page: Path, tmp_path: Path) -> None:
    for mark, text in blocks(page):
        assert mark in MARKS, mark
        if mark == "json":
            json.loads(text)
        elif mark.startswith("yaml"):
            yaml.safe_load(text)
        elif mark.startswith("sh"):
            done = subprocess.run(["bash", "-n"], input=text, capture_output=True, text=True)
            assert done.returncode == 0, done.stderr
        if mark == "yaml settings":
            file = tmp_path / "lowmark.yaml"
            file.write_text(text)
            load(file)


def free(port: int, kind: socket.SocketKind) -> bool:
    with socket.socket(socket.AF_INET, kind) as trial:
        try:
            trial.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


@contextmanager
def running(commands: str, folder: Path, env: dict[str, str], number: int) -> Iterator[subprocess.Popen[bytes]]:
    with (folder / f"said-{number}").open("wb") as said:
        one = subprocess.Popen(
            ["bash", "-euc", f"exec {commands.strip()}"], cwd=folder, env=env, stdout=said, stderr=said
        )
        try:
            yield one
        finally:
            one.send_signal(2)  # Ctrl-C, as the page says
            try:
                one.wait(30)
            except subprocess.TimeoutExpired:
                one.kill()
                one.wait(10)


@pytest.mark.slow
def test_the_first_hour_goes_as_its_page_says(tmp_path: Path) -> None:
    """Block after block in one folder. The agent's port is the usual one, so nothing else may have it."""
    if not free(9633, socket.SOCK_STREAM) or not free(21161, socket.SOCK_DGRAM):
        pytest.skip("something else listens where the first hour does")
    bin_folder = Path(sys.executable).parent
    assert shutil.which("lowmark", path=str(bin_folder))
    env = {**os.environ, "PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}", "COLUMNS": "100"}
    env.pop("LOWMARK_SETTINGS", None)
    env.pop("LOWMARK_STORE", None)
    fleet, look, agent, looks, keep = blocks(DOCS / "first-hour.md")
    assert [mark for mark, _ in (fleet, look, agent, looks, keep)] == [
        "sh background",
        "sh",
        "sh background",
        "sh",
        "sh",
    ]

    def run(text: str) -> str:
        done = subprocess.run(
            ["bash", "-euc", text], cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    with running(fleet[1], tmp_path, env, 1):
        wait((tmp_path / "lowmark.yaml").exists, 60)
        assert "8" in run(look[1])
        with running(agent[1], tmp_path, env, 2) as one:

            def ready() -> bool:
                assert one.poll() is None, (tmp_path / "said-2").read_text()
                try:
                    return bool(urlopen("http://127.0.0.1:9633/readyz", timeout=2).status == 200)
                except OSError:
                    return False

            wait(ready, 60)
            said = run(looks[1])
            assert "fine" in said
            run(keep[1])
        assert (tmp_path / "monday.sqlite").stat().st_size > 10_000


def test_each_barrier_is_shown_by_a_test_that_there_is() -> None:
    text = (DOCS / "security.md").read_text("utf-8")
    table = [line for line in text.splitlines() if line.startswith("| ") and "---" not in line][1:]
    assert len(table) > 10
    for line in table:
        named = re.findall(r"`(tests/[\w/]+\.py)::(test_\w+)`", line)
        assert named, f"shown by nothing: {line}"
        for file, test in named:
            assert re.search(rf"^(async )?def {test}\(", (ROOT / file).read_text("utf-8"), re.MULTILINE), (file, test)


def test_each_alarm_about_the_agent_itself_is_explained() -> None:
    text = (DOCS / "operations.md").read_text("utf-8")
    part = text.partition("## What the alarms about Lowmark itself mean")[2].partition("What it cannot tell")[0]
    rows = dict(re.findall(r"^\| (\w+) \| (.+) \| .+ \|$", part, re.MULTILINE))
    rows.pop("part", None)
    assert rows.keys() == set(UNWELL)


def test_the_upgrade_is_told_as_it_is() -> None:
    from agent.store.backup import KEPT

    words = {3: "three"}
    text = " ".join((DOCS / "operations.md").read_text("utf-8").split())
    assert f"the last {words[KEPT]} such copies stay" in text
    assert "`….of-step-`" in text
