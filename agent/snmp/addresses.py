"""Host names to numeric addresses, asked of the system's resolver and kept for a while."""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections import OrderedDict
from collections.abc import Awaitable, Callable

from agent.model.wire import Unresolved

Lookup = Callable[[str], Awaitable[list[str]]]
_MOST_NAMES = 20_000


async def system_lookup(host: str) -> list[str]:
    """The addresses of ``host`` in the system's order of preference (RFC 6724), link-local ones with their zone."""
    found = await asyncio.get_running_loop().getaddrinfo(host, None, type=socket.SOCK_DGRAM)
    return [str(entry[4][0]) for entry in found]


class Resolver:
    """Addresses by name. ``seconds`` is how long an answer is kept; failures are not kept."""

    def __init__(self, seconds: float = 300.0, lookup: Lookup = system_lookup) -> None:
        self._seconds = seconds
        self._lookup = lookup
        self._known: OrderedDict[str, tuple[float, tuple[str, ...]]] = OrderedDict()

    async def resolve(self, host: str, seconds: float) -> tuple[str, ...]:
        """The numeric addresses of ``host``, the preferred one first; a numeric ``host`` is its own address.

        ``seconds`` bounds the question to the resolver.

        Raises:
            Unresolved: the name has no address, or the resolver did not say in time.
        """
        try:
            ipaddress.ip_address(host)
        except ValueError:
            pass
        else:
            return (host,)
        now = asyncio.get_running_loop().time()
        until, addresses = self._known.get(host, (0.0, ()))
        if addresses and now < until:
            return addresses
        try:
            async with asyncio.timeout(seconds):
                addresses = tuple(dict.fromkeys(await self._lookup(host)))
        except TimeoutError:
            raise Unresolved(
                f"the name {host!r} was not resolved within {seconds:g} s: check the name server"
            ) from None
        except (OSError, UnicodeError) as error:  # UnicodeError: it cannot be a host name at all
            why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            raise Unresolved(
                f"the name {host!r} has no address ({why}): check its spelling and the name server"
            ) from None
        if not addresses:
            raise Unresolved(f"the name {host!r} has no address: check its spelling and the name server")
        self._known[host] = (now + self._seconds, addresses)
        self._known.move_to_end(host)
        if len(self._known) > _MOST_NAMES:
            self._known.popitem(last=False)
        return addresses

    def forget(self, host: str) -> None:
        """Ask again the next time."""
        self._known.pop(host, None)
