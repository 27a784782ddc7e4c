"""The promise as a whole, with the real programs around: a supply falls below its threshold, and everybody who has to
know it knows it once, although the agent is killed again and again.

Prometheus and Alertmanager are Debian's, the mail server is a real one, the printers answer real SNMP; all on loopback.
"""

from __future__ import annotations

import json
import re
import subprocess
import time
import urllib.request
from collections import Counter
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml

from tests.needs import debian
from tests.notify.servers import Post, smtp
from tests.notify.test_alertmanager import Alertmanager
from tests.whole.agent import Running, free_port, lowmark, rehearsal, wait
from tests.whole.test_service import mail_channel

DEPLOYED = Path(__file__).parents[2] / "deploy" / "prometheus"
INTERVAL = 5.0
"""Seconds from one sweep to the next: polling.status of ``tests.whole.agent``."""
RULES = [
    {"name": "low", "when": "supplyBelow", "below": "15%", "deadband": "3%", "kinds": ["toner", "tonerCartridge"]},
]
WREN, ROBIN = "wren@harrow-lane.example", "robin@harrow-lane.example"
BLACK = "toner:black"


class Prometheus:
    """Debian's, with the rules that are deployed, at a pace of seconds instead of minutes."""

    def __init__(self, folder: Path, agent: int, alertmanager: int) -> None:
        self.port, self.log = free_port(), folder / "log"
        config = {
            "global": {"scrape_interval": "1s", "scrape_timeout": "1s", "evaluation_interval": "1s"},
            "rule_files": ["recording.yml", "alerting.yml"],
            "alerting": {"alertmanagers": [{"static_configs": [{"targets": [f"127.0.0.1:{alertmanager}"]}]}]},
            "scrape_configs": [{"job_name": "lowmark", "static_configs": [{"targets": [f"127.0.0.1:{agent}"]}]}],
        }
        (folder / "prometheus.yml").write_text(yaml.safe_dump(config))
        for name in ("recording.yml", "alerting.yml"):
            text = (DEPLOYED / name).read_text()
            text = re.sub(r"(?m)^(\s+)(for|keep_firing_for): .*$", r"\1\2: 1s", text)
            (folder / name).write_text(re.sub(r"interval: 1m", "interval: 1s", text))
        command = [
            debian("prometheus", "prometheus"), f"--config.file={folder / 'prometheus.yml'}",
            f"--storage.tsdb.path={folder / 'data'}", f"--web.listen-address=127.0.0.1:{self.port}",
        ]  # fmt: skip
        with self.log.open("w") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    def rows(self, query: str) -> list[dict[str, Any]]:
        try:
            url = f"http://127.0.0.1:{self.port}/api/v1/query?query={urllib.request.quote(query)}"
            with urllib.request.urlopen(url, timeout=5) as answer:
                return list(json.loads(answer.read())["data"]["result"])
        except OSError:
            return []

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(30)


class Office:
    """What people got by mail about one printer."""

    def __init__(self, post: Post, printer: str) -> None:
        self._post, self._printer = post, printer

    @property
    def mails(self) -> list[tuple[str, EmailMessage]]:
        """Each mail that somebody got, with who it was."""
        found = [(message_from_bytes(one.content, policy=policy.default), one.rcpt_tos) for one in self._post.envelopes]
        return [(who, mail) for mail, to in found for who in to if self._printer in mail["Subject"]]

    def told(self, start: str) -> bool:
        """Whether both have been told something that begins so."""
        return {who for who, mail in self.mails if mail["Subject"].strip().startswith(start)} == {WREN, ROBIN}

    def link(self, who: str) -> str:
        """The link in the first mail to somebody."""
        mail = next(mail for receiver, mail in self.mails if receiver == who)
        (link,) = re.findall(r"http://127\.0\.0\.1:\d+/acknowledge/\S+", mail.get_body(("plain",)).get_content())
        return link


def firing(manager: Alertmanager, printer: str) -> set[str]:
    """Who says in Alertmanager that this printer's toner is low: Lowmark itself, and Prometheus by its own rule."""
    return {
        "lowmark" if "alarm" in one["labels"] else "prometheus"
        for one in manager.firing()
        if one["labels"].get("printer") == printer or one["annotations"].get("printer") == printer
    }


def standing(agent: Running) -> dict[str, Any]:
    told = lowmark("alarms", "--all", "--json", "--store", agent.url)
    return {one["key"]: one for one in json.loads(told.stdout)["alarms"] if one["key"].endswith(f"|{BLACK}")}


