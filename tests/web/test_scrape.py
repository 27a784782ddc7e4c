"""A real Prometheus (Debian package) scrapes the agent on loopback and answers questions about what it found."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import httpx

from agent.metrics import Metrics
from agent.model.health import Health
from agent.web import Server, build_app
from tests.metrics.fleet import HOSTILE, snapshot, view
from tests.needs import debian

CONFIG = """\
global: {{scrape_interval: 1s, scrape_timeout: 1s}}
scrape_configs:
  - job_name: lowmark
    static_configs: [{{targets: ['127.0.0.1:{port}']}}]
"""


def free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_prometheus_scrapes_it_and_can_be_asked(tmp_path: Path) -> None:
    asked: list[str | None] = []
    metrics = Metrics(lambda: snapshot(view(7), view(8, "Bindery", reachable=False), view(9, HOSTILE[0])))

    def render(accept: str | None) -> tuple[bytes, str]:
        asked.append(accept)
        return metrics.render(accept)

    with Server(build_app(render, lambda: Health(True, True, True, 0.1))) as server:
        config = tmp_path / "prometheus.yml"
        config.write_text(CONFIG.format(port=server.port))
        port = free_port()
        program = debian("prometheus", "prometheus")
        command = [program, f"--config.file={config}", f"--storage.tsdb.path={tmp_path / 'data'}"]
        command += [f"--web.listen-address=127.0.0.1:{port}", "--log.level=error"]
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", trust_env=False, timeout=5) as client:
                found = wait_for(client, 'up{job="lowmark"} == 1')
                assert found, running.poll()
                assert ask(client, 'lowmark_supply_remaining_ratio{printer_id="7",supply="toner:black"}') == [0.25]
                assert ask(client, "count(lowmark_printer_reachable)") == [3]
                assert ask(client, "lowmark_printer_reachable == 0") == [0]
                assert ask(client, 'lowmark_supply_remaining_ratio{supply="toner:cyan"}') == []
                assert ask(client, "histogram_quantile(0.5, lowmark_sweep_duration_seconds_bucket)") != []
                targets = client.get("/api/v1/targets").json()["data"]["activeTargets"]
                assert [(target["health"], target["lastError"]) for target in targets] == [("up", "")]
                kinds = client.get("/api/v1/metadata").json()["data"]
                assert kinds["lowmark_supply_remaining_ratio"][0]["type"] == "gauge"
                assert kinds["lowmark_supply_remaining_ratio"][0]["help"].startswith("Share of a supply")
        finally:
            running.terminate()
            running.communicate(timeout=15)
    assert asked
    assert "application/openmetrics-text" in (asked[0] or "")


def ask(client: httpx.Client, query: str) -> list[float]:
    answer = client.get("/api/v1/query", params={"query": query})
    answer.raise_for_status()
    return [float(row["value"][1]) for row in answer.json()["data"]["result"]]


def wait_for(client: httpx.Client, query: str, limit: float = 20.0) -> list[float]:
    end = time.monotonic() + limit
    while time.monotonic() < end:
        try:
            found = ask(client, query)
        except httpx.HTTPError:
            found = []
        if found:
            return found
        time.sleep(0.2)
    return []
