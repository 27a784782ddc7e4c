"""A small fleet served for a test, and Debian's SNMP tools as its clients."""

from __future__ import annotations

import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from agent.rehearsal.clock import SimClock
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.rehearsal.serve import Rehearsal
from tests.needs import debian

MORNING = datetime(2026, 3, 3, 10, 30, tzinfo=UTC)  # a Tuesday
KINDS = 15  # a fleet of this size has one of each kind, a print server with two printers among them


def free_port() -> int:
    """A UDP port that nobody uses at the rehearsal's addresses."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        trial.bind(("127.77.0.1", 0))
        return int(trial.getsockname()[1])


@contextmanager
def rehearsal(
    size: int = KINDS, *, speed: float = 1.0, start: datetime = MORNING, real_time: bool = True
) -> Iterator[Rehearsal]:
    """A fleet that has worn for an hour, served from ``start`` on, every printer switched on."""
    fleet = Fleet(7, size, start=start - timedelta(hours=1), addresses=own_addresses(size, free_port()))
    fleet.advance(start)
    for worn in fleet.printers:
        worn.switch(on=True)
        worn.clear()
    clock = SimClock(lambda: datetime.now(UTC), start, speed)
    with Rehearsal(fleet, clock, reader_in_real_time=real_time) as running:
        yield running


def tool(program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run one of Debian's SNMP tools: numbers as numbers, no MIB files, one try of two seconds."""
    path = debian("snmp", program)
    plain = ["-m", "", "-On", "-OU", "-Oe", "-Ot", "-Ih", "-r", "1", "-t", "2"]
    return subprocess.run([path, *plain, *arguments], capture_output=True, text=True, timeout=180)
