"""``lowmark sweep`` beside a running agent on one history, as processes of their own: nothing is told twice."""

from __future__ import annotations

import json
import sqlite3
import subprocess
from pathlib import Path

import pytest

from agent.store import Store
from tests.notify.servers import Post, smtp
from tests.whole.agent import LOWMARK, Running, lowmark, rehearsal, running, wait
from tests.whole.test_service import RULES, mail_channel, texts

BLACK = "toner:black"


def everything(agent: Running) -> dict[str, list[tuple[object, ...]]]:
    """Every row of the history."""
    with sqlite3.connect(f"file:{agent.url.partition(':///')[2]}?mode=ro", uri=True) as base:
        names = [name for (name,) in base.execute("select name from sqlite_master where type = 'table'")]
        return {name: sorted(map(repr, base.execute(f'select * from "{name}"'))) for name in sorted(names)}


@pytest.mark.slow
def test_a_sweep_beside_an_agent_reads_and_shows_and_leaves_the_history_and_people_alone(tmp_path: Path) -> None:
    post = Post()
    with rehearsal(2) as going, smtp(post) as port:
        going.set_level("hl-01", BLACK, 0.6)
        polling = {"status": "1h", "timeout": "1s", "retries": 1, "deadline": "3s"}
        with running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)], polling=polling) as agent:
            wait(lambda: agent.remaining("hl-01", BLACK) == pytest.approx(0.6, abs=0.02), 15)
            going.set_level("hl-01", BLACK, 0.08)
            before = everything(agent)
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
