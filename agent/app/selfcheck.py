"""A look at everything that the agent needs: settings, store, channels, clock, machine, and a sample of printers.

Reads and knocks: no row is written, no printer is set, nobody is told unless tests are asked for. A history of an older
Lowmark is brought up to date, as by every command that opens it.
"""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import shutil
import socket
import ssl
import statistics
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from agent.app import machine, parts
from agent.app.finding import FINE, LOOK, WRONG, Finding
from agent.app.reach import reach, send_tests
from agent.app.validity import certificate
from agent.model.day_words import clock_words
from agent.model.failure import Failure
from agent.model.wire import Silent
from agent.settings import Settings, SettingsErrors, load, notices
from agent.snmp.reader import Reader
from agent.snmp.wire import Limits, open_engine
from agent.store import Store
from agent.store.errors import StoreError
from agent.sweep.station import Stop

REQUESTS = 3
"""Requests that one printer costs in a usual sweep."""
_SLOW_WRITE = 0.5
_LITTLE_SPACE = 1 << 30


@dataclass(frozen=True, slots=True)
class Wishes:
    """What to look at. ``sample``: how many printers to ask. ``send_test``: send a message on every channel."""

    settings_file: Path
    store_url: str | None = None
    sample: int = 10
    send_test: bool = False
    timeout: float = 5.0


async def look(wishes: Wishes, now: Callable[[], datetime], timer: Callable[[], float]) -> AsyncIterator[Finding]:
    """The findings as they come. With settings that cannot be read there are no others than that."""
    try:
        settings = await asyncio.to_thread(load, wishes.settings_file)
    except SettingsErrors as wrong:
        for error in wrong.errors:
            yield Finding("settings", error.key or str(wishes.settings_file), WRONG, str(error), "mend the file")
        return
    stops: list[Stop] = []
    for finding in _settings(settings, wishes.settings_file, stops):
        yield finding
    last, found = await asyncio.to_thread(_store, settings, wishes.store_url, now(), timer)
    for finding in found:
        yield finding
    for finding in await asyncio.to_thread(_listening, settings, now()):
        yield finding
    for finding in await reach(settings, wishes.settings_file.parent, timeout=wishes.timeout):
        yield finding
    if wishes.send_test:
        for finding in await _tests(settings, wishes.settings_file.parent, now):
            yield finding
    for finding in machine.clock(now(), last, zone=settings.zone):
        yield finding
    for finding in machine.zones([settings.zone, *(site.zone for site in settings.sites.values())], now()):
        yield finding
    async for finding in _printers(settings, stops, wishes.sample, now, timer):
        yield finding


# --- settings --------------------------------------------------------------------------------------------------------


def _settings(settings: Settings, file: Path, stops: list[Stop]) -> Iterator[Finding]:
    for notice in notices(settings):
        key, _, text = notice.partition(": ")
        yield Finding("settings", key, LOOK, text, "lowmark settings example explains the keys")
    try:
        stops += parts.stops(settings, parts.oddities(settings, file.parent))
    except Failure as failure:
        yield Finding("settings", str(file), WRONG, str(failure), "put it right; the agent does not start like this")
        return
    listed = sum(stop.expected for stop in stops)
    yield Finding("settings", str(file), FINE, f"{listed} printers listed, {len(stops) - listed} addresses in ranges")


# --- store -----------------------------------------------------------------------------------------------------------


def _store(
    settings: Settings, url: str | None, now: datetime, timer: Callable[[], float]
) -> tuple[datetime | None, list[Finding]]:
    """The latest contact in the history, and what is to be said of the store."""
    try:
        url = url or settings.store.reveal_url()
    except Failure as failure:
        return None, [
            Finding("store", settings.store.url, WRONG, str(failure), "put the secret where the settings say")
        ]
    file = Path(url.partition(":///")[2]) if url.startswith("sqlite:///") else None
    told = settings.store.url if file is None else url  # that of a server may hold a password
    if file is not None and not file.exists():
        return None, [_no_history(file)]
    found = [] if file is None else list(_space(file))
    try:
        with Store.open(url, create=False, patience=timedelta(seconds=2)) as store:
            began = timer()
            store.append_ledger(())
            took = timer() - began
            last, more = _look_into(store, settings, now)
    except StoreError as error:
        return None, [*found, Finding("store", told, WRONG, str(error), "until then readings wait in memory")]
    if took > _SLOW_WRITE:
        more.append(
            Finding(
                "store",
                "speed",
                LOOK,
                f"an empty write took {took:.1f} s",
                "look at the disk, and at who else writes there",
            )
        )
    return last, [*found, Finding("store", store.url, FINE, f"can be read and written ({took * 1000:.0f} ms)"), *more]


