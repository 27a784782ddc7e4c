"""The main job end to end: printers over SNMP, history, metrics, alarms, mail; and what may go wrong with it."""

from __future__ import annotations

import json
import signal
import socket
import sqlite3
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy

import pytest

from agent.model.hands import FIT, Handwork
from agent.rehearsal.hands import Hands
from agent.store import Store
from tests.notify.servers import Post, smtp
from tests.whole.agent import Running, lowmark, rehearsal, running, wait

RULES = [
    {"name": "low", "when": "supplyBelow", "below": "15%", "deadband": "3%", "kinds": ["toner", "tonerCartridge"]},
    {"name": "unwell", "when": "agentUnwell", "severity": "high"},
    {"name": "not-proven", "when": "serviceUnproven", "severity": "high"},
]
PROVE_WITHIN = 6.0
"""Seconds: a little more than from one sweep to the next."""


def mail_channel(port: int) -> dict[str, object]:
    return {
        "name": "desk",
        "kind": "mail",
        "host": "127.0.0.1",
        "port": port,
        "security": "none",
        "from": "lowmark@harrow-lane.example",
        "to": ["desk@harrow-lane.example"],
    }


def texts(post: Post) -> list[str]:
    mails = [message_from_bytes(one.content, policy=policy.default) for one in post.envelopes]
    return [f"{mail['Subject']}\n{mail.get_body(('plain',)).get_content()}" for mail in mails]


@pytest.mark.slow
def test_low_toner_is_read_measured_and_mailed_and_its_end_too(tmp_path):
    post = Post()
    with rehearsal() as going, smtp(post) as port:
        going.set_level("hl-01", "toner:black", 0.6)
        with running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)]) as agent:
            wait(lambda: agent.remaining("hl-01", "toner:black") == pytest.approx(0.6, abs=0.02), 15)
            going.set_level("hl-01", "toner:black", 0.08)
            wait(lambda: any("hl-01" in text for text in texts(post)), 15, agent.log.read_text)
            (text,) = [text for text in texts(post) if "hl-01" in text]
            assert "8 %" in text
            assert "Returns desk" in text
            assert "black" in text
            assert "vacuum" in text
            assert agent.remaining("hl-01", "toner:black") == pytest.approx(0.08, abs=0.02)
            going.swap("hl-01", "toner:black")
            wait(lambda: len([text for text in texts(post) if "hl-01" in text]) == 2, 15)
            # The swap is a ledger entry by then: it was seen in the sweep that first showed the new level.
            wait(lambda: agent.logged("swap seen"), 10)
            assert agent.stop() == 0
        assert going.sets == 0
        entries = json.loads(lowmark("ledger", "--kind", "swapSeen", "--json", "--store", agent.url).stdout)["entries"]
        assert [(one["printer"], one["subject"]) for one in entries] == [("hl-01", "toner:black")]
        listed = lowmark("alarms", "--json", "--all", "--store", agent.url)
        assert listed.returncode == 0, listed.stderr
        assert json.loads(listed.stdout)["format"] == "lowmark.alarms.v1"


@pytest.mark.slow
def test_a_service_that_the_printer_does_not_show_is_mailed_when_its_time_is_over_and_its_proof_too(tmp_path):
    post, servicing = Post(), {"prove_within": f"{PROVE_WITHIN:.0f}s"}

    def told() -> list[str]:
        return [text for text in texts(post) if "not proven" in text]

    def alarm() -> dict[str, object]:
        listed = json.loads(lowmark("alarms", "--json", "--all", "--store", agent.url).stdout)["alarms"]
        (found,) = [one for one in listed if one["rule"] == "not-proven"]
        return found

    with rehearsal(2) as going, smtp(post) as port:
        going.set_level("hl-02", "toner:black", 0.3)
        more = {"alarms": RULES, "channels": [mail_channel(port)], "servicing": servicing}
        with running(tmp_path, going, **more) as agent, Store.open(agent.url) as store:
            wait(lambda: agent.remaining("hl-02", "toner:black") == pytest.approx(0.3, abs=0.02), 15)
            logged = datetime.now(UTC)
            said = lowmark("service", "hl-02", "--did", "toner:black", "--who", "Night desk", "--store", agent.url)
            assert said.returncode == 0, said.stderr
            wait(lambda: agent.logged("asked after a service"), 15, agent.log.read_text)
            assert not told(), "the printer has its time"

            # Nobody was at the printer: the time passes.
            wait(told, PROVE_WITHIN + 20, agent.log.read_text)
            assert datetime.now(UTC) - logged >= timedelta(seconds=PROVE_WITHIN)
            (text,) = told()
            assert text.startswith("[high] hl-02: black toner of Night desk is not proven")
            assert alarm()["state"] == "unacknowledged"
            (service,) = store.ledger(kinds={"service"})
            (missed,) = store.ledger(kinds={"serviceUnproven"})
            assert missed.data["service"] == service.id

            # Now it is really done.
            Hands(going)("hl-02", Handwork(FIT, "toner:black"))
            wait(lambda: len(told()) == 2, 30, agent.log.read_text)
            assert told()[1].startswith("[high] Back to normal: hl-02")
            assert alarm()["state"] == "returnedUnacknowledged"
            (proven,) = store.ledger(kinds={"serviceProven"})
            assert proven.data["service"] == service.id
            assert agent.stop() == 0
        assert going.sets == 0


