"""One agent on one SQLite history."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
import typer

from agent.cli.run import only_agent


def test_a_second_agent_on_the_same_history_is_turned_away_and_told_whose_it_is(tmp_path, capsys):
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    with only_agent(url):
        with pytest.raises(typer.Exit) as left, only_agent(url):
            pass
        assert left.value.exit_code == 2
        said = " ".join(capsys.readouterr().err.split())
        assert f"another agent (process {os.getpid()}) runs on the history" in said
        with only_agent(f"sqlite:///{tmp_path / 'other.sqlite'}"):
            pass
    with only_agent(url):
        pass


def test_an_agent_that_was_killed_leaves_no_lock(tmp_path):
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    program = (
        "import os, signal\nfrom agent.cli.run import only_agent\n"
        f"with only_agent({url!r}): os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == -9
    assert (tmp_path / "history.sqlite.agent").read_text().strip().isdigit()
    with only_agent(url):
        pass


@pytest.mark.parametrize("url", ["postgresql+psycopg://lowmark@127.0.0.1/lowmark", "sqlite://", "sqlite:///:memory:"])
def test_what_several_may_share_or_nobody_can_has_no_lock(url):
    with only_agent(url), only_agent(url):
        pass


def test_where_nothing_can_be_written_the_store_says_so_not_the_lock(tmp_path):
    with only_agent(f"sqlite:///{tmp_path / 'nowhere' / 'history.sqlite'}"):
        pass
