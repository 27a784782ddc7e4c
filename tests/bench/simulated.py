"""Many printers that cost next to nothing: one process that answers from prepared bytes.

The first time a printer is asked something, the answer is made by the agent of the rehearsal and kept; from then on the
same question is answered by putting the request-id in front of kept octets (versions 1 and 2c), or by encrypting and
signing them (version 3). What moves is written into the kept octets: sysUpTime at every answer, as on any printer, and
life count and level when it is told to print (``change``). One UDP socket a printer, each with an address of its own.

Run it by hand to see what it can serve: ``python -m tests.bench.simulated --printers 2000 --seconds 3``.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import select
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from agent.model.fleet import Place
from agent.model.wire import Community, UsmUser, Value
from agent.rehearsal import ber, face
from agent.rehearsal.agent import Image, Responder
from agent.rehearsal.body import Identity
from agent.rehearsal.fleet import Address, own_addresses
from agent.rehearsal.kinds import CMYK, FILLED, IMPRESSIONS, TONER, WASTE_TONER, Kind, Part, TrayKind
from agent.rehearsal.truth import Truth
from agent.rehearsal.usm import Admitted
from agent.rehearsal.wear import Worn

USER = UsmUser("bench", "SHA-256", "bench-auth-phrase", "AES-128", "bench-priv-phrase")
KIND = Kind(
    "bench", "Quillon", "C200", 90, 30, 300.0,
    (
        *(Part(TONER, f"{c.title()} Toner", 8_000, 8_000, IMPRESSIONS, c, "ink") for c in CMYK),
        Part(WASTE_TONER, "Waste Toner", 20_000, 20_000, IMPRESSIONS, None, "waste", supply_class=FILLED),
    ),
    trays=(TrayKind("Tray 1"),), colours=CMYK,
)  # fmt: skip
_LIFE, _LEVEL = f"{face.PRT}.10.2.1.4.1.1", f"{face.PRT}.11.1.1.9.1.1"
_UP = "1.3.6.1.2.1.1.3.0"
_BOOTED = 0x1000_0000  # ticks; so that sysUpTime has four octets
_SERIAL, _NAME, _MAC = f"{face.PRT}.5.1.1.17.1", "1.3.6.1.2.1.1.5.0", f"{face.IF_ENTRY}.6.2"
_LEFT_OUT = (f"{face.PRT}.6.", f"{face.PRT}.17.", f"{face.PRT}.13.")


def addresses(count: int, port: int) -> tuple[Address, ...]:
    """Where the printers listen: 127.77.0.1 and on, all at one port."""
    return own_addresses(count, port)


def template() -> dict[str, Value]:
    """The cells of one colour printer (of which a reader keeps about 80)."""
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)
    who = Identity("bench", "QC0", bytes(6), "127.0.0.1", 1161, 1, Place("Bench"))
    worn = Worn(KIND, who, "bench", start, Truth())
    cells = face.fixed(worn) | face.moving(worn, start.timestamp())
    return {oid: cell for oid, cell in cells.items() if not oid.startswith(_LEFT_OUT)}


def ticks() -> bytes:
    """The content of every printer's sysUpTime now: four octets that never stand for less than before."""
    return (_BOOTED + int(time.monotonic() * 100)).to_bytes(4, "big")


class Prepared:
    """An answer without its request-id, and where in it the values of the cells stand that move."""

    __slots__ = ("_places", "octets")

    def __init__(self, octets: bytes) -> None:
        self.octets = bytearray(octets)
        self._places: dict[str, int] = {}
        for oid in (_UP, _LIFE, _LEVEL):
            name = ber.element(ber.OID, ber.oid_content(oid))
            at = octets.find(name)
            if at >= 0:
                self._places[oid] = at + len(name) + 2

    def put(self, oid: str, content: bytes) -> bool:
        """Write this content of the cell's value over the one that stands there; False if it does not fit."""
        at = self._places.get(oid)
        if at is None:
            return True
        if self.octets[at - 1] != len(content):
            return False
        self.octets[at : at + len(content)] = content
        return True

    def now(self) -> bytearray:
        """The octets, with the present sysUpTime."""
        at = self._places.get(_UP)
        if at is not None:
            self.octets[at : at + 4] = ticks()
        return self.octets


