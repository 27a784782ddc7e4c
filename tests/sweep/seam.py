"""Plain objects behind the sweep's seams: printers that answer from memory, and a store that remembers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from agent.mib.decode import devices
from agent.model.fleet import Printer
from agent.model.wire import Answers, Peer, Silent, Traffic, Value
from agent.rehearsal.fleet import Fleet as Simulated
from agent.sweep.fleet import Fleet
from agent.sweep.run import Sweep
from agent.sweep.station import Station, Stop
from agent.sweep.work import Newcomer, Work

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


class Answering:
    """A wire over a dictionary: address -> cells, or None for a printer that is silent."""

    def __init__(self) -> None:
        self.cells: dict[str, dict[str, Value] | None] = {}
        self.now = START
        self.asked: list[tuple[str, bool]] = []

    async def read(self, peer: Peer, *, full: bool = False) -> Answers:
        self.asked.append((peer.address, full))
        found = self.cells.get(peer.address)
        if found is None:
            raise Silent(f"no answer from {peer.address}", Traffic(3, 2, 3, 6.0))
        return Answers(self.now, dict(found), devices(found), Traffic(3, 0, 0, 0.01))


class Remembering:
    """A store that keeps what it is given; ``broken`` makes it refuse to number printers."""

    def __init__(self) -> None:
        self.works: list[Work] = []
        self.printers: dict[int, Printer] = {}
        self.broken = False

    def offer(self, work: Work) -> None:
        self.works.append(work)

    async def register(self, newcomers: Sequence[Newcomer]) -> list[Printer] | None:
        if self.broken:
            return None
        made = []
        for printer, entries in newcomers:
            one = printer if printer.id else replace(printer, id=len(self.printers) + 1)
            self.printers[one.id] = one
            self.works.append(Work(ledger=tuple(replace(e, printer_id=e.printer_id or one.id) for e in entries)))
            made.append(one)
        return made

    @property
    def contacts(self):
        return [contact for work in self.works for contact in work.contacts]

    @property
    def ledger(self):
        return [
            entry
            for work in self.works
            for entry in (*(one for contact in work.contacts for one in contact.ledger), *work.ledger)
        ]


class Scene:
    """A simulated fleet, a sweep over it, and a clock that only moves when it is told to."""

    def __init__(self, size: int = 12, rules=(), names: dict[int, str] | None = None) -> None:
        self.simulated = Simulated(seed=3, size=size, start=START)
        self.wire, self.records = Answering(), Remembering()
        self.ticks = 0.0
        self.sweep = Sweep(
            self.wire, self.records, Fleet(), clock=lambda: self.wire.now, timer=lambda: self.ticks, rules=rules
        )
        self.addresses = list(dict.fromkeys(f"{one.who.host}:{one.who.port}" for one in self.simulated.printers))
        self.stations = [
            Station(Stop(Peer(*_apart(address)), name=(names or {}).get(at, ""), expected=True))
            for at, address in enumerate(self.addresses)
        ]
        self.sweep.watch(self.stations)
        self.answer_all()

    def answer_all(self) -> None:
        self.simulated.advance(self.wire.now)
        for one in self.simulated.printers:
            self.wire.cells[f"{one.who.host}:{one.who.port}"] = self.simulated.cells(one, self.wire.now)

    def later(self, **span: float) -> None:
        self.wire.now += timedelta(**span)

    def cells(self, at: int) -> dict[str, Value]:
        found = self.wire.cells[self.addresses[at]]
        assert found is not None
        return found


def _apart(address: str) -> tuple[str, int]:
    host, port = address.rsplit(":", 1)
    return host, int(port)
