"""The bench runs. In its short form its figures mean nothing, so none is looked at."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.needs import debian


@pytest.mark.slow
def test_the_short_bench_runs_and_writes_its_figures(tmp_path):
    debian("snmp", "snmpget")
    file = tmp_path / "bench.json"
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "--short", "--json", str(file)],
        cwd=Path(__file__).parents[2], capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(file.read_text())
    assert told["format"] == "lowmark.bench.v1"
    assert all(one["printers_per_second"] > 0 for one in told["reading"])
    assert told["sweep"]["printers"] == 60
