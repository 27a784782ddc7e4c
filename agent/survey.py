"""Looking through address ranges for printers, through a given wire.

    ranges ──> addresses, each once ──> at most ``rate`` probes a second, ``concurrency`` at a time ──> SurveyResult

The wire decides what a printer is (``Probe.devices``); here is decided whom to ask, in which order and how fast. A
survey that is cancelled keeps what it has found: see ``Survey.result``.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import yaml

from agent.mib.text import words
from agent.model.failure import Failure
from agent.model.probe import Probe
from agent.model.wire import Community, Denied, Peer, Refused, Silent, Unsupported, UsmUser, WireError

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
Credential = tuple[str, Community | UsmUser]
"""Credentials with the name that they have in the settings."""

MOST_ADDRESSES = 65_536
ANYBODY = UsmUser("lowmark-is-anybody-there")
"""A user that no agent knows. One that speaks SNMPv3 answers so (RFC 3414 section 3.2), and thereby that it is there,
where SNMPv1 and v2c agents drop a wrong community without a word."""
_LONGEST_NAME = 100
_UTF_8 = 106  # IANA character sets


class BadRange(Failure):
    """A range that is none, or is too wide."""

    status = 2


class Prober(Protocol):
    """The wire, as a survey needs it."""

    async def probe(self, peer: Peer) -> Probe:
        """What answers there. A failure is told in the Probe; one that is raised must be a WireError."""
        ...


@dataclass(frozen=True, slots=True)
class Found:
    """Something that answered. ``devices``: hrDeviceIndex of each printer there; empty for what is no printer.

    ``host`` and ``port`` as asked, ``address`` as the settings write it. ``credentials``: the name of those that it
    answered to. ``problem``: why it could not be asked properly, else empty.
    """

    host: str
    port: int
    address: str
    credentials: str
    devices: tuple[int, ...] = ()
    name: str = ""
    descr: str = ""
    object_id: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class SurveyResult:
    """What a survey found, each in order of address.

    ``denied``: they answered that none of the credentials may read them. ``silent``: how many did not answer;
    ``closed``: how many hosts are there, yet listen for no SNMP. ``asked`` of ``total`` addresses (fewer when stopped).
    """

    printers: tuple[Found, ...] = ()
    others: tuple[Found, ...] = ()
    denied: tuple[Found, ...] = ()
    silent: int = 0
    closed: int = 0
    asked: int = 0
    total: int = 0


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a survey is."""

    asked: int
    total: int
    printers: int


def read_ranges(texts: Iterable[str]) -> tuple[Network, ...]:
    """``192.0.2.0/28``, ``2001:db8::/120`` or single addresses. Raises BadRange, which says what would be right."""
    made: list[Network] = []
    for text in texts:
        try:
            network = ipaddress.ip_network(text.strip())
        except ValueError:
            raise BadRange(_range_trouble(text.strip())) from None
        if network.is_multicast or network.network_address.is_unspecified:
            raise BadRange(f"{text} is no range of single hosts")
        made.append(network)
    return tuple(made)


def _range_trouble(text: str) -> str:
    try:
        near = ipaddress.ip_network(text, strict=False)
    except ValueError:
        return f"{text!r} is no range of addresses; write e.g. 192.0.2.0/24, 2001:db8::/120 or 192.0.2.7"
    return f"{text} has bits set after its prefix; did you mean {near}?"


def addresses(networks: Sequence[Network], most: int = MOST_ADDRESSES) -> tuple[str, ...]:
    """Every host address of the ranges once, in the order given.

    The network and broadcast addresses of an IPv4 range are left out where the prefix is shorter than 31 (RFC 3021),
    and so is the subnet-router anycast address of an IPv6 range (RFC 4291 section 2.6.1). Raises BadRange for more than
    ``most`` addresses.
    """
    networks = tuple(dict.fromkeys(networks))
    count = sum(network.num_addresses for network in networks)
    if count > most:
        # Ranges that overlap are counted once; only now, since this takes a moment.
        four = [one for one in networks if isinstance(one, ipaddress.IPv4Network)]
        six = [one for one in networks if isinstance(one, ipaddress.IPv6Network)]
        count = sum(one.num_addresses for one in ipaddress.collapse_addresses(four))
        count += sum(one.num_addresses for one in ipaddress.collapse_addresses(six))
    if count > most:
        raise BadRange(f"these are {count:,} addresses, and a survey asks at most {most:,}; name smaller ranges")
    seen: dict[str, None] = {}
    for network in networks:
        seen.update(dict.fromkeys(str(host) for host in network.hosts()))
    return tuple(seen)