@pytest.mark.slow
def test_bad_settings_leave_the_old_ones_running_and_say_where(tmp_path):
    with rehearsal() as going, running(tmp_path, going) as agent:
        good = agent.settings.read_text()
        agent.settings.write_text(good + "\npoling: {status: 5s}\n")
        agent.signal(signal.SIGHUP)
        wait(lambda: agent.logged("settings refused, the old ones stay in force"), 10)
        (refused,) = agent.logged("settings refused, the old ones stay in force")
        assert "poling" in refused["problem"]
        assert f"lowmark.yaml:{len(good.splitlines()) + 2}:" in refused["problem"]
        assert "polling" in refused["problem"]
        assert agent.get("/readyz")[0] == 200
        assert agent.metric("lowmark_settings_loads_total") or agent.metric("lowmark_settings")
        agent.write({**agent.more, "polling": {**agent.more["polling"], "status": "6s"}})
        agent.signal(signal.SIGHUP)
        wait(lambda: agent.logged("settings taken up"), 10)
        assert agent.stop() == 0


@pytest.mark.slow
def test_a_locked_store_holds_up_no_reading_and_is_told_while_it_lasts(tmp_path):
    post = Post()
    with rehearsal() as going, smtp(post) as port:
        with running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)]) as agent:
            lock = sqlite3.connect(tmp_path / "history.sqlite", isolation_level=None)
            lock.execute("BEGIN EXCLUSIVE")
            going.set_level("hl-02", "toner:cyan", 0.5)
            wait(lambda: agent.metric("lowmark_store_failing") == 1, 40, agent.log.read_text)
            assert agent.metric("lowmark_buffer_readings") > 0
            assert agent.get("/readyz")[0] == 503
            swept = len(agent.logged("swept"))
            wait(lambda: len(agent.logged("swept")) >= swept + 1, 20)
            # The store cannot be written, and so its outbox cannot either: the message comes all the same.
            wait(lambda: any("store" in text.lower() for text in texts(post)), 40, agent.log.read_text)
            lock.execute("ROLLBACK")
            lock.close()
            wait(lambda: agent.metric("lowmark_store_failing") == 0, 60, agent.log.read_text)
            wait(lambda: agent.metric("lowmark_buffer_readings") == 0, 10)
            told = [text for text in texts(post) if "store" in text.lower()]
            assert agent.stop() == 0
        with Store.open(agent.url, create=False) as store:
            printer = store.find_printer("hl-02")
            (track,) = [one for one in store.history(printer.id).supplies if one.key == "toner:cyan"]
            assert any(point.level == track.points[-1].capacity * 0.5 for point in track.points)
        assert len(told) == len({text.splitlines()[0] for text in told})


@pytest.mark.slow
def test_killed_again_and_again_the_agent_loses_nothing_it_has_written(tmp_path):
    with rehearsal() as going:
        agent = Running(tmp_path, going)
        written: dict[str, int] = {}
        for _ in range(6):
            going.print_pages("hl-01", 5)
            agent.start()
            wait(lambda: agent.get("/readyz")[0] == 200, 30, agent.log.read_text)
            with Store.open(agent.url, create=False) as store:
                for printer_id, reading in store.latest().items():
                    written[f"{printer_id}"] = max(one.value for one in reading.counters)
            agent.kill()
            with Store.open(agent.url, create=False) as store:
                now = {f"{one}": max(c.value for c in r.counters) for one, r in store.latest().items()}
                assert all(now[printer] >= count for printer, count in written.items())
                kinds = [entry.kind for entry in store.ledger()]
                assert kinds.count("new") == len(store.printers())
        assert sqlite3.connect(tmp_path / "history.sqlite").execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.slow
def test_the_service_manager_is_told_and_its_watchdog_fed(tmp_path):
    # The protocol of sd_notify(3): datagrams of KEY=VALUE lines.
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, rehearsal(2) as going:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        agent = Running(tmp_path, going)
        agent.start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="1500000")
        said = []
        while not any("READY=1" in one for one in said):
            said.append(manager.recv(4096).decode())
        while sum("WATCHDOG=1" in one for one in said) < 3:
            said.append(manager.recv(4096).decode())
        agent.signal(signal.SIGTERM)
        while not any("STOPPING=1" in one for one in said):
            said.append(manager.recv(4096).decode())
        assert agent.process.wait(20) == 0


def test_run_without_settings_says_how_to_make_some(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = lowmark("run")
    assert done.returncode == 2
    assert "lowmark survey" in done.stderr
    assert "lowmark settings example" in done.stderr


@pytest.mark.slow
def test_one_sweep_by_hand_is_recorded_and_shown(tmp_path):
    with rehearsal(4) as going:
        agent = Running(tmp_path, going)
        done = lowmark("sweep", "--settings", str(agent.settings))
        assert done.returncode == 0, done.stderr
        assert "hl-01" in done.stdout
        done = lowmark("sweep", "--settings", str(agent.settings), "--json")
        told = json.loads(done.stdout)
        assert told["format"] == "lowmark.sweep.v1"
        assert {one["printer"] for one in told["printers"]} == {worn.who.name for worn in going.fleet.printers}
        assert going.sets == 0
