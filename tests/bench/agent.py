"""The whole agent as ``lowmark run`` starts it, over many simulated printers: memory, sweeps, and scrapes under way.

The agent is a process of its own, seen from outside: its log tells of the sweeps, /proc of its memory. Prints one JSON
object.
"""

from __future__ import annotations

import argparse
import http.client
import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from agent.store import Store
from tests.bench.scrape import OPENMETRICS, ROOT
from tests.bench.simulated import Simulated
from tests.whole.agent import free_port

PATIENCE = 600.0


class Agent:
    """The process, and what its log said of sweeps."""

    def __init__(self, process: subprocess.Popen[str], port: int) -> None:
        self.process, self.port = process, port
        self.swept: list[dict[str, Any]] = []
        self.said: list[str] = []
        self._heard = threading.Condition()
        self._ended = False
        self._reader = threading.Thread(target=self._listen, daemon=True)
        self._reader.start()

    def _listen(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line)
            told = json.loads(line) if line.startswith("{") else {}
            with self._heard:
                if told.get("event") == "swept":
                    self.swept.append(told)
                self._heard.notify_all()
        with self._heard:
            self._ended = True
            self._heard.notify_all()

    def after(self, sweeps: int) -> dict[str, Any]:
        """Wait until so many sweeps have ended; gives the last. Raises RuntimeError."""
        with self._heard:
            self._heard.wait_for(lambda: self._ended or len(self.swept) >= sweeps, PATIENCE)
            if len(self.swept) < sweeps:
                raise RuntimeError("".join(self.said[-5:]))
            return self.swept[sweeps - 1]

    def memory(self, what: str = "VmRSS") -> float:
        """Megabytes."""
        for line in Path(f"/proc/{self.process.pid}/status").read_text().splitlines():
            if line.startswith(what):
                return int(line.split()[1]) / 1024
        return 0.0

    def scrape(self) -> tuple[float, int]:
        """Seconds and octets."""
        began, size = time.perf_counter(), 0
        caller = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        caller.request("GET", "/metrics", headers={"Accept": OPENMETRICS, "Accept-Encoding": "gzip"})
        answer = caller.getresponse()
        while piece := answer.read(1 << 18):
            size += len(piece)
        caller.close()
        if answer.status != 200:
            raise RuntimeError(f"status {answer.status}")
        return time.perf_counter() - began, size


@contextmanager
def agent(simulated: Simulated, folder: Path, every: int) -> Iterator[Agent]:
    """The agent, started with a settings file over these printers."""
    port = free_port()
    lines = [
        f"store: sqlite:///{folder}/history.sqlite",
        f"listen: {{address: '127.0.0.1:{port}'}}",
        f"polling: {{status: {every}s, rate: 100000, in_flight: 128}}",
        "printers:",
        *(
            f"  - {{address: '{place.host}:{place.port}', name: hl-{number:05}, room: R{number % 300}}}"
            for number, place in enumerate(simulated.addresses)
        ),
    ]
    file = folder / "lowmark.yaml"
    file.write_text("\n".join(lines) + "\n")
    command = [sys.executable, "-m", "agent", "run", "--settings", str(file), "--log-form", "json"]
    process = subprocess.Popen(
        command, cwd=ROOT, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL, text=True
    )
    try:
        yield Agent(process, port)
    finally:
        process.terminate()
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


def measured(printers: int, every: int, sweeps: int) -> dict[str, float]:
    """Learn, sweep, scrape between sweeps and during them."""
    with tempfile.TemporaryDirectory() as name, Simulated(printers, port=11_640) as simulated:
        folder = Path(name)
        # As after any restart: an agent that makes the tables itself keeps a library of 10 MB until the next one.
        Store.open(f"sqlite:///{folder}/history.sqlite").close()
        with agent(simulated, folder, every) as one:
            first = one.after(1)
            learnt = one.memory()
            seconds, quiet = [], []
            for turn in range(2, sweeps + 2):
                simulated.change(0.05)
                seconds.append(float(one.after(turn)["seconds"]))
                quiet.append(one.scrape()[0])
            during, swept = [], []
            for _ in range(sweeps):
                done = len(one.swept)
                while (
                    len(one.swept) == done and one.process.poll() is None
                ):  # scraped again and again, so that some scrapes meet the sweep
                    took, size = one.scrape()
                    during.append(took)
                    time.sleep(0.2)
                swept.append(float(one.swept[done]["seconds"]))
            answered = one.swept[-1]["answered"]
            found = {
                "printers": printers,
                "answered": answered,
                "first_contact_seconds": float(first["seconds"]),
                "sweep_seconds": statistics.median(seconds),
                "scraped_sweep_seconds": statistics.median(swept),
                "scrape_seconds": statistics.median(quiet),
                "scrape_while_sweeping_seconds": max(during),
                "gzip_mb": size / 1e6,
                "learnt_memory_mb": learnt,
                "memory_mb": one.memory(),
                "peak_memory_mb": one.memory("VmHWM"),
            }
        found["history_kb_per_printer"] = sum(
            file.stat().st_size for file in folder.glob("history.sqlite*")
        ) / printers / 1e3  # fmt: skip
    return found


def measure(short: bool = False) -> dict[str, float]:
    """Measure in a process of its own."""
    more = ["--printers", "60", "--every", "5", "--sweeps", "1"] if short else []
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.agent", *more], cwd=ROOT, check=True, capture_output=True, text=True
    )
    told: dict[str, float] = json.loads(done.stdout)
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=10_000)
    parser.add_argument("--every", type=int, default=30, help="seconds from sweep to sweep")
    parser.add_argument("--sweeps", type=int, default=2)
    given = parser.parse_args()
    json.dump(measured(given.printers, given.every, given.sweeps), sys.stdout)


if __name__ == "__main__":
    main()
