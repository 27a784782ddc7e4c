"""Recordings of real devices (PyPI snmpsim-data, BSD licence) and written printers, served by the real snmpsim."""

from __future__ import annotations

import bz2
import contextlib
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import snmpsim_data

from agent.model.probe import Probe
from agent.model.wire import Community, Peer, Silent
from agent.snmp.ber import GET, request
from agent.snmp.reader import Reader

# What a survey looks at (and the interfaces), of recordings with up to half a million rows.
_WANTED = re.compile(rb"^\.?1\.3\.6\.1\.2\.1\.(?:1\.|2\.2\.1\.[1-6]\.|25\.[12]\.|25\.3\.|43\.)[^\n]*\n", re.MULTILINE)
_BEYOND = re.compile(rb"^\.?1\.3\.6\.1\.(?:2\.1\.(?:4[4-9]|[5-9]\d|\d{3,})\.|[3-9]\.|2\.1[0-9])", re.MULTILINE)
_MOST_ROWS = 3_000
_BLOCK = 1 << 20


def recorded() -> list[Path]:
    """Every recording of the package."""
    return sorted(Path(snmpsim_data.__file__).parent.glob("data/**/*.snmprec*"))


def cut(path: Path) -> bytes:
    """The rows of a recording that a survey may ask for. Recordings are in order, so the far end is not unpacked."""
    rows: list[bytes] = []
    with bz2.open(path) if path.suffix == ".bz2" else path.open("rb") as file:
        rest = b""
        while block := file.read(_BLOCK):
            block = rest + block
            block, _, rest = block.rpartition(b"\n")
            block += b"\n"
            rows += _WANTED.findall(block)
            if _BEYOND.search(block):
                break
        rows += _WANTED.findall(rest + b"\n")
    return b"".join(rows[:_MOST_ROWS]).replace(b"\r", b"")


_SYSTEM = """\
1.3.6.1.2.1.1.1.0|4|{model}
1.3.6.1.2.1.1.2.0|6|1.3.6.1.4.1.32473.1.9
1.3.6.1.2.1.1.3.0|67|8812345
1.3.6.1.2.1.1.5.0|4|{name}
"""
_HOST = """\
1.3.6.1.2.1.25.3.2.1.1.{device}|2|{device}
1.3.6.1.2.1.25.3.2.1.2.{device}|6|1.3.6.1.2.1.25.3.1.5
1.3.6.1.2.1.25.3.2.1.3.{device}|4|{model}
1.3.6.1.2.1.25.3.2.1.5.{device}|2|2
1.3.6.1.2.1.25.3.5.1.1.{device}|2|3
1.3.6.1.2.1.25.3.5.1.2.{device}|4x|00
"""
_PRINTER = """\
1.3.6.1.2.1.43.5.1.1.1.{device}|65|4
1.3.6.1.2.1.43.5.1.1.16.{device}|4|{name}
1.3.6.1.2.1.43.5.1.1.17.{device}|4|TG40{device:04}
1.3.6.1.2.1.43.10.2.1.3.{device}.1|2|7
1.3.6.1.2.1.43.10.2.1.4.{device}.1|65|71200
1.3.6.1.2.1.43.11.1.1.2.{device}.1|2|1
1.3.6.1.2.1.43.11.1.1.3.{device}.1|2|0
1.3.6.1.2.1.43.11.1.1.4.{device}.1|2|3
1.3.6.1.2.1.43.11.1.1.5.{device}.1|2|3
1.3.6.1.2.1.43.11.1.1.6.{device}.1|4|Black Toner
1.3.6.1.2.1.43.11.1.1.7.{device}.1|2|7
1.3.6.1.2.1.43.11.1.1.8.{device}.1|2|10000
1.3.6.1.2.1.43.11.1.1.9.{device}.1|2|1200
"""


def printer(name: str, *devices: int, host: bool = True, speaks: bool = True, beside: str = "") -> bytes:
    """A printer as a recording. ``host``: has an hrDeviceTable; ``speaks``: a Printer-MIB; ``beside``: more rows."""
    rows = _SYSTEM.format(model="Tallgrass M40", name=name) + beside
    for device in devices:
        rows += _HOST.format(model="Tallgrass M40", device=device) if host else ""
        rows += _PRINTER.format(name=name, device=device) if speaks else ""
    lines = rows.splitlines(keepends=True)
    return "".join(sorted(lines, key=lambda line: [int(arc) for arc in line.split("|")[0].split(".")])).encode()


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextlib.contextmanager
def snmpsim(data: Path, work: Path) -> Iterator[int]:
    """The real responder over ``data``; gives its port on 127.0.0.1."""
    port = free_port()
    program = Path(sys.executable).with_name("snmpsim-command-responder")
    with (work / "snmpsim.log").open("wb") as log:
        running = subprocess.Popen(
            [
                program,
                f"--data-dir={data}",
                f"--cache-dir={work / 'cache'}",
                f"--agent-udpv4-endpoint=127.0.0.1:{port}",
                *(["--process-user=root", "--process-group=root"] if os.geteuid() == 0 else []),
                "--log-level=error",
            ],
            stdout=log,
            stderr=log,
        )
        try:
            _wait(port, running, work)
            yield port
        finally:
            running.terminate()
            try:
                running.wait(10)
            except subprocess.TimeoutExpired:
                running.kill()
                running.wait()


def _wait(port: int, running: subprocess.Popen[bytes], work: Path) -> None:
    ask = request(1, "ready", GET, 1, ["1.3.6.1.2.1.1.1.0"])
    deadline = time.monotonic() + 60
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.settimeout(0.3)
        one.connect(("127.0.0.1", port))
        while time.monotonic() < deadline:
            assert running.poll() is None, (work / "snmpsim.log").read_text("utf-8", "replace")[-2000:]
            with contextlib.suppress(OSError):
                one.send(ask)
                if one.recv(4096):
                    return
    raise AssertionError("snmpsim did not answer within a minute")


@dataclass
class Exchange:
    """Puts each recording at a loopback address of its own: snmpsim tells devices apart by community alone."""

    reader: Reader
    port: int
    devices: dict[str, str]  # address -> community

    async def probe(self, peer: Peer) -> Probe:
        community = self.devices.get(peer.host)
        if community is None or not isinstance(peer.credentials, Community):
            return Probe(peer.address, answered=False, error=Silent("nobody lives here"))
        there = Community(peer.credentials.version, community)
        return await self.reader.probe(replace(peer, host="127.0.0.1", port=self.port, credentials=there))
