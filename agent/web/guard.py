"""Who may look at the pages: whoever sits at this machine, asking for it by its own name.

A page of another site can make the reader's browser ask any address, loopback included, under a name of that site's
choosing (DNS rebinding). Such a request says the other site's name in ``Host``, and is turned away.
"""

from __future__ import annotations

import ipaddress
import re

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from agent.web.problem import problem

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


def named_here(host: str | None) -> bool:
    """Whether a ``Host`` header names this machine itself."""
    found = _HOST.match(host or "")
    return found is not None and is_loopback(found["six"] or found["name"])


class OnlyHere:
    """Turns requests away that ask for another host than this machine itself (RFC 9110 section 15.5.20)."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request (ASGI)."""
        if scope["type"] != "http" or scope["path"] in OPEN_PATHS:
            await self._app(scope, receive, send)
            return
        hosts = Headers(scope=scope).getlist("host")
        if len(hosts) == 1 and named_here(hosts[0]):
            await self._app(scope, receive, send)
            return
        detail = "Ask for these pages by the name localhost or a loopback address."
        if scope["path"].startswith("/api/"):
            answer = problem(421, detail)
        else:
            answer = PlainTextResponse(f"{detail}\n", status_code=421)
        await answer(scope, receive, send)
