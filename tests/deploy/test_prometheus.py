"""Prometheus' and Alertmanager's own programs judge the files that they are given."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from agent.metrics.catalogue import catalogue
from agent.model.alarm import SEVERITIES
from tests.deploy.places import DEPLOY, read
from tests.needs import debian

FOLDER = DEPLOY / "prometheus"
ROUTES = DEPLOY / "alertmanager" / "alertmanager.yml"


def promtool(*words: str) -> subprocess.CompletedProcess[str]:
    command = [debian("prometheus", "promtool"), *words]
    return subprocess.run(command, capture_output=True, text=True, cwd=FOLDER, timeout=180)


def amtool(*words: str) -> subprocess.CompletedProcess[str]:
    command = [debian("prometheus-alertmanager", "amtool"), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=180)


def rules() -> list[dict[str, Any]]:
    files = (FOLDER / "recording.yml", FOLDER / "alerting.yml")
    return [rule for file in files for group in read(file)["groups"] for rule in group["rules"]]


def alerts() -> list[dict[str, Any]]:
    return [rule for rule in rules() if "alert" in rule]


def test_prometheus_takes_its_configuration():
    done = promtool("check", "config", "prometheus.yml")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 rule files found" in done.stdout


@pytest.mark.parametrize("name", ["rules_test.yml", "rules_day_test.yml"])
def test_the_rules_do_what_their_tests_say(name: str):
    done = promtool("test", "rules", name)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_rules_tests_can_fail(tmp_path: Path):
    for name in ("recording.yml", "alerting.yml", "rules_test.yml"):
        text = (FOLDER / name).read_text().replace("< 0.15", "< 0.05")
        (tmp_path / name).write_text(text)
    done = subprocess.run(
        [debian("prometheus", "promtool"), "test", "rules", str(tmp_path / "rules_test.yml")],
        capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    assert done.returncode != 0
    assert "SupplyLow" in done.stdout + done.stderr


def test_each_alert_is_tested_firing_and_at_rest():
    tested: dict[str, set[bool]] = {}
    for test in read(FOLDER / "rules_test.yml")["tests"]:
        for one in test.get("alert_rule_test", ()):
            tested.setdefault(one["alertname"], set()).add(bool(one["exp_alerts"]))
    untested = {rule["alert"] for rule in alerts() if True not in tested.get(rule["alert"], ())}
    assert untested == set()
    assert {name for name, seen in tested.items() if seen != {True, False}} <= {"ReceptacleNearlyFull"}


def test_rules_ask_for_metrics_that_there_are():
    known = {metric.name for metric in catalogue()}
    known |= {f"{metric.name}_{part}" for metric in catalogue() if metric.kind == "histogram"
              for part in ("bucket", "sum", "count")}  # fmt: skip
    for rule in rules():
        for name in re.findall(r"(?<![\w:])lowmark_\w+", rule["expr"]):
            assert name in known, f"{name} in {rule.get('alert') or rule['record']}"


def test_each_alert_says_how_grave_it_is_what_follows_and_what_to_do():
    names = [rule["alert"] for rule in alerts()]
    assert len(names) == len(set(names))
    for rule in alerts():
        assert rule["labels"]["severity"] in SEVERITIES, rule["alert"]
        assert rule["labels"]["about"] in ("agent", "printer"), rule["alert"]
        assert rule["annotations"].keys() == {"summary", "description", "action"}, rule["alert"]


def test_alertmanager_takes_its_configuration():
    done = amtool("check-config", str(ROUTES))
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("labels", "receiver"),
    [
        ("about=agent severity=urgent alertname=LowmarkGone", "desk"),
        ("about=agent severity=low alertname=LowmarkSweepSlow", "desk"),
        ("about=printer severity=high alertname=SupplyEmpty", "nobody"),
        ("alertname=Watching", "desk"),
    ],
)
def test_alerts_go_where_they_should(labels: str, receiver: str):
    done = amtool(
        "config", "routes", "test", f"--config.file={ROUTES}", f"--verify.receivers={receiver}", *labels.split()
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_what_inhibits_and_what_is_inhibited_are_alerts_that_there_are():
    names = {rule["alert"] for rule in alerts()}
    for rule in read(ROUTES)["inhibit_rules"]:
        for matcher in (*rule["source_matchers"], *rule["target_matchers"]):
            label, sign, value = re.fullmatch(r'(\w+)(=~?)"(.*)"', matcher).groups()  # type: ignore[union-attr]
            for one in value.split("|") if label == "alertname" else ():
                assert any(re.fullmatch(one, name) if sign == "=~" else one == name for name in names), one