class Printer:
    """One simulated printer: its cells, its prepared answers."""

    def __init__(self, number: int, base: dict[str, Value], like: Image, version: str) -> None:
        self.cells: dict[str, Value] = {
            _SERIAL: f"QC{number:08}".encode(),
            _NAME: f"bench-{number:05}".encode(),
            _MAC: b"\x02\x4c" + number.to_bytes(4, "big"),
            _LIFE: 10_000 + number,
            _LEVEL: 8_000 - number % 4_000,
            _UP: int.from_bytes(ticks(), "big"),
        }
        self.image = Image({_NAME: b""}, face.tag_of)
        self.image.order, self.image.names, self.image.values = like.order, like.names, dict(like.values)
        self._renew()
        self.dead = False
        began = time.monotonic()
        self.responder = Responder(
            lambda: self.image,
            (USER,) if version == "3" else Community(version),
            engine_id=bytes.fromhex("80007ed905") + number.to_bytes(8, "big"),
            clock=lambda: (1, int(time.monotonic() - began) + 1_000),
        )
        self.kept: dict[bytes, Prepared] = {}
        self.answer = self._secured if version == "3" else self._plain

    def _renew(self) -> None:
        for oid, cell in self.cells.items():
            self.image.values[ber.oid_content(oid)] = ber.value(face.tag_of(oid, cell), cell)

    def wear(self, pages: int) -> None:
        """It prints: the life counter rises, the first toner falls. Prepared answers say so, or are forgotten."""
        life, level = self.cells[_LIFE], self.cells[_LEVEL]
        assert isinstance(life, int)
        assert isinstance(level, int)
        self.cells[_LIFE], self.cells[_LEVEL] = life + pages, level - 1 if level > 10 else 8_000
        self._renew()
        moved = [(oid, self.image.values[ber.oid_content(oid)][2:]) for oid in (_LIFE, _LEVEL)]
        self.kept = {
            key: kept for key, kept in self.kept.items() if all(kept.put(oid, content) for oid, content in moved)
        }

    def _plain(self, asked: bytes) -> bytes | None:
        """Versions 1 and 2c: everything up to the request-id is short, so its place is found by a few steps."""
        if asked[0] != 0x30 or len(asked) < 20:
            return None
        at = 2 if asked[1] < 0x80 else 2 + (asked[1] & 0x7F)
        pdu = at + 5 + asked[at + 4]
        inside = pdu + 2 if asked[pdu + 1] < 0x80 else pdu + 2 + (asked[pdu + 1] & 0x7F)
        after = inside + 2 + asked[inside + 1]
        key = asked[at : pdu + 1] + asked[after:]
        kept = self.kept.get(key)
        if kept is None:
            made = self.responder.handle(asked)
            if made is None:
                return None
            start, stop = _after_request_id(made)
            kept = self.kept[key] = Prepared(made[start:stop])
        content = asked[inside:after] + kept.now()
        whole = asked[at:pdu] + b"\xa2" + ber.length(len(content)) + content
        return b"\x30" + ber.length(len(whole)) + whole

    def _secured(self, asked: bytes) -> bytes | None:
        """Version 3: check and decrypt, find the request-id, put it in front of kept octets, encrypt and sign."""
        engine = self.responder.engine
        assert engine is not None
        admitted = engine.admit(asked)
        if not isinstance(admitted, Admitted):
            return admitted
        head, scoped = admitted.head, admitted.scoped
        _, at, end = ber.read(scoped, 0, len(scoped))
        _, _, at = ber.read(scoped, at, end)
        _, _, at = ber.read(scoped, at, end)
        _, start, stop = ber.read(scoped, at, end)
        _, _, after = ber.read(scoped, start, stop)
        key = scoped[at : at + 1] + scoped[after:stop]
        kept = self.kept.get(key)
        if kept is None:
            made = self.responder.answer(ber.read_pdu(scoped, at, end), 1_300, first=False)
            _, first, last = ber.read(made, 0, len(made))
            _, _, then = ber.read(made, first, last)
            kept = self.kept[key] = Prepared(made[then:last])
        pdu = ber.element(ber.RESPONSE, scoped[start:after] + kept.now())
        return engine.message(head.message_id, head.flags & 3, admitted.user, b"", pdu)


def _after_request_id(message: bytes) -> tuple[int, int]:
    _, at, end = ber.version_of(message)
    _, at = ber.read_octets(message, at, end)
    _, start, stop = ber.read(message, at, end)
    _, _, after = ber.read(message, start, stop)
    return after, stop


@dataclass(frozen=True)
class Served:
    """What the process did so far: requests answered, its CPU seconds, and the ratio of the two."""

    requests: int
    cpu_seconds: float

    @property
    def per_cpu_second(self) -> float:
        return self.requests / self.cpu_seconds if self.cpu_seconds else 0.0


class Simulated:
    """The process, from outside. A context manager; ``addresses`` answer once it is entered."""

    def __init__(self, count: int, *, port: int = 11_610, version: str = "2c") -> None:
        self.count, self.port, self.version = count, port, version
        self.addresses = addresses(count, port)
        self.credentials: Community | UsmUser = USER if version == "3" else Community(version)
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        command = [sys.executable, "-m", "tests.bench.simulated", "--serve", "--printers", str(self.count)]
        command += ["--port", str(self.port), "--version", self.version]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
        )
        self._hear()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.close()  # its end is what the process waits for
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        if self._process.stdout is not None:
            self._process.stdout.close()

    def _hear(self) -> dict[str, float]:
        assert self._process is not None
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"the simulated printers did not start; exit status {self._process.wait(10)}")
        heard: dict[str, float] = json.loads(line)
        return heard

    def _say(self, **command: float) -> dict[str, float]:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(command) + "\n")
        self._process.stdin.flush()
        return self._hear()

    def change(self, share: float, pages: int = 3) -> int:
        """Have this share of the printers print something; returns how many did."""
        return int(self._say(change=share, pages=pages)["changed"])

    def dead(self, share: float) -> int:
        """From now on this share of the printers (the last ones) is silent; returns how many are."""
        return int(self._say(dead=share)["dead"])

    def served(self) -> Served:
        """What has been answered so far."""
        said = self._say()
        return Served(int(said["requests"]), said["cpu"])


