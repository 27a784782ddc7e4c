"""Under which names the pages may be asked for.

A page of another site can make the reader's browser ask any address, loopback included, under a name of that site's
choosing (DNS rebinding). Such a request says the other site's name in ``Host``, and is turned away (``doors.py``).
"""

from __future__ import annotations

import ipaddress
import re

OPEN_PATHS = frozenset({"/metrics", "/healthz", "/readyz"})
"""These say nothing that a reader must not see, and are asked for under any name."""

_HOST = re.compile(r"(?:\[(?P<six>[0-9A-Fa-f:.]+)\]|(?P<name>[^\[\]:/@?#\s]+))(?::[0-9]{1,5})?\Z")


def is_loopback(host: str) -> bool:
    """Whether a bare name or address means this machine itself: localhost, 127.0.0.0/8, ::1 (RFC 6761, RFC 5735)."""
    name = host.strip("[]").rstrip(".").lower()
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return address.is_loopback


def named_here(host: str | None, names: frozenset[str] = frozenset(), *, elsewhere: bool = False) -> bool:
    """Whether a ``Host`` header names this machine itself, or is one of ``names``.

    ``elsewhere``: any IP address will do as well.
    """
    found = _HOST.match(host or "")
    if found is None:
        return False
    name = found["six"] or found["name"]
    if is_loopback(name) or name.rstrip(".").lower() in names:
        return True
    return elsewhere and _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
