"""``lowmark demo``: the first thing that a stranger runs."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import urllib.request
from pathlib import Path

import pytest

from tests.whole.agent import LOWMARK, free_port, wait


@pytest.mark.slow
def test_demo_shows_the_fleet_says_where_to_look_and_cleans_up(tmp_path):
    out = tmp_path / "out"
    with out.open("w") as file:
        demo = subprocess.Popen(
            [*LOWMARK, "demo", "--printers", "8", "--days", "20", "--port", str(free_port(socket.SOCK_DGRAM))],
            stdout=file, stderr=subprocess.STDOUT,
        )  # fmt: skip
    try:
        wait(lambda: "What happens now" in out.read_text(), 90, out.read_text)
        text = out.read_text()
        for name in ("hl-01", "Harrow Lane", "Mill Yard", "8 of 8 printers read over SNMP"):
            assert name in text
        (metrics,) = re.findall(r"Metrics +(http://\S+)", text)
        with urllib.request.urlopen(metrics, timeout=10) as answer:
            assert b'lowmark_printer_reachable{printer="hl-01"' in answer.read()
        (pages,) = re.findall(r"Pages +(http://\S+)", text)
        with urllib.request.urlopen(pages, timeout=60) as answer:
            assert b"<h1>Round</h1>" in answer.read()
        with urllib.request.urlopen(f"{pages.rstrip('/')}/printers", timeout=60) as answer:
            assert b"hl-01" in answer.read()
        (store,) = re.findall(r"LOWMARK_STORE=sqlite:///(\S+)", text)
        assert Path(store).exists()
        wait(lambda: "alarm    " in out.read_text(), 60, out.read_text)
        demo.send_signal(signal.SIGINT)
        assert demo.wait(40) == 0
        assert not Path(store).parent.exists()
        assert "0 of them SET" in out.read_text()
        assert "Traceback" not in out.read_text()
    finally:
        demo.kill()
        demo.wait(10)
