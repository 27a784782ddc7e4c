"""The quick simulated side answers just what the rehearsal's agent would, only sooner."""

from __future__ import annotations

import asyncio
import socket

import pytest

from agent.mib.decode import decode
from agent.model.reading import Reading
from agent.model.wire import Peer, Silent
from agent.rehearsal import face
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.bench.simulated import Simulated, drive, template
from tests.rehearsal.running import tool


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        trial.bind(("127.77.0.1", 0))
        return int(trial.getsockname()[1])


def read(simulated: Simulated, *numbers: int, times: int = 1) -> list[Reading]:
    """Some of the printers, read over the network and decoded; the last of several readings of each."""

    async def ask() -> list[Reading]:
        engine = open_engine()
        reader, made = Reader(engine), []
        try:
            for number in numbers:
                place = simulated.addresses[number]
                peer = Peer(place.host, place.port, simulated.credentials, timeout=0.5, retries=1, deadline=4)
                for _ in range(times):
                    answers = await reader.read(peer, full=True)
                made.append(decode(answers.cells, at=answers.at, address=str(place), device_index=1))
        finally:
            await engine.close()
        return made

    return asyncio.run(ask())


@pytest.mark.parametrize("version", ["1", "2c", "3"])
def test_prepared_answers_are_read_like_any_printers(version: str) -> None:
    with Simulated(3, port=free_port(), version=version) as simulated:
        found = read(simulated, 0, 2, times=3)
    assert [reading.serial for reading in found] == ["QC00000000", "QC00000002"]
    assert [reading.counters[0].value for reading in found] == [10_000, 10_002]
    assert {len(reading.supplies) for reading in found} == {5}
    assert found[0].remarks == ()


def test_net_snmp_walks_over_every_cell() -> None:
    with Simulated(1, port=free_port()) as simulated:
        for _ in range(2):  # the second walk is answered from kept octets
            ran = tool("snmpbulkwalk", "-v2c", "-c", "public", str(simulated.addresses[0]), ".1.3.6.1")
    walked = {line.split(" = ")[0][1:] for line in ran.stdout.splitlines() if line.startswith(".1")}
    assert walked == set(template())


def test_some_change_and_some_fall_silent() -> None:
    with Simulated(10, port=free_port()) as simulated:
        before = read(simulated, *range(10))
        assert simulated.change(0.3, pages=5) == 3
        after = read(simulated, *range(10))
        assert simulated.dead(0.1) == 1
        with pytest.raises(Silent):
            read(simulated, 9)
        assert len(read(simulated, 8)) == 1
        assert simulated.dead(0.0) == 0
        assert len(read(simulated, 9)) == 1
    printed = [b.counters[0].value - a.counters[0].value for a, b in zip(before, after, strict=True)]
    assert printed == [5, 5, 5, 0, 0, 0, 0, 0, 0, 0]


def test_it_counts_what_it_serves_and_is_quick() -> None:
    oids = [oid for oid in template() if oid.startswith(face.PRT)][:30]
    with Simulated(50, port=free_port()) as simulated:
        rate = drive(simulated.addresses, 0.5, oids, flight=20)
        served = simulated.served()
    assert served.requests >= rate * 0.4
    assert served.per_cpu_second > 3_000  # far below what any machine does; the bench prints the real figure
