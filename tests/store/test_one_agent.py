"""One agent on one history, in a file or in PostgreSQL; a sweep beside it only looks, and one is waited for."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import subprocess
import sys
import threading

import pytest
import typer

from agent.app.sole import AGENT, SWEEP, Taken, sole
from agent.cli.run import only_agent
from agent.store import Store
from tests.store.postgres import Cluster

KILLED = """
import os, signal, sys
from agent.app.sole import AGENT, sole
from agent.store import Store
with sole(Store.open(sys.argv[1]), AGENT):
    os.kill(os.getpid(), signal.SIGKILL)
"""


def start(url: str) -> None:
    """As ``lowmark run`` begins."""

    async def begin() -> None:
        with Store.open(url) as store:
            async with only_agent(store):
                pass

    asyncio.run(begin())


def test_a_second_agent_on_the_same_history_is_turned_away_and_told_whose_it_is(url, cluster, capsys):
    with Store.open(url) as store:
        with sole(store, AGENT):
            with pytest.raises(typer.Exit) as left:
                start(url)
            assert left.value.exit_code == 2
            said = " ".join(capsys.readouterr().err.split())
            assert re.search(rf"an agent \(process (\S+:)?{os.getpid()}\) runs on the history ", said)
            start(cluster.database())  # another history of the same server
        start(url)


def test_an_agent_that_was_killed_leaves_no_lock(url):
    assert subprocess.run([sys.executable, "-c", KILLED, url], check=False).returncode == -9
    start(url)


def test_an_agent_that_starts_waits_for_the_end_of_a_sweep(url, capsys):
    async def both(store: Store) -> None:
        with contextlib.ExitStack() as sweep:
            sweep.enter_context(sole(store, SWEEP))
            asyncio.get_running_loop().call_later(0.5, sweep.close)
            async with only_agent(store):
                with pytest.raises(Taken, match="an agent"), sole(store, SWEEP):
                    pass

    with Store.open(url) as store:
        asyncio.run(both(store))
    said = " ".join(capsys.readouterr().err.split())
    assert "a sweep (process " in said
    assert "is under way on the history" in said
    assert "this agent waits for its end" in said


def test_where_nothing_can_be_written_the_store_says_so_not_the_lock(tmp_path):
    folder = tmp_path / "gone"
    folder.mkdir()
    with Store.open(f"sqlite:///{folder / 'history.sqlite'}") as store:
        for file in folder.iterdir():
            file.unlink()
        folder.rmdir()
        with sole(store, AGENT):
            pass


# --- PostgreSQL: the lock goes with a connection ---------------------------------------------------------------------


@pytest.fixture
def own_server():
    server = Cluster()
    try:
        yield server
    finally:
        server.remove()


def test_a_server_that_was_away_gives_the_history_back_to_who_had_it(own_server):
    lost = threading.Event()
    with Store.open(own_server.database()) as store, Store.open(store_url(own_server)) as other:
        with sole(store, AGENT, lost.set, look=0.2):
            own_server.stop()
            own_server.start()
            held_again(other)
            assert not lost.is_set()
        with sole(other, AGENT):
            pass


def test_who_lost_the_history_to_another_one_is_told_once(own_server):
    lost = threading.Event()
    with (
        Store.open(own_server.database()) as store,
        Store.open(store_url(own_server)) as other,
        sole(store, AGENT, lost.set, look=3.0),
    ):
        own_server.stop()
        own_server.start()
        with sole(other, AGENT):
            assert lost.wait(20)


def store_url(server: Cluster) -> str:
    """The place that ``database`` made last."""
    with server.connect() as connection:
        (name,) = connection.execute("SELECT max(nspname) FROM pg_namespace WHERE nspname LIKE 'fleet%'").fetchone()
    return f"postgresql://lowmark@/postgres?host={server.home}&port={server.port}&options=-csearch_path%3D{name}"


def held_again(other: Store) -> None:
    """Wait until the history is taken."""
    for _ in range(100):
        try:
            with sole(other, SWEEP):
                pass
        except Taken:
            return
        threading.Event().wait(0.1)
    raise AssertionError("nobody has taken the history again")
