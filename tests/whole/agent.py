"""The agent as a process of its own, reading simulated printers over real SNMP on loopback."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import yaml

from agent.rehearsal.clock import SimClock
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.rehearsal.paper import write_settings
from agent.rehearsal.serve import Rehearsal

LOWMARK = [sys.executable, "-m", "agent"]
PATIENCE = 3.0


def free_port(kind: int = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@contextmanager
def rehearsal(size: int = 6, speed: float = 1.0) -> Iterator[Rehearsal]:
    now = datetime.now(UTC)
    addresses = own_addresses(size, free_port(socket.SOCK_DGRAM))
    fleet = Fleet(seed=5, size=size, start=now - timedelta(days=7), addresses=addresses)
    with Rehearsal(fleet, SimClock(lambda: datetime.now(UTC), now, speed)) as going:
        yield going


class Running:
    """One agent process in one folder, with its settings."""

    def __init__(self, folder: Path, going: Rehearsal, **more: object) -> None:
        self.folder = folder
        self.settings = folder / "lowmark.yaml"
        self.port = free_port()
        self.url = f"sqlite:///{folder / 'history.sqlite'}"
        write_settings(going.fleet, self.settings, store=self.url)
        self.more = {
            "listen": {"address": f"127.0.0.1:{self.port}"},
            "polling": {"status": "5s", "timeout": "1s", "retries": 1, "deadline": "3s"},
            **more,
        }
        self.base = yaml.safe_load(self.settings.read_text())
        self.write(self.more)
        self.process: subprocess.Popen[str] | None = None
        self.log = folder / "log.jsonl"

    def write(self, more: dict[str, object]) -> None:
        self.settings.write_text(yaml.safe_dump({**self.base, **more}, sort_keys=False))

    def start(self, **environ: str) -> None:
        with self.log.open("a") as log:
            self.process = subprocess.Popen(
                [*LOWMARK, "run", "--settings", str(self.settings), "--log-form", "json"],
                stderr=log, stdout=log, text=True, env={**os.environ, **environ},
            )  # fmt: skip

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def stop(self) -> int:
        if self.process is None:
            return 0
        self.process.terminate()
        code = self.process.wait(30)
        self.process = None
        return code

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(30)
        self.process = None

    def get(self, path: str) -> tuple[int, str]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as answer:
            return answer.code, answer.read().decode()
        except OSError:
            return 0, ""

    def metric(self, start: str) -> float | None:
        """The value of the first series that begins so."""
        for line in self.get("/metrics")[1].splitlines():
            if line.startswith(start):
                return float(line.rsplit(" ", 1)[1])
        return None

    def remaining(self, printer: str, supply: str) -> float | None:
        """What the metrics say is left of a supply."""
        for line in self.get("/metrics")[1].splitlines():
            name = line.partition("{")[0]
            if name == "lowmark_supply_remaining_ratio" and f'"{printer}"' in line and f'"{supply}"' in line:
                return float(line.rsplit(" ", 1)[1])
        return None

    def logged(self, event: str) -> list[dict[str, object]]:
        lines = self.log.read_text().splitlines() if self.log.exists() else []
        found = [json.loads(line) for line in lines if line.startswith("{")]
        return [line for line in found if line.get("event") == event]

    def ready(self) -> None:
        wait(lambda: self.get("/readyz")[0] == 200, 30, self.log.read_text)


@contextmanager
def running(folder: Path, going: Rehearsal, **more: object) -> Iterator[Running]:
    one = Running(folder, going, **more)
    one.start()
    try:
        one.ready()
        yield one
    finally:
        if one.process is not None:
            one.process.kill()
            one.process.wait(30)


def wait(until: Callable[[], object], seconds: float, why: Callable[[], object] = lambda: "") -> None:
    """Look again and again until it is so, ``seconds`` at most.

    Less than ten seconds is a promise of the program's and stands. More is only patience, and gets more of it: other
    tests go on beside, and not every machine is quick.
    """
    seconds = seconds * PATIENCE if seconds >= 10 else seconds
    end = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < end, f"not so after {seconds} s: {why()}"
        time.sleep(0.1)


def lowmark(*words: str, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [*LOWMARK, *words], capture_output=True, text=True, timeout=180, env={**os.environ, "COLUMNS": "120", **environ}
    )
