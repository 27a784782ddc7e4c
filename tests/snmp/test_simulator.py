"""A third witness: snmpsim (PyPI), another simulator than ours, serving the same invented printer from a recording."""

from __future__ import annotations

import asyncio
import contextlib
import grp
import os
import pwd
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from agent.model.wire import Community, Peer, Silent
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.snmp import ber, printer
from tests.snmp.ber import Typed
from tests.snmp.responder import answering
from tests.snmp.snmpd import free_port

_TAGS = {ber.INTEGER: "2", ber.COUNTER32: "65", ber.GAUGE32: "66", ber.TICKS: "67"}


def recording(cells: Mapping[str, Typed]) -> str:
    """Lines of OID, tag and value, as snmpsim's own recorder writes them."""
    lines = []
    for name in ber.in_order(cells):
        typed = cells[name]
        if typed.tag in _TAGS:
            lines.append(f"{name}|{_TAGS[typed.tag]}|{int.from_bytes(typed.octets, 'big', signed=True)}")
        elif typed.tag == ber.OID:
            lines.append(f"{name}|6|{ber.oid_text(typed.octets)}")
        else:
            lines.append(f"{name}|4x|{typed.octets.hex()}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def simulator(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    pytest.importorskip("snmpsim")
    program = Path(sys.executable).with_name("snmpsim-command-responder")
    folder = tmp_path_factory.mktemp("snmpsim")
    (folder / "data").mkdir()
    (folder / "data" / "public.snmprec").write_text(recording(printer.colour_printer()), encoding="ascii")
    port = free_port()
    command = [str(program), f"--data-dir={folder / 'data'}", f"--cache-dir={folder / 'cache'}"]
    user, group = pwd.getpwuid(os.getuid()).pw_name, grp.getgrgid(os.getgid()).gr_name
    command += [f"--agent-udpv4-endpoint=127.0.0.1:{port}", f"--process-user={user}", f"--process-group={group}"]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            asyncio.run(_until_it_answers(Peer("127.0.0.1", port, timeout=0.2)))
            yield port
        finally:
            process.terminate()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(5)


async def _until_it_answers(peer: Peer) -> None:
    engine = open_engine()
    for _ in range(80):
        with contextlib.suppress(Silent):
            await engine.get(peer, ["1.3.6.1.2.1.1.1.0"])
            break
        await asyncio.sleep(0.1)
    await engine.close()


@pytest.mark.parametrize("version", ["1", "2c"])
def test_another_simulator_gives_the_same_cells(run: Callable, simulator: int, version: str) -> None:
    async def main() -> None:
        found = []
        async with answering(printer.colour_printer()) as responder:
            for port in (responder.port, simulator):
                reader = Reader(open_engine())
                peer = Peer("127.0.0.1", port, Community(version), timeout=2)
                found += [await reader.read(peer), await reader.read(peer, full=True)]
                await reader.close()
        assert all(answers.cells == found[0].cells for answers in found)
        assert all(answers.truncated == () for answers in found)
        assert len(found[0].cells) > 100

    run(main())
