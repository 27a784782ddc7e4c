"""What the agent keeps of one printer more: on the wire, decoded, judged, for the store and for the metrics page.

And what it keeps of its run-outs, lives, uses and upkeep, where there is much behind it.
"""

from __future__ import annotations

import asyncio
import gc
import time
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

from agent.app.letters import Letters
from agent.app.recorder import Recorder
from agent.metrics import Metrics
from agent.model.health import Snapshot
from agent.model.wire import Peer
from agent.snmp.reader import Reader
from agent.snmp.wire import Limits, open_engine
from agent.store import Store
from agent.sweep.fleet import Fleet
from agent.sweep.run import Sweep
from agent.sweep.station import Station, Stop
from tests.bench.insight import NOW, history
from tests.bench.kept import Told, foresight
from tests.bench.simulated import Simulated

FEW, MORE = 100, 200
MOST_OCTETS = 14_500
"""A printer, settings and file descriptors left out. It is bytes of Python objects; the process takes some more."""

KEPT = 12
MOST_KEPT = 14_000
"""What was reckoned of a colour printer with 400 days and some forty lives, caches that all share among it. It took
43,000 octets before it was packed; now it takes 7,000 where many printers share the caches."""


async def taken(simulated: Simulated, store: Store) -> float:
    """Octets that each printer took, of those that came after the first ``FEW``, whose sweeps filled all caches."""
    clock = lambda: datetime.now(UTC)  # noqa: E731
    recorder = Recorder(store, Letters(store), clock=clock)
    reader = Reader(open_engine(None), Limits(in_flight=64))
    sweep = Sweep(reader, recorder, Fleet(), clock=clock, timer=time.monotonic, rate=1_000_000)
    metrics = Metrics(lambda: Snapshot(dict(sweep.fleet.views)))
    peers = [Peer(place.host, place.port, simulated.credentials) for place in simulated.addresses]
    stations = [Station(Stop(peer, f"hl-{number:05}")) for number, peer in enumerate(peers)]

    async def sweeps(several: list[Station]) -> None:
        sweep.watch(several)
        for _ in range(3):
            simulated.change(0.1)
            report = await sweep.run()
            assert report.answered == len(several)
            assert recorder.flush()
            metrics.prepare()
        await asyncio.sleep(0.5)  # what the last sweep leaves behind ends by itself
        gc.collect()

    await sweeps(stations[:FEW])
    tracemalloc.start()
    try:
        await sweeps(stations)
        octets, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert metrics.render()[0].count(b"\n") > 30 * (FEW + MORE)
    await reader.close()
    return octets / MORE


def test_a_printer_more_takes_few_kilobytes(tmp_path: Path) -> None:
    with (
        Simulated(FEW + MORE, port=11_660) as simulated,
        Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}") as store,
    ):
        assert asyncio.run(taken(simulated, store)) < MOST_OCTETS


def test_what_is_kept_of_forty_lives_takes_few_kilobytes() -> None:
    told = Told([history(number) for number in range(3)])
    few, more = told.views(3, NOW), told.views(3 + KEPT, NOW)
    kept = foresight(told)
    kept.learn(NOW, few)  # its first printers bring what all have in common
    gc.collect()
    tracemalloc.start()
    try:
        kept.learn(NOW, more)
        gc.collect()
        octets, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(kept.insights) == len(more)
    assert sum(len(insight.lives) for insight in kept.insights.values()) > 35 * len(more)
    assert octets / KEPT < MOST_KEPT
