"""A real Net-SNMP agent (Debian package snmpd) on loopback that serves an invented printer through ``pass_persist``."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.needs import debian
from tests.snmp import ber
from tests.snmp.ber import Typed

SCRIPT = Path(__file__).with_name("pass_persist_printer.py")
_KINDS = {ber.INTEGER: "integer", ber.COUNTER32: "counter", ber.GAUGE32: "gauge", ber.TICKS: "timeticks"}
SERVED = ("1.3.6.1.2.1.43.", "1.3.6.1.4.1.2699.1.3.")  # the device table is snmpd's own: a computer's

PASSPHRASE, OTHER_PASSPHRASE = "maplesyrup", "maplesyrup-too"
USERS = """
createUser clerk
createUser md5 MD5 maplesyrup
createUser sha SHA maplesyrup
createUser sha-aes SHA maplesyrup AES maplesyrup-too
createUser sha-des SHA maplesyrup DES maplesyrup-too
createUser sha224-aes SHA-224 maplesyrup AES maplesyrup-too
createUser sha256-aes SHA-256 maplesyrup AES maplesyrup-too
createUser sha384-aes192 SHA-384 maplesyrup AES-192 maplesyrup-too
createUser sha512-aes256 SHA-512 maplesyrup AES-256 maplesyrup-too
rouser clerk noauth
rouser md5 auth
rouser sha auth
rouser sha-aes priv
rouser sha-des priv
rouser sha224-aes priv
rouser sha256-aes priv
rouser sha384-aes192 priv
rouser sha512-aes256 priv
"""


def cells_file(cells: Mapping[str, Typed]) -> str:
    lines = []
    for name in ber.in_order(name for name in cells if name.startswith(SERVED)):
        typed = cells[name]
        if typed.tag in _KINDS:
            kind, value = _KINDS[typed.tag], str(int.from_bytes(typed.octets, "big", signed=True))
        elif typed.tag == ber.OID:
            kind, value = "objectid", f".{ber.oid_text(typed.octets)}"
        else:
            kind, value = "octet", typed.octets.hex(" ")
        lines.append(f"{name}\t{kind}\t{value}")
    return "\n".join(lines) + "\n"


@dataclass
class Agent:
    port: int
    folder: Path
    process: subprocess.Popen[bytes]
    command: list[str]

    def put(self, cells: Mapping[str, Typed]) -> None:
        fresh = self.folder / "cells.new"
        fresh.write_text(cells_file(cells), encoding="ascii")
        fresh.replace(self.folder / "cells")

    def restart(self, *, forget: bool) -> None:
        """Stop and start; ``forget`` its engine ID and restart count, too."""
        self.stop()
        if forget:
            for kept in (self.folder / "persist").glob("*.conf"):
                kept.unlink()
        self.start()

    def start(self) -> None:
        environment = {**os.environ, "SNMP_PERSISTENT_DIR": str(self.folder / "persist"), "MIBS": ""}
        self.process = subprocess.Popen(
            self.command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        question = ber.write(ber.Message(1, b"public", ber.GET, 1, 0, 0, (("1.3.6.1.2.1.1.3.0", Typed(ber.NULL)),)))
        until = time.monotonic() + 10
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            asking.connect(("127.0.0.1", self.port))
            asking.settimeout(0.1)
            while time.monotonic() < until:
                with contextlib.suppress(OSError):
                    asking.send(question)
                    if asking.recv(1500):
                        return
                time.sleep(0.05)
        raise AssertionError((self.folder / "log").read_text(errors="replace")[-2000:])

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5)


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def serving(folder: Path, cells: Mapping[str, Typed], more: str = "") -> Iterator[Agent]:
    """snmpd with the users above. ``more`` is added to its configuration."""
    program = debian("snmpd", "snmpd")
    (folder / "persist").mkdir()
    (folder / "cells").write_text(cells_file(cells), encoding="ascii")
    persist = "".join(
        f"pass_persist -p 20 .{root.rstrip('.')} {sys.executable} {SCRIPT} {folder / 'cells'}\n" for root in SERVED
    )
    (folder / "snmpd.conf").write_text(f"rocommunity public\nsysName reading-room\n{persist}{USERS}{more}")
    port = free_port()
    command = [
        program,
        "-f",
        "-Lf",
        str(folder / "log"),
        "-C",
        "-c",
        str(folder / "snmpd.conf"),
        f"udp:127.0.0.1:{port}",
    ]
    agent = Agent(port, folder, None, command)  # type: ignore[arg-type]
    agent.start()
    try:
        yield agent
    finally:
        agent.stop()