class Survey:
    """One survey. ``run`` it once; ``result`` may be asked at any time, also after ``run`` was cancelled.

    ``credentials`` are tried in their order until a printer is found. ``rate``: probes begun a second; a probe of a
    silent address is one question and its retries. ``like``: the time-outs and retries to use. ``last_resort``: ask
    what stays silent whether it speaks SNMPv3 at all (see ``ANYBODY``), so that it can be told from nobody.
    ``on_progress`` is called after each address.
    """

    def __init__(  # noqa: PLR0913 - a survey is all of this
        self,
        networks: Sequence[Network],
        credentials: Sequence[Credential],
        prober: Prober,
        *,
        rate: float = 50.0,
        concurrency: int = 128,
        port: int = 161,
        most: int = MOST_ADDRESSES,
        like: Peer = Peer("", timeout=1.0, retries=1, deadline=5.0),  # noqa: B008 - frozen
        last_resort: bool = True,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> None:
        if rate <= 0 or concurrency < 1:
            raise ValueError("a survey needs a rate above 0 and at least one probe at a time")
        self.hosts = addresses(networks, most)
        self._credentials = tuple(credentials)
        self._last_resort = (("", ANYBODY),) if last_resort else ()
        self._prober = prober
        self._gap = 1.0 / rate
        self._concurrency = concurrency
        self._like = replace(like, port=port)
        self._on_progress = on_progress
        self._next_start = 0.0
        self._found: dict[int, Found] = {}
        self._refused: dict[int, Found] = {}
        self._silent = self._closed = self._printers = 0

    @property
    def result(self) -> SurveyResult:
        """What has been found so far."""
        found = [self._found[at] for at in sorted(self._found)]
        return SurveyResult(
            printers=tuple(one for one in found if one.devices),
            others=tuple(one for one in found if not one.devices),
            denied=tuple(self._refused[at] for at in sorted(self._refused)),
            silent=self._silent,
            closed=self._closed,
            asked=self._asked(),
            total=len(self.hosts),
        )

    async def run(self) -> SurveyResult:
        """Ask every address. Raises Unsupported where the wire cannot do what the credentials ask for."""
        self._next_start = asyncio.get_running_loop().time()
        queue = iter(enumerate(self.hosts))
        workers = [
            asyncio.create_task(self._work(queue)) for _ in range(max(1, min(self._concurrency, len(self.hosts))))
        ]
        try:
            await asyncio.gather(*workers)
        finally:
            for worker in workers:
                worker.cancel()
            await asyncio.gather(*workers, return_exceptions=True)
        return self.result

    async def _work(self, queue: Iterator[tuple[int, str]]) -> None:
        for at, host in queue:
            await self._ask(at, host)
            if self._on_progress is not None:
                self._on_progress(Progress(self._asked(), len(self.hosts), self._printers))

    def _asked(self) -> int:
        return len(self._found) + len(self._refused) + self._silent + self._closed

    async def _ask(self, at: int, host: str) -> None:
        """Try the credentials at one address, in their order, as long as they may show more."""
        best: Found | None = None
        refused: Found | None = None
        for name, credentials in (*self._credentials, *self._last_resort):
            if not self._worth_asking(credentials, best, refused):
                continue
            peer = replace(self._like, host=host, credentials=credentials)
            await self._turn()
            probe = await self._probe(peer)
            match _kind(probe):
                case "printer":
                    best = _found(peer, name, probe)
                    break
                case "other":
                    best = best or _found(peer, name, probe)
                case "denied":
                    refused = refused or _found(peer, name, probe)
                case "closed":
                    self._closed += 1
                    return
        if best is not None:
            self._found[at] = best
            self._printers += bool(best.devices)
        elif refused is not None:
            self._refused[at] = refused
        else:
            self._silent += 1

    def _worth_asking(self, credentials: Community | UsmUser, best: Found | None, refused: Found | None) -> bool:
        if credentials is ANYBODY:
            return best is None and refused is None
        if best is None:
            return True
        # The same community in another version shows nothing more of what has answered already.
        answered = dict(self._credentials).get(best.credentials)
        return not (
            isinstance(credentials, Community)
            and isinstance(answered, Community)
            and credentials.community == answered.community
        )

    async def _probe(self, peer: Peer) -> Probe:
        try:
            return await self._prober.probe(peer)
        except WireError as error:
            return Probe(peer.address, answered=False, error=error)

    async def _turn(self) -> None:
        """Wait until the next probe may begin. Turns are given out in advance, so no two probes share one."""
        now = asyncio.get_running_loop().time()
        start = max(now, self._next_start)
        self._next_start = start + self._gap
        if start > now:
            await asyncio.sleep(start - now)


async def survey(
    networks: Sequence[Network],
    credentials: Sequence[Credential],
    prober: Prober,
    *,
    rate: float = 50.0,
    concurrency: int = 128,
    port: int = 161,
    on_progress: Callable[[Progress], None] | None = None,
) -> SurveyResult:
    """Look through ``networks``; see ``Survey``, which also keeps what was found when it is cancelled."""
    going = Survey(
        networks, credentials, prober, rate=rate, concurrency=concurrency, port=port, on_progress=on_progress
    )
    return await going.run()


def _kind(probe: Probe) -> str:
    """printer, other (answers, and is none), denied, closed (the host is there without SNMP) or silent."""
    error = probe.error
    if isinstance(error, Unsupported):
        raise error
    if probe.devices:
        return "printer"
    if isinstance(error, Refused):
        return "closed"
    if isinstance(error, Denied) and not probe.object_id:
        return "denied"
    if probe.answered or (error is not None and not isinstance(error, Silent)):
        return "other"
    return "silent"


def _found(peer: Peer, credentials: str, probe: Probe) -> Found:
    problem = "" if probe.error is None else str(probe.error)
    if peer.credentials is ANYBODY:
        problem = "it speaks SNMP version 3, and answers none of the credentials"
    return Found(
        host=peer.host,
        port=peer.port,
        address=peer.address,
        credentials=credentials,
        devices=probe.devices,
        name=_clean(probe.name),
        descr=_clean(probe.descr),
        object_id=probe.object_id,
        problem=problem,
    )


def _clean(text: str) -> str:
    """One line without control characters and bidi overrides, whoever sent it."""
    return " ".join(words(text.encode("utf-8", "replace"), _UTF_8).split())


def to_yaml(result: SurveyResult, credentials: Mapping[str, Mapping[str, object]] | None = None) -> str:
    """Entries for the settings file: the printers found, ready to paste. Empty text where there is none.

    ``credentials``: entries of the settings' section of that name which the printers refer to and which the user's
    file may not have yet; secrets must stand in them by reference.
    """
    taken: set[str] = set()
    entries = []
    for one in result.printers:
        entry: dict[str, object] = {"address": one.address}
        if name := _unused(one.name, taken):
            entry["name"] = name
        if one.credentials != "public":
            entry["credentials"] = one.credentials
        entries.append(entry)
    if not entries:
        return ""
    used = {one.credentials for one in result.printers}
    needed = {name: dict(entry) for name, entry in (credentials or {}).items() if name in used}
    document: dict[str, object] = {"credentials": needed} if needed else {}
    document["printers"] = entries
    return yaml.safe_dump(document, allow_unicode=True, sort_keys=False, width=1000)


def _unused(name: str, taken: set[str]) -> str:
    """The name, with a number after it where another printer has it already: names in the settings are unique."""
    name = name[:_LONGEST_NAME].strip()
    made, number = name, 1
    while made and made.casefold() in taken:
        number += 1
        tail = f" ({number})"
        made = name[: _LONGEST_NAME - len(tail)].rstrip() + tail
    taken.add(made.casefold())
    return made
