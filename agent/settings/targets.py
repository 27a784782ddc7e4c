"""From the list of printers to the list of addresses to ask."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from agent.model.fleet import Place
from agent.settings.units import Network

if TYPE_CHECKING:
    from agent.settings.shape import PrinterEntry, Settings

SNMP_PORT = 161
MOST_TARGETS = 20_000
"""More addresses than this are a slip of the pen."""


@dataclass(frozen=True, slots=True)
class Target:
    """One address to ask, and what the settings say about the printer there.

    ``listed`` is False for an address that only comes out of a range, where there may be no printer at all.
    ``device``: the one hrDeviceIndex wanted, or None for every printer found there. ``credentials``: their name.
    """

    host: str
    port: int = SNMP_PORT
    device: int | None = None
    name: str = ""
    place: Place = field(default_factory=Place)
    tags: tuple[str, ...] = ()
    credentials: str = "public"
    oddities: tuple[str, ...] = ()
    listed: bool = True


def expand(settings: Settings) -> tuple[Target, ...]:
    """Every address once, in the order of the file: a listed one wins over a range, an earlier range over a later."""
    listed = {
        (entry.address.host, entry.address.port or SNMP_PORT)
        for entry in settings.printers
        if entry.address is not None
    }
    seen: set[tuple[str, int]] = set()
    made = []
    for entry in settings.printers:
        if entry.address is not None:
            made.append(_target(settings, entry, entry.address.host, entry.address.port or SNMP_PORT))
            continue
        for host in addresses(entry.range, entry.excluded) if entry.range is not None else ():
            spot = (host, entry.port)
            if spot not in listed and spot not in seen:
                seen.add(spot)
                made.append(_target(settings, entry, host, entry.port))
    return tuple(made)


def addresses(network: Network, excluded: tuple[Network, ...]) -> Iterator[str]:
    """The host addresses of a range, those of ``excluded`` left out."""
    out = [other for other in excluded if other.version == network.version]
    for address in network.hosts():
        if not any(address in other for other in out):
            yield str(address)


def _target(settings: Settings, entry: PrinterEntry, host: str, port: int) -> Target:
    site = settings.sites.get(entry.site) if entry.site else None
    return Target(
        host=host,
        port=port,
        device=entry.device,
        name=entry.name or "",
        place=Place(
            site=entry.site or "",
            building=entry.building,
            floor=entry.floor,
            room=entry.room,
            zone=site.zone if site else settings.zone,
        ),
        tags=entry.tags,
        credentials=entry.credentials,
        oddities=entry.oddities,
        listed=entry.address is not None,
    )
