"""One agent on one SQLite history; a sweep beside it only looks."""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
import sys

import pytest
import typer

from agent.app.sole import AGENT, SWEEP, Taken, sole
from agent.cli.run import only_agent


def start(url: str) -> None:
    """As ``lowmark run`` begins."""

    async def begin() -> None:
        async with only_agent(url):
            pass

    asyncio.run(begin())


def test_a_second_agent_on_the_same_history_is_turned_away_and_told_whose_it_is(tmp_path, capsys):
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    with sole(url, AGENT):
        with pytest.raises(typer.Exit) as left:
            start(url)
        assert left.value.exit_code == 2
        said = " ".join(capsys.readouterr().err.split())
        assert f"an agent (process {os.getpid()}) runs on the history" in said
        start(f"sqlite:///{tmp_path / 'other.sqlite'}")
    start(url)


def test_an_agent_that_was_killed_leaves_no_lock(tmp_path):
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    program = (
        "import os, signal\nfrom agent.app.sole import AGENT, sole\n"
        f"with sole({url!r}, AGENT): os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == -9
    assert (tmp_path / "history.sqlite.agent").read_text().partition(" ")[0].isdigit()
    start(url)


def test_an_agent_that_starts_waits_for_the_end_of_a_sweep(tmp_path, capsys):
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"

    async def both() -> None:
        with contextlib.ExitStack() as sweep:
            sweep.enter_context(sole(url, SWEEP))
            asyncio.get_running_loop().call_later(0.5, sweep.close)
            async with only_agent(url):
                with pytest.raises(Taken, match="an agent"), sole(url, SWEEP):
                    pass

    asyncio.run(both())
    said = " ".join(capsys.readouterr().err.split())
    assert f"a sweep (process {os.getpid()}) is under way on the history" in said
    assert "this agent waits for its end" in said


@pytest.mark.parametrize("url", ["postgresql+psycopg://lowmark@127.0.0.1/lowmark", "sqlite://", "sqlite:///:memory:"])
def test_what_several_may_share_or_nobody_can_has_no_lock(url):
    with sole(url, AGENT), sole(url, AGENT):
        pass


def test_where_nothing_can_be_written_the_store_says_so_not_the_lock(tmp_path):
    start(f"sqlite:///{tmp_path / 'nowhere' / 'history.sqlite'}")
