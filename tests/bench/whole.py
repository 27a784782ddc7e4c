"""A whole sweep: read, decode, think, judge, record to SQLite. A process of its own, so that its memory is its own.

Prints one JSON object.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import resource
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from agent.app.letters import Letters
from agent.app.loop import run as run_loop
from agent.app.recorder import Recorder
from agent.model.wire import Peer
from agent.settings.shape import USUAL_ALARMS
from agent.snmp.reader import Reader
from agent.snmp.wire import Limits, open_engine
from agent.store import Store
from agent.sweep.fleet import Fleet
from agent.sweep.run import Sweep
from agent.sweep.station import Station, Stop
from tests.bench.simulated import Simulated

DEADLINE = 3.0


def resident() -> float:
    """Megabytes of memory in use now (VmRSS)."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def cpu() -> float:
    own = resource.getrusage(resource.RUSAGE_SELF)
    return own.ru_utime + own.ru_stime


async def measure(simulated: Simulated, store: Store, rounds: int, steady: int) -> dict[str, object]:
    letters = Letters(store)
    recorder = Recorder(store, letters, clock=lambda: datetime.now(UTC))
    recorder.start()
    reader = Reader(open_engine(None), Limits(in_flight=128))
    sweep = Sweep(
        reader, recorder, Fleet(), clock=lambda: datetime.now(UTC), timer=time.monotonic,
        rules=[alarm.rule(()) for alarm in USUAL_ALARMS], rate=1_000_000,
    )  # fmt: skip
    stops = [
        Stop(Peer(place.host, place.port, simulated.credentials, timeout=1.0, retries=1, deadline=DEADLINE))
        for place in simulated.addresses
    ]
    sweep.watch([Station(stop) for stop in stops])

    async def once() -> tuple[float, float]:
        began, spent = time.perf_counter(), cpu()
        await sweep.run()
        while recorder.depth:
            await asyncio.sleep(0.002)
        return time.perf_counter() - began, cpu() - spent

    first = await once()
    await once()
    walls, cpus = [], []
    for _ in range(rounds):
        simulated.change(0.03)
        wall, spent = await once()
        walls.append(wall)
        cpus.append(spent)
    gc.collect()
    before = resident()
    for _ in range(steady):
        simulated.change(0.03)
        await once()
    gc.collect()
    after = resident()
    count = len(stops)
    deaths, absences = [], []
    for _ in range(3):
        simulated.dead(0.10)
        deaths.append((await once())[0])  # the sweep that finds them silent
        absences.append((await once())[0])  # and every later one
        simulated.dead(0)
        await once()
    dead, absent = statistics.median(deaths), statistics.median(absences)
    recorder.stop()
    await reader.close()
    return {
        "printers": count,
        "first_contact_seconds": first[0],
        "sweep_seconds": statistics.median(walls),
        "sweep_cpu_seconds": statistics.median(cpus),
        "printers_per_second": count / statistics.median(walls),
        "printers_per_cpu_second": count / statistics.median(cpus),
        "with_dead_seconds": dead,
        "death_adds_seconds": dead - statistics.median(walls),
        "dead_add_seconds": absent - statistics.median(walls),
        "deadline_seconds": DEADLINE,
        "memory_mb": after,
        "growth_mb": after - before,
        "sweeps_for_growth": steady,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=2_000)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--steady", type=int, default=50)
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        Simulated(given.printers) as simulated,
        Store.open(f"sqlite:///{folder}/history.sqlite") as store,
    ):
        found = run_loop(measure(simulated, store, given.rounds, given.steady))
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
