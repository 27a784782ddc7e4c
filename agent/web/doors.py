"""The doors: each request is looked at before any page is. Under which name it asks, from where, how much, and who.

- ``Host`` must be a name of this agent: else a page of another site could look in under a name of its own (DNS
  rebinding). Status 421.
- What changes something (any method but GET, HEAD, OPTIONS) must not come from another site: ``Sec-Fetch-Site`` and
  ``Origin`` must say so wherever they are there. Status 403. Browsers send them; programs need not.
- What changes something under ``/api/`` must be ``application/json``, which no form of another site can send. 415.
- The caller becomes known (``agent.web.callers``).
"""

from __future__ import annotations

import secrets
from http.cookies import SimpleCookie
from urllib.parse import unquote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.web.callers import AT_THIS_MACHINE, Refused, Visit, enter
from agent.web.forms import WHO_COOKIE
from agent.web.guard import OPEN_PATHS, named_here
from agent.web.problem import problem

SAFE_METHODS = frozenset(("GET", "HEAD", "OPTIONS"))
FORM_COOKIE = "lowmark-form"
LARGEST_FORM = 12 * 1024 * 1024
"""Octets of a form, a photo included."""
LARGEST_JSON = 1024 * 1024


class Doors:
    """Lets requests in to ``app``, or turns them away."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request (ASGI)."""
        if scope["type"] != "http" or scope["path"] in OPEN_PATHS:
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        try:
            self._look_at(scope, headers)
            visit = self._visit(scope, headers)
            receive = _measured(receive, headers, LARGEST_JSON if _is_api(scope) else LARGEST_FORM)
        except Refused as refused:
            await turned_away(scope, refused)(scope, receive, send)
            return
        enter(visit)

        async def send_with_cookies(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for cookie in _cookies_of(visit):
                    found.append("set-cookie", cookie)
            await send(message)

        await self._app(scope, receive, send_with_cookies)

    def _look_at(self, scope: Scope, headers: Headers) -> None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not named_here(hosts[0]):
            raise Refused(421, "Ask for these pages by the name localhost or a loopback address.")
        if scope["method"] in SAFE_METHODS:
            return
        if not same_origin(headers, scope["scheme"]):
            raise Refused(403, "This was sent from a page of another site, so it is not done.")
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        if _is_api(scope) and scope["method"] != "DELETE" and kind != "application/json":
            raise Refused(415, "Send application/json.")

    def _visit(self, scope: Scope, headers: Headers) -> Visit:
        cookies = cookies_in(headers)
        secret = cookies.get(FORM_COOKIE, "")
        fresh = not (20 <= len(secret) <= 100 and secret.isascii())
        return Visit(
            AT_THIS_MACHINE,
            secret=secrets.token_urlsafe(24) if fresh else secret,
            who=unquote(cookies.get(WHO_COOKIE, ""))[:100],
            secure=scope["scheme"] == "https",
            fresh=fresh,
        )


def same_origin(headers: Headers, scheme: str) -> bool:
    """Whether nothing says that another site sent this (W3C Fetch Metadata; RFC 6454 section 7)."""
    site, origin, host = headers.get("sec-fetch-site"), headers.get("origin"), headers.get("host", "")
    if site is not None and site not in ("same-origin", "none"):
        return False
    if origin is None:
        return True
    parts = urlsplit(origin)
    return parts.scheme == scheme and parts.netloc.lower() == host.lower() and not parts.path


def cookies_in(headers: Headers) -> dict[str, str]:
    """The cookies of a request; none where they cannot be read."""
    found: SimpleCookie = SimpleCookie()
    try:
        found.load(headers.get("cookie", ""))
    except Exception:  # noqa: BLE001 - whatever a stranger sends as cookies, it is no reason to fail
        return {}
    return {name: morsel.value for name, morsel in found.items()}


def turned_away(scope: Scope, refused: Refused) -> Response:
    """The answer to a request that was refused at the door: a problem for programs, a page for people."""
    if _is_api(scope):
        return problem(refused.status_code, refused.detail, headers=refused.headers)
    from agent.web.site import refusal

    return refusal(refused)


def _is_api(scope: Scope) -> bool:
    return bool(scope["path"].startswith("/api/"))


def _cookies_of(visit: Visit) -> list[str]:
    made = list(visit.cookies)
    if visit.fresh and visit.formed:
        secure = "; Secure" if visit.secure else ""
        made.append(f"{FORM_COOKIE}={visit.secret}; Path=/; HttpOnly; SameSite=Strict{secure}")
    return made


def _measured(receive: Receive, headers: Headers, most: int) -> Receive:
    """``receive``, which refuses to bring more than ``most`` octets."""
    said = headers.get("content-length", "0")
    too_much = Refused(413, f"This is too large: at most {most // 1024:,} KiB.")
    if not said.isdigit() or int(said) > most:
        raise too_much
    got = 0

    async def measured() -> Message:
        nonlocal got
        message = await receive()
        got += len(message.get("body", b""))
        if got > most:
            raise too_much
        return message

    return measured
