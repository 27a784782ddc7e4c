"""Prometheus itself with the files that are deployed, scraping the agent, which reads simulated printers."""

from __future__ import annotations

import json
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.deploy.places import DEPLOY, read
from tests.needs import debian, missing
from tests.whole.agent import Running, free_port, rehearsal, wait

pytestmark = pytest.mark.slow
DASHBOARDS = sorted((DEPLOY / "grafana" / "dashboards").glob("*.json"))


class Prometheus:
    """The real one, in a folder of its own, with the deployed rules at a quicker pace."""

    def __init__(self, folder: Path, agent_port: int) -> None:
        self.port = free_port()
        self.folder = folder
        config = read(DEPLOY / "prometheus" / "prometheus.yml")
        config["global"] = {"scrape_interval": "1s", "scrape_timeout": "1s", "evaluation_interval": "1s"}
        del config["alerting"]
        config["scrape_configs"] = [job for job in config["scrape_configs"] if job["job_name"] == "lowmark"]
        config["scrape_configs"][0]["static_configs"] = [{"targets": [f"127.0.0.1:{agent_port}"]}]
        (folder / "prometheus.yml").write_text(yaml.safe_dump(config))
        for name in config["rule_files"]:
            text = (DEPLOY / "prometheus" / name).read_text()
            (folder / name).write_text(text.replace("interval: 1m", "interval: 1s"))
        command = [
            debian("prometheus", "prometheus"), f"--config.file={folder / 'prometheus.yml'}",
            f"--storage.tsdb.path={folder / 'data'}", f"--web.listen-address=127.0.0.1:{self.port}",
        ]  # fmt: skip
        self.log = folder / "prometheus.log"
        with self.log.open("w") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    def get(self, path: str, **asked: str) -> Any:
        url = f"http://127.0.0.1:{self.port}/api/v1/{path}?{urllib.parse.urlencode(asked)}"
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                return json.loads(answer.read())["data"]
        except urllib.error.HTTPError as error:
            raise AssertionError(f"{asked}: {error.read().decode()}") from None
        except OSError:
            return None

    def rows(self, query: str) -> list[dict[str, Any]]:
        found = self.get("query", query=query)
        return found["result"] if found else []

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(30)


@pytest.fixture(scope="module")
def prometheus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Prometheus]:
    debian("prometheus", "prometheus")
    with rehearsal(10) as going:
        agent = Running(tmp_path_factory.mktemp("agent"), going)
        agent.start()
        made = Prometheus(tmp_path_factory.mktemp("prometheus"), agent.port)
        try:
            agent.ready()
            names = [worn.who.name for worn in going.fleet.printers]
            going.unplug(names[0])
            going.jam(names[1], hours=100)
            wait(lambda: made.rows("lowmark_printer_reachable == 0"), 30, made.log.read_text)
            wait(lambda: made.rows('lowmark_printer_alerts{severity="critical"} > 0'), 30, made.log.read_text)
            wait(lambda: made.rows("instance:lowmark_sweep_duration_seconds:p95_1h >= 0"), 30, made.log.read_text)
            yield made
        finally:
            made.stop()
            agent.stop()


def queries() -> list[tuple[str, str]]:
    """Each query of the dashboards, with the values that Grafana would put in for its variables."""
    found = []
    for file in DASHBOARDS:
        for panel in json.loads(file.read_text())["panels"]:
            for target in panel.get("targets", ()):
                text = target["expr"].replace("$__rate_interval", "1m")
                found.append((panel["title"], text.replace("$site", ".*").replace("$printer", ".*")))
    return found


@pytest.mark.parametrize(("title", "query"), queries())
def test_each_query_of_the_dashboards_finds_something(prometheus: Prometheus, title: str, query: str):
    assert "$" not in query
    end = time.monotonic() + 15
    while not (found := prometheus.rows(query)) and time.monotonic() < end:
        time.sleep(0.5)
    assert found, f"{title}: {query}"
    assert all(row["value"][1] != "NaN" for row in found), f"{title}: {query}"


