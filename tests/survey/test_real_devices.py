"""A survey of a network of real devices: the recordings of PyPI snmpsim-data, served by the real snmpsim.

None of the recordings is of a printer, though some are of computers with print queues (hrPrinterTable rows). Between
them stand printers of several shapes. The printers are written from RFC 3805 and RFC 2790.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

from agent.model.wire import Community, Peer
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from agent.survey import Survey, SurveyResult, read_ranges
from tests.survey import recordings

PRINTERS = {
    "plain": recordings.printer("plain", 1),
    "second-device": recordings.printer("second-device", 7),
    "two-in-one": recordings.printer("two-in-one", 1, 2),
    "no-host-resources": recordings.printer("no-host-resources", 1, host=False),
    "no-printer-mib": recordings.printer("no-printer-mib", 1, speaks=False),
    "with-processor-and-disk": recordings.printer(
        "with-processor-and-disk",
        4,
        beside="1.3.6.1.2.1.25.3.2.1.2.1|6|1.3.6.1.2.1.25.3.1.3\n1.3.6.1.2.1.25.3.2.1.2.2|6|1.3.6.1.2.1.25.3.1.6\n",
    ),
}
DEVICES = {"plain": (1,), "second-device": (7,), "two-in-one": (1, 2), "with-processor-and-disk": (4,)}
HOME = ipaddress.ip_address("127.90.0.1")


@dataclass
class Street:
    port: int
    devices: dict[str, str]  # address -> what lives there


@pytest.fixture(scope="module")
def street(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Street]:
    work = tmp_path_factory.mktemp("snmpsim")
    data = work / "data"
    data.mkdir()
    names = []
    with ThreadPoolExecutor(4) as pool:  # unpacking lets go of the interpreter's lock
        for number, rows in enumerate(pool.map(recordings.cut, recordings.recorded())):
            names.append(f"r{number:03}")
            (data / f"{names[-1]}.snmprec").write_bytes(rows)
    for name, rows in PRINTERS.items():
        (data / f"{name}.snmprec").write_bytes(rows)
    (data / "ready.snmprec").write_bytes(b"1.3.6.1.2.1.1.1.0|4|ready\n")
    # A printer after every twentieth device.
    for at, name in enumerate(PRINTERS):
        names.insert(at * 21, name)
    with recordings.snmpsim(data, work) as port:
        yield Street(port, {str(HOME + at): name for at, name in enumerate(names)})


def look(street: Street, version: str, engine: str) -> SurveyResult:
    async def run() -> SurveyResult:
        reader = Reader(open_engine(engine))
        try:
            exchange = recordings.Exchange(reader, street.port, street.devices)
            credentials = [("public", Community(version, "any"))]
            like = Peer("", timeout=4.0, retries=1, deadline=20.0)
            ranges = read_ranges(["127.90.0.0/24"])
            return await Survey(ranges, credentials, exchange, rate=1000, concurrency=8, like=like).run()
        finally:
            await reader.close()

    return asyncio.run(run())


@pytest.mark.slow
@pytest.mark.parametrize(("version", "engine"), [("2c", "gufo"), ("1", "gufo")])
def test_no_real_device_is_taken_for_a_printer_and_no_printer_is_missed(street: Street, version: str, engine: str):
    result = look(street, version, engine)
    found = {street.devices[one.host]: one for one in result.printers}
    assert set(found) == set(PRINTERS)
    for name, devices in DEVICES.items():
        assert found[name].devices == devices
    assert {street.devices[one.host] for one in result.others} == set(street.devices.values()) - set(PRINTERS)
    assert len(result.others) >= 110
    assert result.asked == result.total == 254
    assert result.silent == 254 - len(street.devices)


def test_recordings_with_print_queues_are_among_them():
    """The test above is worth something only if the recordings could mislead."""
    queues = [
        path for path in recordings.recorded() if path.match("os/*/*") and b".25.3.5.1.1." in recordings.cut(path)
    ]
    assert len(queues) >= 2
    assert Path(queues[0]).exists()