def _no_history(file: Path) -> Finding:
    if not file.parent.is_dir():
        return Finding("store", str(file), WRONG, f"there is no folder {file.parent}", f"mkdir -p {file.parent}")
    if not os.access(file.parent, os.W_OK | os.X_OK):
        return Finding(
            "store",
            str(file),
            WRONG,
            f"{file.parent} may not be written by this user",
            "run this as the agent's user, or give that user the folder",
        )
    return Finding("store", str(file), LOOK, "there is no history yet", "nothing, if the agent never ran: it makes one")


def _space(file: Path) -> Iterator[Finding]:
    try:
        usage, size = shutil.disk_usage(file.parent), file.stat().st_size
    except OSError:
        return
    if usage.free < max(_LITTLE_SPACE, size):
        yield Finding(
            "store",
            "space",
            LOOK,
            f"{usage.free / 1e9:.1f} GB free, {size / 1e9:.1f} GB taken",
            "make room: a backup beside it or an upgrade takes as much again",
        )
    else:
        yield Finding("store", "space", FINE, f"{usage.free / 1e9:.1f} GB are free")


def _look_into(store: Store, settings: Settings, now: datetime) -> tuple[datetime | None, list[Finding]]:
    found = []
    contacts = store.contacts().values()
    last = max((one.last for one in contacts), default=None)
    patience = max(timedelta(minutes=10), settings.polling.status * 3)
    if last is not None and now - last > patience:
        found.append(
            Finding(
                "store",
                "last sweep",
                LOOK,
                f"the last printer was asked at {clock_words(last, settings.zone, now)}",
                "start the agent, or look at its log if it runs",
            )
        )
    dead = store.outbox_counts().get("dead", 0)
    if dead:
        found.append(
            Finding(
                "store",
                "outbox",
                LOOK,
                f"{dead} messages could not be delivered and were given up",
                "lowmark alarms outbox shows why",
            )
        )
    return last, found


# --- where it listens ------------------------------------------------------------------------------------------------


def _listening(settings: Settings, now: datetime) -> list[Finding]:
    """Whether the agent is there, or could be, and whether it can prove itself."""
    tls = settings.listen.tls
    return [*_at_its_place(settings), *([] if tls is None else [certificate(tls.certificate, now, settings.zone)])]


def _at_its_place(settings: Settings) -> list[Finding]:
    at = settings.listen.address
    host, port = at.host, at.port or 0
    near = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - what the settings say
    alive = _alive(f"[{near}]" if ":" in near else near, port, tls=settings.listen.tls is not None)
    if alive:
        return [Finding("agent", str(at), FINE, "the agent runs and is well")]
    if alive is not None:
        return [Finding("agent", str(at), WRONG, "the agent runs and is stuck", "start it again; its log may say why")]
    found = [Finding("agent", str(at), LOOK, "the agent does not run here", "lowmark run, or start its service")]
    heard = settings.listen.notifications
    for place, kind in ((at, socket.SOCK_STREAM), (heard, socket.SOCK_DGRAM)):
        why = None if place is None else _hindrance(place.host, place.port or 0, kind)
        if why is not None:
            do = "give another address or port under listen; for ports below 1024 see drop-ins/port-162.conf"
            found.append(Finding("agent", str(place), WRONG, f"the agent could not listen there: {why}", do))
    return found


def _hindrance(host: str, port: int, kind: socket.SocketKind) -> str | None:
    """Why nobody could listen there now, or None."""
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=kind)[0]
        with socket.socket(family, kind) as trial:
            if kind == socket.SOCK_STREAM:
                trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(address)
    except (OSError, UnicodeError) as problem:
        return problem.strerror if isinstance(problem, OSError) and problem.strerror else str(problem)
    return None


def _alive(host: str, port: int, *, tls: bool = False) -> bool | None:
    """Whether a Lowmark there says that it is alive; None where there is none."""
    # By its address the agent cannot prove its name; that it is there is all that is wanted, and no secret is sent.
    opener = urllib.request.build_opener(
        urllib.request.ProxyHandler({}),
        urllib.request.HTTPSHandler(context=_unproven()),
    )
    try:
        with opener.open(f"http{'s' if tls else ''}://{host}:{port}/healthz", timeout=3) as answer:
            said, status = json.loads(answer.read(10_000)), answer.status
    except urllib.error.HTTPError as error:
        said, status = _json(error), error.code
    except (OSError, ValueError, http.client.HTTPException):
        return None
    if not isinstance(said, dict) or said.get("format") != "lowmark.health.v1":
        return None
    return bool(status == 200)


