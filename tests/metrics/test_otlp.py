"""What is sent to an OpenTelemetry collector is what the page shows, whoever the printers are and however many."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families as parse_text

from agent.app.telemetry import Telemetry
from agent.metrics import Exporter, ExportFailed, Metrics, catalogue
from agent.metrics.otlp import AT_ONCE
from agent.model.health import Snapshot, Vitals
from agent.settings import SettingsErrors, load, notices
from tests.metrics.collector import Collector, points
from tests.metrics.fleet import HOSTILE, NOW, snapshot, supply, view


def exporter(state: Snapshot, url: str, headers: Mapping[str, str] | None = None) -> Exporter:
    return Exporter(lambda: state, url, headers or {}, "lane-1", rest=lambda: None)


def shown(state: Snapshot) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """Every line of the page."""
    page, _ = Metrics(lambda: state).render()
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in parse_text(page.decode())
        for sample in family.samples
    }


def test_the_collector_gets_just_what_the_page_shows() -> None:
    state = snapshot(view(7), view(8, "Hall", reachable=False), view(9, "Hall", supplies=(supply("toner:cyan", 3),)))
    with Collector() as there:
        sent = exporter(state, there.url).send(NOW)
    assert points(there.received) == shown(state)
    assert {one.path for one in there.received} == {"/v1/metrics"}
    lines = len(shown(state))
    classes = len([1 for name, _ in shown(state) if name.startswith("lowmark_sweep_duration_seconds")])
    assert sent == lines - classes + 1, "a histogram is one point"


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_what_a_printer_says_is_bounded_there_too(text: str) -> None:
    state = snapshot(view(7, text))
    with Collector() as there:
        exporter(state, there.url).send(NOW)
    assert points(there.received) == shown(state)


def test_a_large_fleet_goes_in_several_requests() -> None:
    state = snapshot(*(view(number, f"hl-{number}") for number in range(1, 2 * AT_ONCE + 2)))
    with Collector() as there:
        exporter(state, there.url).send(NOW)
    assert len(there.received) == 1 + 3
    assert points(there.received) == shown(state)


def test_kinds_units_and_times_are_those_of_the_data_model() -> None:
    """OpenTelemetry metrics data model: Sum (monotonic, cumulative), Gauge, Histogram; units after UCUM."""
    with Collector() as there:
        exporter(snapshot(view(7)), there.url).send(NOW)
    metrics = [metric for one in there.received for metric in one.request.resource_metrics[0].scope_metrics[0].metrics]
    by_name = {metric.name: metric for metric in metrics}
    kinds = {"gauge": "gauge", "info": "gauge", "counter": "sum", "histogram": "histogram"}
    described = {one.name: one for one in catalogue()}
    for name, metric in by_name.items():
        assert metric.WhichOneof("data") == kinds[described[name].kind], name
        assert metric.description == described[name].help
    assert by_name["lowmark_printer_impressions_total"].sum.is_monotonic
    assert by_name["lowmark_printer_impressions_total"].sum.aggregation_temporality == 2  # CUMULATIVE
    assert by_name["lowmark_supply_remaining_ratio"].unit == "1"
    assert by_name["lowmark_printer_uptime_seconds"].unit == "s"
    at = int(NOW.timestamp()) * 10**9
    assert {point.time_unix_nano for point in by_name["lowmark_printers"].gauge.data_points} == {at}
    durations = by_name["lowmark_sweep_duration_seconds"].histogram.data_points[0]
    assert (durations.count, sum(durations.bucket_counts)) == (3, 3)
    assert durations.start_time_unix_nano == at
    names = there.received[0].request.resource_metrics[0].resource.attributes
    assert {pair.key: pair.value.string_value for pair in names}.items() >= {
        "service.name": "lowmark",
        "service.version": "0.1.0",
        "host.name": "lane-1",
    }.items()


def test_headers_are_sent_and_never_shown() -> None:
    with Collector() as there:
        one = exporter(snapshot(), there.url, {"Authorization": "Bearer s3cret", "X-Tenant": "lane"})
        one.send(NOW)
        there.status = 403
        with pytest.raises(ExportFailed) as refusal:
            one.send(NOW)
    assert there.received[0].headers["authorization"] == "Bearer s3cret"
    assert there.received[0].headers["x-tenant"] == "lane"
    assert "s3cret" not in f"{refusal.value!r} {one!r}"


class Log:
    """Keeps what was said."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def _say(self, text: str, **more: object) -> None:
        self.said.append(f"{text} {more or ''}".strip())

    info = warning = _say