def test_every_rule_is_evaluated_without_fault(prometheus: Prometheus):
    groups = prometheus.get("rules")["groups"]
    rules = [rule for group in groups for rule in group["rules"]]
    assert len(rules) > 20
    assert {rule["name"]: rule.get("lastError") for rule in rules if rule["health"] != "ok"} == {}


def test_every_recorded_figure_is_there(prometheus: Prometheus):
    recorded = [rule["record"] for group in read(DEPLOY / "prometheus" / "recording.yml")["groups"]
                for rule in group["rules"]]  # fmt: skip
    empty = {name for name in recorded if not prometheus.rows(name)}
    assert empty == set()


def test_the_alerts_on_their_way_are_those_of_the_fleet(prometheus: Prometheus):
    """Nobody waits half an hour here: pending is enough."""

    def names() -> set[str]:
        return {one["labels"]["alertname"] for one in prometheus.get("alerts")["alerts"]}

    wait(lambda: {"PrinterSilent", "PrinterStopped"} <= names(), 15, names)
    wait(lambda: not {name for name in names() if name.startswith("Lowmark")}, 15, names)


@pytest.mark.parametrize("file", DASHBOARDS, ids=lambda file: file.name)
def test_grafanas_own_types_hold_all_that_a_dashboard_says(file: Path):
    """grafana-foundation-sdk is generated from Grafana's schemas; what they do not know is lost on the way through."""
    try:
        from grafana_foundation_sdk.cog.encoder import JSONEncoder
        from grafana_foundation_sdk.models.dashboard import Dashboard
    except ImportError:
        missing("needs the Python package grafana-foundation-sdk")
    ours = json.loads(file.read_text())

    def through(given: object) -> Any:
        return json.loads(JSONEncoder(sort_keys=True).encode(Dashboard.from_json(given)))

    assert list(lost(ours, through(ours))) == []
    odd = {**ours, "panels": [{**ours["panels"][0], "nonsense": 1}]}
    assert list(lost(odd, through(odd))) == [".panels[0].nonsense"], "the check can fail"
    places = [panel["gridPos"] for panel in ours["panels"]]
    assert all(place["x"] + place["w"] <= 24 for place in places)
    assert len({panel["id"] for panel in ours["panels"]}) == len(places)


def lost(ours: Any, theirs: Any, at: str = "") -> Iterator[str]:
    """The places in ``ours`` that ``theirs`` does not have, or has otherwise."""
    if isinstance(ours, dict):
        for key, value in ours.items():
            if not isinstance(theirs, dict) or key not in theirs:
                yield f"{at}.{key}"
            else:
                yield from lost(value, theirs[key], f"{at}.{key}")
    elif isinstance(ours, list):
        if not isinstance(theirs, list) or len(ours) != len(theirs):
            yield at
        else:
            for number, (mine, other) in enumerate(zip(ours, theirs, strict=True)):
                yield from lost(mine, other, f"{at}[{number}]")
    elif ours != theirs:
        yield at


def test_what_is_provisioned_points_to_what_is_there():
    source = read(DEPLOY / "grafana" / "provisioning" / "datasources" / "prometheus.yml")["datasources"][0]
    for file in DASHBOARDS:
        asked = {
            panel["datasource"]["uid"] for panel in json.loads(file.read_text())["panels"] if "datasource" in panel
        }
        assert asked == {source["uid"]}
    compose = read(DEPLOY.parent / "docker-compose.yml")["services"]
    assert source["url"] == "http://prometheus:9090"
    assert "prometheus" in compose
    folder = read(DEPLOY / "grafana" / "provisioning" / "dashboards" / "lowmark.yml")["providers"][0]["options"]["path"]
    assert f"./deploy/grafana/dashboards:{folder}:ro" in compose["grafana"]["volumes"]