def _unproven() -> ssl.SSLContext:
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


def _json(error: urllib.error.HTTPError) -> object:
    try:
        return json.loads(error.read(10_000))
    except (OSError, ValueError):
        return None


async def _tests(settings: Settings, base: Path, now: Callable[[], datetime]) -> list[Finding]:
    try:
        channels = parts.channels(settings, base, now)
    except Failure as failure:
        return [Finding("channels", "test", WRONG, str(failure), "put it right, and send a test again")]
    return await send_tests(channels, now())


# --- the fleet -------------------------------------------------------------------------------------------------------


async def _printers(
    settings: Settings, stops: Sequence[Stop], most: int, now: Callable[[], datetime], timer: Callable[[], float]
) -> AsyncIterator[Finding]:
    """The engine, the machine's limits for it, and a sample of the fleet."""
    polling = settings.polling
    try:
        engine = open_engine(polling.engine)
    except Failure as failure:
        yield Finding("printers", "engine", WRONG, str(failure), "polling.engine: auto")
        return
    if engine.name == "gufo":
        yield Finding("printers", "engine", FINE, engine.name)
    else:
        yield Finding(
            "printers",
            "engine",
            LOOK,
            f"{engine.name}, the slower one",
            "pip install gufo-snmp where it has a wheel (Linux), and polling.engine: auto",
        )
    yield machine.descriptors(len(stops), engine.name)
    listens = settings.listen.notifications is not None
    for finding in machine.buffers(len(stops), polling.in_flight, engine.name, listens=listens):
        yield finding
    reader = Reader(engine, Limits(in_flight=polling.in_flight), clock=now)
    try:
        asked = sample(stops, most)
        seconds, found = await _ask(reader, asked, timer)
    finally:
        await reader.close()
    for finding in found:
        yield finding
    if asked:
        yield _pace(settings, stops, asked, seconds)


def sample(stops: Sequence[Stop], most: int) -> list[Stop]:
    """At most so many, spread evenly; those out of ranges, where nobody need be, only where none is listed."""
    some = [stop for stop in stops if stop.expected] or list(stops)
    if len(some) <= most:
        return some
    return [some[at * len(some) // most] for at in range(most)]


async def _ask(reader: Reader, asked: Sequence[Stop], timer: Callable[[], float]) -> tuple[list[float], list[Finding]]:
    """How long the answers took, and what is to be said of the printers asked."""

    async def one(stop: Stop) -> tuple[float, Finding | None]:
        began = timer()
        probe = await reader.probe(stop.peer)
        took = timer() - began
        name = stop.name or stop.peer.address
        if probe.devices:
            return took, None
        if probe.error is not None:
            missed = isinstance(probe.error, Silent) and not stop.expected
            return took, Finding(
                "printers",
                name,
                FINE if missed else WRONG,
                str(probe.error),
                "" if missed else f"lowmark read {stop.peer.address} shows more",
            )
        return took, Finding(
            "printers",
            name,
            LOOK,
            "it answers SNMP, and shows no printer (RFC 3805)",
            "look whether the address is right",
        )

    done = await asyncio.gather(*(one(stop) for stop in asked))
    found = [finding for _, finding in done if finding is not None]
    if asked:
        well = len(asked) - len(found)
        found.insert(0, Finding("printers", "sample", FINE, f"{well} of {len(asked)} asked answer as printers"))
    return [took for took, _ in done], found


def _pace(settings: Settings, stops: Sequence[Stop], asked: Sequence[Stop], seconds: Sequence[float]) -> Finding:
    """Whether a sweep over all fits into its interval, judged by the sample and by the rate that is allowed."""
    polling = settings.polling
    interval = polling.status.total_seconds()
    by_sample = statistics.fmean(seconds) * len(stops) / min(polling.in_flight, len(asked), len(stops))
    by_rate = len(stops) * REQUESTS / polling.rate
    whole = max(by_sample, by_rate)
    says = f"a sweep over {len(stops):,} addresses takes about {whole:.1f} s of {interval:.0f} s"
    if whole <= interval / 2:
        return Finding("printers", "pace", FINE, says)
    do = "raise polling.rate" if by_rate >= by_sample else "raise polling.in_flight, or lower timeout and retries"
    return Finding("printers", "pace", WRONG if whole > interval else LOOK, says, f"{do}, or read less often")
