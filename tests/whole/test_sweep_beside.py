"""``lowmark sweep`` beside a running agent on one history, as processes of their own: nothing is told twice."""

from __future__ import annotations

import json
import sqlite3
import subprocess
from pathlib import Path

import pytest
import yaml

from agent.store import Store
from tests.notify.servers import Post, smtp
from tests.store.postgres import Cluster
from tests.whole.agent import LOWMARK, Running, free_port, lowmark, rehearsal, running, wait
from tests.whole.test_service import RULES, mail_channel, texts

BLACK = "toner:black"


def everything(agent: Running) -> dict[str, list[tuple[object, ...]]]:
    """Every row of the history."""
    with sqlite3.connect(f"file:{agent.url.partition(':///')[2]}?mode=ro", uri=True) as base:
        names = [name for (name,) in base.execute("select name from sqlite_master where type = 'table'")]
        return {name: sorted(map(repr, base.execute(f'select * from "{name}"'))) for name in sorted(names)}


def settled(agent: Running) -> dict[str, list[tuple[object, ...]]]:
    """Every row, when the agent has written its first sweep."""
    found: list[dict[str, list[tuple[object, ...]]]] = [{}]

    def is_written() -> bool:
        found.append(everything(agent))
        return bool(found[-1]["supply_point"]) and found[-1] == found[-2]

    wait(is_written, 20)
    return found[-1]


@pytest.mark.slow
def test_a_sweep_beside_an_agent_reads_and_shows_and_leaves_the_history_and_people_alone(tmp_path: Path) -> None:
    post = Post()
    with rehearsal(2) as going, smtp(post) as port:
        going.set_level("hl-01", BLACK, 0.6)
        polling = {"status": "1h", "timeout": "1s", "retries": 1, "deadline": "3s"}
        with running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)], polling=polling) as agent:
            wait(lambda: agent.remaining("hl-01", BLACK) == pytest.approx(0.6, abs=0.02), 15)
            going.set_level("hl-01", BLACK, 0.08)
            before = settled(agent)
            swept = lowmark("sweep", "--full", "--json", "--settings", str(agent.settings))
            assert swept.returncode == 0, swept.stderr
            assert agent.process is not None
            said = " ".join(swept.stderr.split())
            assert f"an agent (process {agent.process.pid}) runs on the history {agent.folder}" in said
            assert "it records and tells, this sweep only reads and shows" in said
            (desk,) = [one for one in json.loads(swept.stdout)["printers"] if one["printer"] == "hl-01"]
            assert {one["supply"]: one["remaining"] for one in desk["supplies"]}[BLACK] == pytest.approx(0.08)
            assert everything(agent) == before
            assert texts(post) == []


@pytest.mark.slow
def test_sweeps_without_end_beside_an_agent_make_nobody_hear_anything_twice(tmp_path: Path) -> None:
    post = Post(pause=2.0)  # a message is under way for a while, and waits in the outbox meanwhile
    with rehearsal(2) as going, smtp(post) as port:
        going.set_level("hl-01", BLACK, 0.6)
        with running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)]) as agent:
            wait(lambda: agent.remaining("hl-01", BLACK) == pytest.approx(0.6, abs=0.02), 15)

            def sweep() -> subprocess.Popen[str]:
                return subprocess.Popen(
                    [*LOWMARK, "sweep", "--settings", str(agent.settings)],
                    stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
                )  # fmt: skip

            for change in (lambda: going.set_level("hl-01", BLACK, 0.08), lambda: going.swap("hl-01", BLACK)):
                heard = len(texts(post))
                beside = [sweep()]
                change()
                while len(texts(post)) == heard or len(beside) < 4:
                    assert len(beside) < 60, agent.log.read_text()
                    _, said = beside[-1].communicate(timeout=60)
                    assert "this sweep only reads and shows" in " ".join(said.split())
                    beside.append(sweep())
                beside[-1].communicate(timeout=60)
            wait(lambda: agent.logged("swap seen"), 10)
            assert agent.stop() == 0
        subjects = [text.partition("\n")[0] for text in texts(post)]
        assert [one.startswith("[medium] Back to normal") for one in subjects] == [False, True]
        with Store.open(agent.url) as store:
            for kind in ("alarmRaised", "alarmReturned", "swapSeen"):
                assert len([one for one in store.ledger(kinds={kind}) if one.subject == BLACK]) == 1, kind


@pytest.mark.slow
def test_without_an_agent_a_sweep_records_and_tells(tmp_path: Path) -> None:
    post = Post()
    with rehearsal(2) as going, smtp(post) as port:
        going.set_level("hl-01", BLACK, 0.08)
        agent = Running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)])
        swept = lowmark("sweep", "--settings", str(agent.settings))
        assert (swept.returncode, swept.stderr) == (0, "")
        assert len(texts(post)) == 1


@pytest.mark.slow
def test_on_postgresql_a_second_agent_does_not_start_and_a_sweep_only_looks(tmp_path: Path) -> None:
    server = Cluster()
    try:
        with rehearsal(2) as going:
            going.set_level("hl-01", BLACK, 0.08)
            with running(tmp_path, going, alarms=RULES, store=server.database()) as agent:
                # Another one with printers of its own would close the alarms of the first, and be closed in turn.
                settings = yaml.safe_load(agent.settings.read_text())
                other = tmp_path / "other.yaml"
                only = {"printers": settings["printers"][1:], "listen": {"address": f"127.0.0.1:{free_port()}"}}
                other.write_text(yaml.safe_dump({**settings, **only}))
                second = lowmark("run", "--settings", str(other))
                assert second.returncode == 2
                assert agent.process is not None
                said = " ".join(second.stderr.split())
                assert f":{agent.process.pid}) runs on the history postgresql" in said
                assert "give this one a store of its own" in said
                swept = lowmark("sweep", "--settings", str(other))
                assert "this sweep only reads and shows" in " ".join(swept.stderr.split())
                assert agent.stop() == 0
            with Store.open(settings["store"]) as store:
                closed = [one for one in store.ledger() if one.kind == "alarmClosed"]
            assert closed == []
            assert lowmark("sweep", "--settings", str(other)).stderr == "", "the history is free again"
    finally:
        server.remove()