def kill(agent: Running) -> None:
    """Kill it when it has marked what it sent: between a receiver's word and the mark a message may go out twice."""

    def nothing_waits() -> bool:
        told = lowmark("alarms", "outbox", "--json", "--store", agent.url)
        return not json.loads(told.stdout)["waiting"]

    wait(nothing_waits, 20, agent.log.read_text)
    agent.kill()


def kill_and_start(agent: Running) -> None:
    kill(agent)
    agent.start()
    agent.ready()


@pytest.mark.slow
def test_everybody_is_told_once_in_time_and_acknowledges_by_the_link_whatever_happens_to_the_agent(
    tmp_path: Path,
) -> None:
    post, manager = Post(), Alertmanager(tmp_path)
    office = Office(post, "hl-01")
    (tmp_path / "prometheus").mkdir()
    with rehearsal(2) as going, smtp(post) as mail:
        going.set_level("hl-01", BLACK, 0.6)
        agent = Running(tmp_path, going)
        channels = [
            {**mail_channel(mail), "to": [WREN, ROBIN]},
            {"name": "duty", "kind": "alertmanager", "url": manager.url},
        ]
        listen = {"address": f"127.0.0.1:{agent.port}", "public_url": f"http://127.0.0.1:{agent.port}"}
        agent.write({**agent.more, "listen": listen, "alarms": RULES, "channels": channels})
        manager.start()
        prometheus = Prometheus(tmp_path / "prometheus", agent.port, manager.port)
        agent.start()
        try:
            agent.ready()
            wait(lambda: agent.remaining("hl-01", BLACK) == pytest.approx(0.6, abs=0.02), 15, agent.log.read_text)

            # It falls below its threshold: told within one fast interval and three seconds, without a notification.
            going.set_level("hl-01", BLACK, 0.08)
            began = time.monotonic()
            wait(lambda: office.told("[medium] hl-01: black toner"), INTERVAL + 3, agent.log.read_text)
            assert time.monotonic() - began <= INTERVAL + 3
            wait(lambda: firing(manager, "hl-01") == {"lowmark", "prometheus"}, 30, manager.firing)
            kill_and_start(agent)

            # Acknowledged by the link of one of the two mails; following it alone changes nothing.
            link = office.link(WREN)
            with httpx.Client(trust_env=False, timeout=10) as browser:
                page = browser.get(link).text
                assert next(iter(standing(agent).values()))["state"] == "unacknowledged"
                field = re.search(r'name="csrf" value="([^"]+)"', page)
                assert field is not None, page
                assert f"acknowledged by {WREN}" in browser.post(link, data={"csrf": field[1]}).text
                assert f"acknowledged by {WREN}" in browser.get(office.link(ROBIN)).text
            kill_and_start(agent)
            wait(lambda: len(agent.logged("swept")) >= 1, 15)
            (record,) = standing(agent).values()
            assert (record["state"], record["acknowledged_by"]) == ("acknowledged", WREN)
            entries = json.loads(
                lowmark("ledger", "--kind", "alarmAcknowledged", "--json", "--store", agent.url).stdout
            )
            assert [one["who"] for one in entries["entries"]] == [WREN]

            # The swap, with the agent killed before it can have seen it; resolved everywhere.
            kill(agent)
            going.swap("hl-01", BLACK)
            agent.start()
            agent.ready()
            wait(lambda: office.told("[medium] Back to normal: hl-01"), INTERVAL + 10, agent.log.read_text)
            wait(lambda: firing(manager, "hl-01") == set(), 40, manager.firing)
            kill_and_start(agent)
            swept = len(agent.logged("swept"))
            wait(lambda: len(agent.logged("swept")) >= swept + 2, 20, agent.log.read_text)

            # Every message exactly once.
            numbers = Counter((who, mail["Message-ID"]) for who, mail in office.mails)
            assert set(numbers.values()) == {1}
            assert Counter(who for who, _ in office.mails) == {WREN: 2, ROBIN: 2}
            counts = json.loads(lowmark("alarms", "outbox", "--json", "--store", agent.url).stdout)["counts"]
            assert (counts["waiting"], counts["dead"]) == (0, 0)
            assert counts["sent"] == 4, "raised and returned, to the desk and to Alertmanager"
            assert agent.stop() == 0
        finally:
            if agent.process is not None:
                agent.kill()
            prometheus.stop()
            manager.stop()
        assert going.sets == 0, "nothing was ever set in a printer"