def _obey(printers: list[Printer], command: dict[str, float], turn: int) -> tuple[dict[str, float], int]:
    said: dict[str, float] = {}
    if "change" in command:
        many = round(len(printers) * command["change"])
        for step in range(many):
            printers[(turn + step) % len(printers)].wear(int(command.get("pages", 3)))
        turn = (turn + many) % max(1, len(printers))
        said["changed"] = many
    if "dead" in command:
        many = round(len(printers) * command["dead"])
        for number, printer in enumerate(printers):
            printer.dead = number >= len(printers) - many
        said["dead"] = many
    return said, turn


def _write(said: dict[str, float]) -> None:
    sys.stdout.write(json.dumps(said) + "\n")
    sys.stdout.flush()


def serve(count: int, port: int, version: str) -> None:
    """Answer until standard input ends; each line of it is a command (JSON), each answered by a line."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started it ends it
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, max(4_096, count + 64)), most))
    base = template()
    like = Image(base, face.tag_of)
    printers = [Printer(number, base, like, version) for number in range(count)]
    poll = select.epoll()
    doors: dict[int, tuple[socket.socket, Printer]] = {}
    for address, printer in zip(addresses(count, port), printers, strict=True):
        door = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        door.setblocking(False)
        door.bind((address.host, address.port))
        doors[door.fileno()] = door, printer
        poll.register(door, select.EPOLLIN)
    commands = sys.stdin.fileno()
    poll.register(commands, select.EPOLLIN)
    _write({"ready": count})
    answered, turn, unread = 0, 0, b""
    while True:
        for number, _ in poll.poll(-1, 512):
            if number != commands:
                door, printer = doors[number]
                try:
                    asked, sender = door.recvfrom(4_096)
                    made = None if printer.dead else printer.answer(asked)
                    if made is not None:
                        door.sendto(made, sender)
                        answered += 1
                except (BlockingIOError, ber.Malformed, IndexError):
                    continue
                continue
            heard = os.read(commands, 65_536)
            if not heard:
                return
            *lines, unread = (unread + heard).split(b"\n")
            for line in lines:
                said, turn = _obey(printers, json.loads(line), turn)
                _write({**said, "requests": answered, "cpu": time.process_time()})


def request(oids: list[str], request_id: int, *, bulk: int = 0) -> bytes:
    """A version 2c GET (or GETBULK) request as octets, for driving the simulated side without an SNMP library."""
    null = bytes((ber.NULL, 0))
    bindings = b"".join(ber.binding(ber.oid_content(oid), null) for oid in oids)
    tag = ber.GET_BULK if bulk else ber.GET
    return ber.message(1, b"public", ber.pdu(tag, request_id, 0, bulk, bindings))


def drive(places: tuple[Address, ...], seconds: float, oids: list[str], flight: int = 200) -> float:
    """Ask as fast as one process can, ``flight`` printers at a time; answers a second."""
    poll = select.epoll()
    doors = {}
    asked = request(oids, 0x01020304)
    for place in places[:flight]:
        door = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        door.connect((place.host, place.port))
        door.setblocking(False)
        doors[door.fileno()] = door
        poll.register(door, select.EPOLLIN)
    for door in doors.values():
        door.send(asked)
    heard, began = 0, time.perf_counter()
    while (spent := time.perf_counter() - began) < seconds:
        for number, _ in poll.poll(0.2, 512):
            door = doors[number]
            door.recv(4_096)
            heard += 1
            door.send(asked)
    for door in doors.values():
        door.close()
    poll.close()
    return heard / spent


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=2_000)
    parser.add_argument("--port", type=int, default=11_610)
    parser.add_argument("--version", choices=("1", "2c", "3"), default="2c")
    parser.add_argument("--seconds", type=float, default=3.0)
    parser.add_argument("--serve", action="store_true", help="serve until standard input ends")
    given = parser.parse_args()
    if given.serve:
        serve(given.printers, given.port, given.version)
        return
    oids = [oid for oid in template() if oid.startswith(face.PRT)][:30]
    with Simulated(given.printers, port=given.port) as simulated:
        drive(simulated.addresses, 0.5, oids)
        before = simulated.served()
        rate = drive(simulated.addresses, given.seconds, oids)
        after = simulated.served()
    done = replace(after, requests=after.requests - before.requests, cpu_seconds=after.cpu_seconds - before.cpu_seconds)
    sys.stdout.write(
        f"{given.printers} printers, GET of {len(oids)} cells: {rate:,.0f} answers/s seen by one asking process;\n"
        f"the simulated side alone: {done.per_cpu_second:,.0f} answers a second of its CPU time\n"
    )


if __name__ == "__main__":
    main()
