"""A scrape of a large fleet over HTTP, as Prometheus does it: seconds, memory, and what it costs the agent's loop.

The agent's side runs in a process of its own, so that its memory is its own, and the caller in another one, so that
it shares no interpreter with it. Prints one JSON object.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from agent.app.loop import run as run_loop
from agent.metrics import Metrics
from agent.mib.decode import decode
from agent.model.fleet import Place, Printer, PrinterView
from agent.model.health import Health, Snapshot
from agent.model.wire import Value
from agent.rehearsal import face
from agent.web import Server, build_app
from tests.bench.simulated import template

ROOT = Path(__file__).parents[2]
START = datetime(2026, 3, 2, 9, tzinfo=UTC)
INTERVAL = timedelta(seconds=60)
CHANGED = 0.10
"""The share of printers that have printed between two sweeps."""
_LIFE, _LEVEL = f"{face.PRT}.10.2.1.4.1.1", f"{face.PRT}.11.1.1.9.1."
_UPTIME = "1.3.6.1.2.1.1.3.0"

ASK = """
import http.client, sys, time
began = time.perf_counter()
caller = http.client.HTTPConnection("127.0.0.1", int(sys.argv[1]), timeout=60)
caller.request("GET", "/metrics", headers={"Accept": sys.argv[2], "Accept-Encoding": sys.argv[3]})
answer = caller.getresponse()
first, size = None, 0
while piece := answer.read(1 << 18):
    size += len(piece)
print(time.perf_counter() - began, size, answer.status)
"""
OPENMETRICS = "application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.3,*/*;q=0.1"


def resident(what: str = "VmRSS") -> float:
    """Megabytes of memory in use (VmRSS), or the most that ever was (VmHWM)."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(what):
            return int(line.split()[1]) / 1024
    return 0.0


class Printers:
    """A fleet whose printers are swept: readings are decoded of cells, so rows are shared as the agent shares them."""

    def __init__(self, count: int) -> None:
        self._rng = random.Random(7)
        self._at = START
        self._cells = template()
        self._worn: dict[int, dict[str, Value]] = {}
        self.views: dict[int, PrinterView] = {}
        for number in range(1, count + 1):
            self._wear(number)
            self.views[number] = PrinterView(_who(number), None, True, START)
        self.sweep()

    def sweep(self) -> None:
        """Read all of them, some of which have printed."""
        self._at += INTERVAL
        for number, view in self.views.items():
            if view.reading is not None and self._rng.random() < CHANGED:
                self._wear(number)
            cells = {**self._cells, **self._worn[number], _UPTIME: int((self._at - START).total_seconds() * 100)}
            reading = decode(cells, at=self._at, address=view.printer.address, device_index=1)
            self.views[number] = replace(view, reading=reading)

    def _wear(self, number: int) -> None:
        worn = {f"{_LEVEL}{place}": self._rng.randrange(100, 8_000) for place in ("1.1", "1.2", "1.3", "1.4")}
        self._worn[number] = {**worn, _LIFE: self._rng.randrange(10_000, 900_000)}


def _who(number: int) -> Printer:
    address = f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}"
    place = Place(f"Branch {number % 40}", "Main house", f"Floor {number % 4}", f"Room {number % 300}")
    mac = f"02:4c:00:{number >> 16:02x}:{number >> 8 & 255:02x}:{number & 255:02x}"
    return Printer(number, f"hl-{number:05}", address, 1, f"QC{number:08}", mac, "Quillon C200", place)


async def ask(port: int, encoding: str) -> tuple[float, int, list[float]]:
    """One scrape by another process: its seconds and octets, and how late the loop here woke meanwhile (seconds)."""
    asking = await asyncio.create_subprocess_exec(
        sys.executable, "-c", ASK, str(port), OPENMETRICS, encoding, stdout=subprocess.PIPE
    )
    told = asyncio.ensure_future(asking.communicate())
    late = []
    while not told.done():
        began = time.perf_counter()
        await asyncio.sleep(0.002)
        late.append(time.perf_counter() - began - 0.002)
    seconds, size, status = (await told)[0].split()
    if status != b"200":
        raise RuntimeError(f"status {status.decode()}")
    return float(seconds), int(size), late


async def measured(printers: int, rounds: int) -> dict[str, float]:
    fleet = Printers(printers)
    before = resident()
    metrics = Metrics(lambda: Snapshot(dict(fleet.views)))

    async def sweep() -> None:
        fleet.sweep()
        await asyncio.to_thread(metrics.prepare)  # as the agent does after each sweep

    with Server(build_app(metrics.stream, Health)) as server:
        spent = time.process_time()
        metrics.prepare()
        prepare_cpu = time.process_time() - spent
        spent = time.process_time()
        first, _, _ = await ask(server.port, "gzip")
        first_cpu = time.process_time() - spent
        fleet.sweep()
        unprepared, _, _ = await ask(server.port, "gzip")
        again, cpu, late, plain = [], [], [], []
        for _ in range(rounds):
            await sweep()
            spent = time.process_time()
            seconds, size, waits = await ask(server.port, "gzip")
            cpu.append(time.process_time() - spent)
            again.append(seconds)
            late += waits
        for _ in range(rounds):
            await sweep()
            seconds, whole, _ = await ask(server.port, "identity")
            plain.append(seconds)
        same, _, _ = await ask(server.port, "gzip")
    return {
        "printers": printers,
        "first_prepare_cpu_seconds": prepare_cpu,
        "first_seconds": first,
        "first_cpu_seconds": first_cpu,
        "unprepared_seconds": unprepared,
        "later_seconds": statistics.median(again),
        "later_cpu_seconds": statistics.median(cpu),
        "later_plain_seconds": statistics.median(plain),
        "unchanged_seconds": same,
        "page_mb": whole / 1e6,
        "gzip_mb": size / 1e6,
        "loop_late_median_ms": statistics.median(late) * 1000,
        "loop_late_99_ms": statistics.quantiles(late, n=100)[98] * 1000,
        "without_mb": before,
        "memory_mb": resident("VmHWM"),
    }


def measure(short: bool = False) -> dict[str, float]:
    """Measure in a process of its own."""
    more = ["--printers", "200", "--rounds", "2"] if short else []
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.scrape", *more], cwd=ROOT, check=True, capture_output=True, text=True
    )
    told: dict[str, float] = json.loads(done.stdout)
    return told


def figures(found: dict[str, float]) -> Iterator[tuple[str, str]]:
    """What was measured, as rows for people."""
    yield "first scrape", f"{found['first_seconds']:.2f} s, {found['first_cpu_seconds']:.2f} s of processor time"
    yield "later scrapes", f"{found['later_seconds']:.2f} s, {found['later_cpu_seconds']:.2f} s of processor time"
    yield "page", f"{found['page_mb']:.1f} MB, {found['gzip_mb']:.1f} MB on the wire"
    yield "the loop wakes late meanwhile, 99 of 100 times less than", f"{found['loop_late_99_ms']:.1f} ms"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    json.dump(run_loop(measured(given.printers, given.rounds)), sys.stdout)


if __name__ == "__main__":
    main()
