"""Headers that keep a page to itself: nothing is loaded, framed, sniffed, sent on or kept."""

from __future__ import annotations

import base64
import hashlib

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.web.guard import named_here


def style_source(style: str) -> str:
    """The Content-Security-Policy source for one inline style sheet (CSP Level 2, hash source)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()}'"


class StrictHeaders:
    """Puts the headers on every answer. ``styles``: the inline style sheets that the pages have."""

    def __init__(self, app: ASGIApp, styles: tuple[str, ...] = ()) -> None:
        self._app = app
        sources = " ".join(map(style_source, styles)) or "'none'"
        policy = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        self._headers = {
            "content-security-policy": f"{policy}; style-src {sources}",
            "x-content-type-options": "nosniff",
            # Not no-referrer: then a browser says "Origin: null" of our own forms (Fetch, append a request Origin).
            "referrer-policy": "same-origin",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
            "cache-control": "no-store",
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request (ASGI)."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                if scope["scheme"] == "https" and not named_here(Headers(scope=scope).get("host")):
                    # RFC 6797. Not for localhost, whose other servers would have to speak TLS then, too.
                    headers["strict-transport-security"] = "max-age=31536000"
            await send(message)

        await self._app(scope, receive, send_with_headers)
