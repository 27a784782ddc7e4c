"""Whether this machine gives what a fleet of a certain size takes: clock, zones, descriptors, buffers, neighbours.

Reads only. ``proc`` is where Linux shows its tables; where something cannot be told (another system, a container that
hides it) there is no finding about it.
"""

from __future__ import annotations

import contextlib
import ctypes
import resource
import socket
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from importlib import import_module
from pathlib import Path
from zoneinfo import TZPATH, ZoneInfo, ZoneInfoNotFoundError

from agent.app.finding import FINE, LOOK, WRONG, Finding
from agent.model.day_words import dated_words
from agent.model.zones import zone_of

PROC = Path("/proc")
MOST_SOCKETS = 8192
SPARE_DESCRIPTORS = 256
"""One socket is kept for each printer up to so many, and so many more descriptors are for all the rest."""
ANSWER_OCTETS = 4096
"""What the kernel charges a buffer for one answer: common practice, no source (the message and its overhead)."""
WANTED_BUFFER = 4 * 1024 * 1024
PAGE_OCTETS = resource.getpagesize()

TIME_ERROR = 5
"""What adjtimex(2) gives back while nobody keeps the clock right."""
_WORST_ERROR = timedelta(seconds=1)


# --- clock and zones -------------------------------------------------------------------------------------------------


class _Timex(ctypes.Structure):
    """The beginning of ``struct timex`` (adjtimex(2)), and room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 512),
    )


def kernel_clock() -> tuple[int, timedelta] | None:
    """State of the kernel's clock and its largest possible error, or None where it cannot be told. Changes nothing."""
    try:
        asked = _Timex()
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else (state, timedelta(microseconds=asked.maxerror))


def _exact(at: datetime, zone: str) -> str:
    return f"{dated_words(at, zone)} {at.astimezone(zone_of(zone)):%H:%M:%S %Z}"


def clock(
    now: datetime,
    last_contact: datetime | None,
    kernel: Callable[[], tuple[int, timedelta] | None] = kernel_clock,
    zone: str = "UTC",
) -> Iterator[Finding]:
    """Whether the clock can be relied on. ``last_contact``: the latest moment in the history. ``zone``: the agent's."""
    if last_contact is not None and last_contact > now + timedelta(seconds=5):
        yield Finding(
            "clock",
            "history",
            WRONG,
            f"the history knows of {_exact(last_contact, zone)}, and the clock shows {_exact(now, zone)}",
            "set the clock right; readings made before it caught up are taken for old ones",
        )
    found = kernel()
    if found is None:
        yield Finding(
            "clock",
            "kept right",
            LOOK,
            "this system does not say whether its clock is kept right",
            "make sure that a time service runs, on the host where this is a container",
        )
        return
    state, error = found
    if state == TIME_ERROR:
        yield Finding(
            "clock",
            "kept right",
            LOOK,
            "nobody keeps this machine's clock right",
            "start a time service (NTP), on the host where this is a container or a virtual machine",
        )
    elif error > _WORST_ERROR:
        yield Finding(
            "clock",
            "kept right",
            LOOK,
            f"the clock may be wrong by {error.total_seconds():.1f} s",
            "look whether the time service reaches its servers",
        )
    else:
        yield Finding("clock", "kept right", FINE, f"kept right within {error.total_seconds() * 1000:.0f} ms")


def zones(names: Iterable[str], now: datetime, version: str | None = None) -> Iterator[Finding]:
    """Whether the time zones are known here, and how old the tables are. ``version``: of the tables; else looked up."""
    known = []
    for name in dict.fromkeys(names):
        try:
            known.append(f"{name} ({now.astimezone(ZoneInfo(name)):%H:%M})")
        except (ZoneInfoNotFoundError, ValueError, OSError):
            yield Finding(
                "zones",
                name,
                WRONG,
                "this machine does not know the time zone",
                "install the tables: the system's package tzdata, or pip install tzdata",
            )
    if known:
        yield Finding("zones", "now it is", FINE, ", ".join(known))
    version = version or tables_version()
    if version is None:
        return
    year = int(version[:4]) if version[:4].isdecimal() else now.year
    if year < now.year - 1:
        yield Finding(
            "zones",
            "tables",
            LOOK,
            f"the tables are those of {version}, and rules of summer time change",
            "upgrade the system's package tzdata, or pip install --upgrade tzdata",
        )
    else:
        yield Finding("zones", "tables", FINE, f"IANA {version}")


