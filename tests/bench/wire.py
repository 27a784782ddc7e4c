"""Reading printers: our reader with either engine, and two peers, all against the same simulated printers.

sysUpTime moves in every answer, and before every round a tenth of the printers print. Our reader recognises octets that
have not moved since the last answer; nobody else does.
"""

from __future__ import annotations

import asyncio
import resource
import statistics
import subprocess
import time
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from agent.app.loop import run as run_loop
from agent.mib.decode import decode_again
from agent.mib.parts import Memory
from agent.model.wire import Peer
from agent.snmp.reader import Reader
from agent.snmp.wire import Limits, open_engine
from tests.bench.simulated import Simulated, template

PRINTING = 0.1
"""The share of the printers whose life count and level move between two rounds."""
PDU = 30
"""Cells a GET, in every way of reading."""


@dataclass(frozen=True)
class Measured:
    """``printers_per_second`` is the median of ``rounds``; ``cpu_ms``: CPU time of the asking process a printer."""

    way: str
    printers_per_second: float
    cpu_ms: float | None
    rounds: tuple[float, ...]
    cells: int = 0


def _cpu() -> float:
    own = resource.getrusage(resource.RUSAGE_SELF)
    return own.ru_utime + own.ru_stime


def _median(way: str, printers: int, rounds: list[tuple[float, float]], cells: int = 0) -> Measured:
    rates = tuple(printers / seconds for seconds, _ in rounds)
    cpu = statistics.median(spent for _, spent in rounds) / printers * 1000
    return Measured(way, statistics.median(rates), cpu, rates, cells)


async def _timed(
    simulated: Simulated, again: Callable[[], Coroutine[Any, Any, object]], rounds: int
) -> list[tuple[float, float]]:
    made = []
    for _ in range(rounds):
        simulated.change(PRINTING)
        cpu, began = _cpu(), time.perf_counter()
        await again()
        made.append((time.perf_counter() - began, _cpu() - cpu))
    return made


def our_reader(simulated: Simulated, engine: str, rounds: int, way: str) -> Measured:
    """Full reads of every cell, decoded, after the tables have been learnt."""
    peers = [
        Peer(place.host, place.port, simulated.credentials, timeout=2.0, retries=2, deadline=20.0)
        for place in simulated.addresses
    ]

    async def go() -> Measured:
        reader = Reader(open_engine(engine), Limits(in_flight=50 if engine == "pysnmp" else 128))
        cells = 0
        memories: dict[str, Memory | None] = {}

        async def one(peer: Peer) -> None:
            nonlocal cells
            answers = await reader.read(peer, full=True)
            place = peer.address
            reading, memories[place] = decode_again(
                answers.cells, memories.get(place), at=answers.at, address=place, device_index=answers.devices[0]
            )
            assert len(reading.supplies) == 5
            cells = len(answers.cells)

        async def sweep() -> None:
            queue = iter(peers)

            async def work() -> None:
                for peer in queue:
                    await one(peer)

            await asyncio.gather(*(work() for _ in range(256)))

        await sweep()  # learns
        await sweep()
        measured = await _timed(simulated, sweep, rounds)
        await reader.close()
        return _median(way, len(peers), measured, cells)

    return run_loop(go())


def asked_cells() -> list[str]:
    """The cells that the peers ask for: the very ones that our reader asks for, 80 of them."""
    from agent.mib import plan

    return list(plan.keep(template()))


def gufo_alone(simulated: Simulated, rounds: int) -> Measured:
    """gufo-snmp by itself: kept sessions, the known cells in GETs, nothing learnt, checked or decoded.

    What it can do on the machine at hand is the ceiling for whatever is built on it.
    """
    from gufo.snmp.aio import SnmpSession

    cells = asked_cells()
    pdus = [cells[at : at + PDU] for at in range(0, len(cells), PDU)]

    async def go() -> Measured:
        sessions = [SnmpSession(place.host, place.port, timeout=5.0) for place in simulated.addresses]

        async def sweep() -> None:
            queue = iter(sessions)

            async def work() -> None:
                for session in queue:
                    for pdu in pdus:
                        assert len(await session.get_many(pdu)) == len(pdu)

            await asyncio.gather(*(work() for _ in range(128)))

        await sweep()
        return _median("gufo-snmp alone", len(sessions), await _timed(simulated, sweep, rounds), len(cells))

    return run_loop(go())


def pysnmp_tuned(simulated: Simulated, rounds: int) -> Measured:
    """pysnmp's v1arch with OIDs prepared beforehand and MIB lookups off: its quickest way. Values are not decoded."""
    from pysnmp.hlapi.v1arch.asyncio import CommunityData, SnmpDispatcher, UdpTransportTarget, get_cmd
    from pysnmp.proto.rfc1902 import ObjectName
    from pysnmp.proto.rfc1905 import unSpecified

    cells = asked_cells()
    names = [(ObjectName(oid), unSpecified) for oid in cells]
    pdus = [names[at : at + PDU] for at in range(0, len(names), PDU)]

    async def go() -> Measured:
        dispatcher = SnmpDispatcher()
        community = CommunityData("public", mpModel=1)
        targets = [
            await UdpTransportTarget.create((place.host, place.port), timeout=2, retries=2)
            for place in simulated.addresses
        ]

        async def one(target: object) -> None:
            for pdu in pdus:
                error, status, _, rows = await get_cmd(dispatcher, community, target, *pdu, lookupMib=False)
                assert not error, error
                assert not status
                assert len(rows) == len(pdu)

        async def sweep() -> None:
            queue = iter(targets)

            async def work() -> None:
                for target in queue:
                    await one(target)

            await asyncio.gather(*(work() for _ in range(50)))

        await sweep()
        measured = await _timed(simulated, sweep, rounds)
        dispatcher.transport_dispatcher.close_dispatcher()
        return _median("pysnmp v1arch, prepared", len(targets), measured, len(cells))

    return run_loop(go())


def snmpget_processes(simulated: Simulated, rounds: int, program: str) -> Measured:
    """One ``snmpget`` process a PDU, 16 at a time, on both cores."""
    cells = asked_cells()
    pdus = [cells[at : at + PDU] for at in range(0, len(cells), PDU)]
    ask = [program, "-v2c", "-c", "public", "-m", "", "-On", "-t", "2", "-r", "2"]

    def one(place: object) -> None:
        for pdu in pdus:
            subprocess.run([*ask, str(place), *pdu], check=True, stdout=subprocess.DEVNULL)

    made = []
    with ThreadPoolExecutor(16) as pool:
        for _ in range(rounds):
            simulated.change(PRINTING)
            began = time.perf_counter()
            list(pool.map(one, simulated.addresses))
            made.append(time.perf_counter() - began)
    rates = tuple(len(simulated.addresses) / seconds for seconds in made)
    return Measured("snmpget, one process a PDU", statistics.median(rates), None, rates, len(cells))