def telemetry(tmp_path: Path, url: str, state: Callable[[], Snapshot]) -> tuple[Telemetry, list[str], Log]:
    file = tmp_path / "lowmark.yaml"
    file.write_text(f"metrics:\n  otlp: {{endpoint: '{url}', every: 5s}}\n")
    counted: list[str] = []
    log = Log()
    made = Telemetry(state, counted.append, lambda: NOW, log)
    made.start(load(file).metrics.otlp)
    return made, counted, log


def closed_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


@pytest.mark.slow
def test_a_collector_that_is_away_is_counted_and_holds_nothing_up(tmp_path: Path) -> None:
    state = snapshot(view(7))
    port = closed_port()
    made, counted, log = telemetry(tmp_path, f"http://127.0.0.1:{port}/v1/metrics", lambda: state)

    async def tries() -> float:
        """Twice in vain, then with a collector; the longest that the loop was held up meanwhile."""
        late = 0.0
        for _ in range(2):
            sending = asyncio.ensure_future(made.send())
            while not sending.done():
                began = time.perf_counter()
                await asyncio.sleep(0.01)
                late = max(late, time.perf_counter() - began)
            await sending
        with Collector(port) as there:
            await made.send()
        assert points(there.received) == shown(state)
        return late

    assert asyncio.run(tries()) < 1.0
    assert counted == ["failed", "failed", "sent"]
    assert [text.split(" {")[0] for text in log.said] == ["metrics could not be sent", "metrics are sent again"]


def test_the_end_of_the_agent_does_not_wait_for_a_collector_that_is_away(tmp_path: Path) -> None:
    made, counted, _ = telemetry(tmp_path, f"http://127.0.0.1:{closed_port()}/v1/metrics", snapshot)
    threading.Timer(0.5, made.end).start()
    began = time.perf_counter()
    asyncio.run(made.send())
    assert time.perf_counter() - began < 5
    assert counted == []


def test_the_page_counts_the_rounds_where_they_are_wished_for() -> None:
    assert not [name for name, _ in shown(Snapshot()) if "telemetry" in name]
    state = Snapshot({}, replace(Vitals(), exports={"sent": 3, "failed": 1}))
    found = {labels: value for (name, labels), value in shown(state).items() if "telemetry" in name}
    assert found == {frozenset({("outcome", "sent")}): 3, frozenset({("outcome", "failed")}): 1}


# --- settings --------------------------------------------------------------------------------------------------------


def wrong(tmp_path: Path, text: str) -> str:
    file = tmp_path / "lowmark.yaml"
    file.write_text(text)
    with pytest.raises(SettingsErrors) as refusal:
        load(file)
    return str(refusal.value)


def test_a_key_is_a_secret_and_not_written_down(tmp_path: Path) -> None:
    said = wrong(tmp_path, "metrics:\n  otlp: {endpoint: http://127.0.0.1:1/, headers: {Authorization: Basic abc}}\n")
    assert "a secret for the header Authorization" in said
    assert "Basic" not in said
    file = tmp_path / "lowmark.yaml"
    file.write_text(
        "metrics:\n  otlp: {endpoint: http://127.0.0.1:1/, headers: {Authorization: {env: NO_SUCH_LM}, X-T: lane}}\n"
    )
    settings = load(file)
    assert any(text.startswith("metrics.otlp.headers.Authorization") for text in notices(settings))


def test_wrong_settings_are_explained(tmp_path: Path) -> None:
    assert "names of headers" in wrong(
        tmp_path, "metrics:\n  otlp: {endpoint: http://127.0.0.1:1/, headers: {'a b': x}}\n"
    )
    assert "did you mean every" in wrong(tmp_path, "metrics:\n  otlp: {endpoint: http://127.0.0.1:1/, evry: 5s}\n")
    assert "5s to 1h" in wrong(tmp_path, "metrics:\n  otlp: {endpoint: http://127.0.0.1:1/, every: 1s}\n")


def test_without_the_libraries_the_settings_say_what_to_install(tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    file.write_text("metrics:\n  otlp: {endpoint: http://127.0.0.1:4318/v1/metrics}\n")
    check = f"""
import sys
sys.modules["opentelemetry"] = None  # as if it were not there: importing it raises ModuleNotFoundError
from agent.cli import main
sys.argv = ["lowmark", "settings", "check", {str(file)!r}]
main()
"""
    done = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True)
    assert done.returncode == 2, done.stderr
    assert "pip install 'lowmark[otlp]'" in " ".join((done.stdout + done.stderr).split())


def test_nothing_of_the_libraries_is_loaded_where_nobody_asks_for_it() -> None:
    # fastapi looks for the bare interface by itself; what sends anything is the kit and its exporters.
    look = (
        "import sys, agent.app.service, agent.metrics; sends = ('opentelemetry.sdk', 'opentelemetry.exporter'); "
        "print([name for name in sys.modules if name.startswith(sends)])"
    )
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
