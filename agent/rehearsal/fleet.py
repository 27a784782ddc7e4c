"""The simulated fleet: its printers, their time, what they would answer, and the history they leave behind."""

from __future__ import annotations

import ipaddress
import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from agent.model.fleet import Place
from agent.model.wire import Value
from agent.rehearsal import face
from agent.rehearsal.body import Identity
from agent.rehearsal.kinds import Kind, assemble
from agent.rehearsal.truth import Truth
from agent.rehearsal.wear import WARM_UP, Worn

_SITES = (
    ("Harrow Lane", "Main house", ("Reading room", "Returns desk", "Cataloguing", "Local studies", "Map room")),
    ("Mill Yard", "Branch", ("Counter", "Children's corner", "Back office", "Study hall")),
    ("Orchard Row", "Archive", ("Conservation", "Search room", "Loading bay")),
)  # fmt: skip
NETWORK = ipaddress.ip_network("127.77.0.0/16")


@dataclass(frozen=True, slots=True)
class Address:
    """Where one printer (or print server) listens: a loopback host and a UDP port."""

    host: str
    port: int

    def __str__(self) -> str:
        return self.host if self.port == 161 else f"{self.host}:{self.port}"


def own_addresses(count: int, port: int = 1161) -> tuple[Address, ...]:
    """One loopback address for each printer, all at one port (Linux answers on all of 127.0.0.0/8)."""
    return tuple(Address(str(NETWORK[256 * (n // 200) + n % 200 + 1]), port) for n in range(count))


def own_ports(count: int, port: int = 1161) -> tuple[Address, ...]:
    """One port for each printer, all at 127.0.0.1, for systems that have no other loopback address."""
    return tuple(Address("127.0.0.1", port + n) for n in range(count))


@dataclass(frozen=True, slots=True)
class Seen:
    """What somebody who asked one printer at ``at`` would have got.

    ``cells``: what it answered; None with ``reachable`` False when nothing came, None with ``reachable`` True when it
    answered just what it did the time before (sysUpTime aside).
    """

    at: datetime
    printer: Worn
    reachable: bool
    cells: dict[str, Value] | None = None


class Fleet:
    """``size`` printers of an invented organisation, from ``start`` on.

    What happens depends on ``seed``, ``size`` and ``start`` alone, not on how the time is cut into steps.
    ``addresses``: one for each printer or print server (default ``own_addresses``). Raises ValueError when one of them
    is no loopback address.
    """

    def __init__(
        self,
        seed: int = 1,
        size: int = 30,
        *,
        start: datetime,
        organisation: str = "Harrow Lane Library",
        zone: str = "Europe/London",
        addresses: Sequence[Address] | None = None,
    ) -> None:
        if start.tzinfo is None:
            raise ValueError("the starting moment must say its offset")
        self.seed, self.organisation, self.zone, self.start = seed, organisation, zone, start
        self.truth = Truth()
        self._frame = face.Frame()
        self._fixed: dict[str, dict[str, Value]] = {}
        kinds = assemble(size)
        places = own_addresses(len(kinds)) if addresses is None else tuple(addresses)
        for address in places:
            if not ipaddress.ip_address(address.host).is_loopback:
                raise ValueError(f"{address.host} is no loopback address; a rehearsal stays on this machine")
        self.printers: tuple[Worn, ...] = tuple(self._build(kinds, places))
        self.by_name = {worn.who.name: worn for worn in self.printers}

    def _build(self, kinds: Sequence[Kind], places: Sequence[Address]) -> Iterator[Worn]:
        used, device, before = -1, 0, None
        for number, kind in enumerate(kinds, 1):
            device = device + 1 if kind is before and device < kind.devices else 1
            before = kind
            used += device == 1
            rng = random.Random(f"{self.seed}/who/{number}")
            site, building, rooms = _SITES[min(2, number % 5 // 2)]
            name = f"hl-{number:02}"
            serial = "".join(word[0] for word in kind.title.split()[:2]).upper().replace("&", "")
            mac_seed = random.Random(f"{self.seed}/mac/{used}")
            who = Identity(
                name=name,
                serial=f"{serial}{rng.randrange(10**7, 10**8)}" if kind.has_serial else "",
                mac=bytes((0x02, 0x4C, *(mac_seed.randrange(256) for _ in range(4)))),
                host=places[used].host,
                port=places[used].port,
                device_index=device,
                place=Place(site, building, f"Floor {number % 3}", rooms[number % len(rooms)], self.zone),
            )
            yield Worn(kind, who, f"{self.seed}/{number}", self.start, self.truth)

    def see_from(self, frame: face.Frame) -> None:
        """Show the printers as a reader with this frame of time sees them."""
        self._frame = frame

    def advance(self, to: datetime) -> None:
        """Let time pass up to ``to``. Going back has no effect."""
        until = to.timestamp()
        for worn in self.printers:
            worn.advance(until)

    def at_one_address(self, printer: Worn) -> tuple[Worn, ...]:
        """The printers behind the same address, this one among them."""
        if printer.kind.devices == 1:
            return (printer,)
        here = (printer.who.host, printer.who.port)
        return tuple(worn for worn in self.printers if (worn.who.host, worn.who.port) == here)

    def cells(self, printer: Worn, at: datetime) -> dict[str, Value]:
        """All that the address of ``printer`` answers at ``at``, which must not lie before the last ``advance``."""
        moment = at.timestamp()
        made: dict[str, Value] = {}
        for worn in reversed(self.at_one_address(printer)):
            made |= self._fixed_cells(worn)
            made |= face.moving(worn, moment, self._frame)
        return made

    def _fixed_cells(self, worn: Worn) -> dict[str, Value]:
        found = self._fixed.get(worn.who.name)
        if found is None:
            found = self._fixed[worn.who.name] = face.fixed(worn)
        return found

    def renew(self, printer: Worn, who: Identity) -> None:
        """The printer is another one, or stands elsewhere: its fixed cells are made afresh."""
        printer.who = who
        printer.config_changes += 1
        printer.version += 1
        self._fixed.pop(who.name, None)

    def history(
        self,
        until: datetime,
        step: timedelta = timedelta(hours=1),
        gaps: Iterable[tuple[datetime, datetime]] = (),
    ) -> Iterator[Seen]:
        """What polling every ``step`` up to ``until`` would have brought, in order of time; advances the fleet.

        ``gaps``: spans (first, last) during which nobody asked. Cells are given when they differ from those before.
        """
        skipped = tuple(gaps)
        before: dict[str, tuple[int, bool, bool] | None] = {}
        at = datetime.fromtimestamp(self.printers[0].now, UTC) + step if self.printers else until
        while at <= until:
            self.advance(at)
            if not any(first <= at <= last for first, last in skipped):
                yield from self._look(at, before)
            at += step
        self.advance(until)

    def _look(self, at: datetime, before: dict[str, tuple[int, bool, bool] | None]) -> Iterator[Seen]:
        moment = at.timestamp()
        for worn in self.printers:
            if not all(one.on for one in self.at_one_address(worn)):
                yield Seen(at, worn, reachable=False)
                before[worn.who.name] = None
                continue
            state = (worn.version, face.is_printing(worn, moment), moment - worn.booted < WARM_UP)
            if before.get(worn.who.name) == state:
                yield Seen(at, worn, reachable=True)
            else:
                before[worn.who.name] = state
                yield Seen(at, worn, reachable=True, cells=self.cells(worn, at))