def tables_version() -> str | None:
    """The version of the time zone tables in use (such as 2024a): the system's, else those of the package tzdata."""
    for folder in TZPATH:
        with contextlib.suppress(OSError, UnicodeDecodeError), (Path(folder) / "tzdata.zi").open() as file:
            return file.readline().removeprefix("# version ").strip()
    if any(Path(folder).is_dir() for folder in TZPATH):
        return None
    try:
        return str(import_module("tzdata").IANA_VERSION)
    except (ImportError, AttributeError):
        return None


# --- descriptors and buffers -----------------------------------------------------------------------------------------


def descriptors(stations: int, engine: str, hard: int | None = None) -> Finding:
    """Whether enough files and sockets may be open. ``hard``: the limit; else that of this process."""
    limit = resource.getrlimit(resource.RLIMIT_NOFILE)[1] if hard is None else hard
    sockets = min(stations, MOST_SOCKETS) if engine == "gufo" else 2
    needed = sockets + SPARE_DESCRIPTORS
    if limit == resource.RLIM_INFINITY or limit >= needed:
        return Finding("machine", "descriptors", FINE, f"{_limit(limit)} allowed here, {needed:,} needed")
    return Finding(
        "machine",
        "descriptors",
        LOOK if limit > SPARE_DESCRIPTORS else WRONG,
        f"{limit:,} allowed here, {needed:,} needed: sockets are closed and opened anew in every sweep",
        f"LimitNOFILE={needed} in the systemd unit, or ulimit -n {needed} before the agent is started",
    )


def _limit(limit: int) -> str:
    return "any number" if limit == resource.RLIM_INFINITY else f"{limit:,}"


def granted_buffer(wanted: int = WANTED_BUFFER) -> int:
    """How large a receive buffer this machine gives a socket that asks for ``wanted`` octets (socket(7))."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, wanted)
        return one.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) // 2  # Linux doubles it for its own bookkeeping


def buffers(
    stations: int, in_flight: int, engine: str, *, listens: bool, proc: Path = PROC, granted: int | None = None
) -> Iterator[Finding]:
    """Whether answers are lost for want of room. ``listens``: the agent hears notifications, which come in floods."""
    got = granted_buffer() if granted is None else granted
    # The engine gufo has a socket for each printer; each holds one answer, which any buffer does.
    needed = WANTED_BUFFER if listens else in_flight * ANSWER_OCTETS if engine == "pysnmp" else ANSWER_OCTETS
    if got < needed:
        yield Finding(
            "machine",
            "socket buffer",
            LOOK,
            f"one socket may hold {got:,} octets, {needed:,} are wanted: answers may be lost when many come",
            f"sysctl net.core.rmem_max={needed}, for good in /etc/sysctl.d",
        )
    else:
        yield Finding("machine", "socket buffer", FINE, f"{got:,} octets for one socket, {needed:,} needed")
    pages = _numbers(proc / "sys/net/ipv4/udp_mem")
    whole = in_flight * ANSWER_OCTETS + (WANTED_BUFFER if listens else 0)
    if len(pages) == 3 and pages[2] * PAGE_OCTETS < whole:
        yield Finding(
            "machine",
            "UDP memory",
            LOOK,
            f"all sockets together may hold {pages[2] * PAGE_OCTETS:,} octets, {whole:,} may come at once",
            "give the machine more memory, raise sysctl net.ipv4.udp_mem, or lower polling.in_flight",
        )
    lost = _udp(proc).get("RcvbufErrors", 0)
    received = _udp(proc).get("InDatagrams", 0)
    if lost > max(100, received // 10_000):
        yield Finding(
            "machine",
            "lost datagrams",
            LOOK,
            f"{lost:,} datagrams were lost for want of buffer since the start (all programs together)",
            "raise sysctl net.core.rmem_max and net.core.rmem_default, or lower polling.in_flight",
        )
    most = _numbers(proc / "sys/net/ipv4/neigh/default/gc_thresh3")
    if most and stations > most[0] * 0.8:
        yield Finding(
            "machine",
            "neighbours",
            LOOK,
            f"the table of neighbours takes {most[0]:,}, and {stations:,} addresses are asked: those in this "
            "machine's own network may not all fit",
            f"sysctl net.ipv4.neigh.default.gc_thresh3={2 * stations} (and ipv6), if they are in one network",
        )


def _numbers(path: Path) -> list[int]:
    try:
        return [int(word) for word in path.read_text("ascii").split()]
    except (OSError, ValueError):
        return []


def _udp(proc: Path) -> dict[str, int]:
    """The line ``Udp:`` of /proc/net/snmp, its numbers by the names in the line before."""
    try:
        lines = [line.split()[1:] for line in (proc / "net/snmp").read_text("ascii").splitlines() if line[:4] == "Udp:"]
        return dict(zip(lines[0], map(int, lines[1]), strict=True))
    except (OSError, ValueError, IndexError):
        return {}
