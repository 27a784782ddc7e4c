"""The doors: each request is looked at before any page is. Under which name it asks, from where, how much, and who.

- ``Host`` must be a name of this agent: else a page of another site could look in under a name of its own (DNS
  rebinding). Status 421.
- What changes something (any method but GET, HEAD, OPTIONS) must not come from another site: ``Sec-Fetch-Site`` and
  ``Origin`` must say so wherever they are there. Status 403. Browsers send them; programs need not.
- What changes something under ``/api/`` must be ``application/json``, which no form of another site can send. 415.
  A service with a photo is ``multipart/form-data``, which one could; it is turned away by the line above.
- The caller becomes known (``agent.web.callers``): by a token, a proxy, a session, or by sitting at this machine. Where
  people sign in, whoever is not known gets no further: 401 for programs, the sign-in page for people.
"""

from __future__ import annotations

import secrets
from http.cookies import SimpleCookie
from urllib.parse import quote, unquote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.model.failure import Failure
from agent.web import locales
from agent.web.callers import AT_THIS_MACHINE, NOBODY, Caller, Refused, Visit, enter
from agent.web.forms import WHO_COOKIE
from agent.web.gate import LARGEST_FORM, Gate
from agent.web.guard import OPEN_PATHS, named_here
from agent.web.problem import problem

SAFE_METHODS = frozenset(("GET", "HEAD", "OPTIONS"))
FORM_COOKIE = "lowmark-form"
SESSION_COOKIE = "lowmark-session"
SIGN_IN = "/sign-in"
WITH_PHOTO = "/api/v1/services/with-photo"
WITHOUT_SIGN_IN = (SIGN_IN, "/icon.svg", "/look-", "/acknowledge/")
"""Whoever is not known may see what begins like this: the sign-in page, how it looks, and what the signed link of a
message leads to."""
LARGEST_JSON = 1024 * 1024


class Doors:
    """Lets requests in to ``app``, or turns them away."""

    def __init__(self, app: ASGIApp, gate: Gate | None = None) -> None:
        self._app = app
        self._gate = gate or Gate()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request (ASGI)."""
        if scope["type"] != "http" or scope["path"] in OPEN_PATHS:
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        try:
            self._look_at(scope, headers)
            small = _is_api(scope) and scope["path"] != WITH_PHOTO
            receive = _measured(receive, headers, LARGEST_JSON if small else LARGEST_FORM)
            visit = await self._visit(scope, headers)
        except Refused as refused:
            await turned_away(scope, refused)(scope, receive, send)
            return
        except Failure as failure:
            await _out_of_order(scope, failure)(scope, receive, send)
            return
        enter(visit)
        locales.use(self._gate.locale or locales.chosen(headers.get("accept-language", "")))
        if visit.caller.how == "nobody" and not scope["path"].startswith(WITHOUT_SIGN_IN):
            await _sign_in_first(scope)(scope, receive, send)
            return

        async def send_with_cookies(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for cookie in _cookies_of(visit):
                    found.append("set-cookie", cookie)
            await send(message)

        await self._app(scope, receive, send_with_cookies)

    # --- what every request is asked ------------------------------------------------------------------------------

    def _look_at(self, scope: Scope, headers: Headers) -> None:
        gate, hosts = self._gate, headers.getlist("host")
        if len(hosts) != 1 or not named_here(hosts[0], gate.names, elsewhere=gate.elsewhere):
            hint = "a name given under listen.names, " if gate.elsewhere or gate.names or gate.behind_proxy else ""
            raise Refused(421, f"Ask for these pages by {hint}the name localhost or a loopback address.")
        if scope["method"] in SAFE_METHODS:
            return
        schemes = (scope["scheme"], "https") if gate.behind_proxy else (scope["scheme"],)
        if not any(same_origin(headers, scheme) for scheme in schemes):
            raise Refused(403, "This was sent from a page of another site, so it is not done.")
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        wanted = "multipart/form-data" if scope["path"] == WITH_PHOTO else "application/json"
        if _is_api(scope) and scope["method"] != "DELETE" and kind != wanted:
            raise Refused(415, f"Send {wanted}.")

    # --- who it is --------------------------------------------------------------------------------------------------

    async def _visit(self, scope: Scope, headers: Headers) -> Visit:
        gate, cookies = self._gate, cookies_in(headers)
        secure = scope["scheme"] == "https" or gate.behind_proxy
        peer = str((scope.get("client") or ("",))[0])
        secret = cookies.get(cookie_name(FORM_COOKIE, secure=secure), "")
        fresh = not (20 <= len(secret) <= 100 and secret.isascii())
        visit = Visit(
            NOBODY if gate.sign_in else AT_THIS_MACHINE,
            secret=secrets.token_urlsafe(24) if fresh else secret,
            who=unquote(cookies.get(WHO_COOKIE, ""))[:100],
            address=self._address(peer, headers),
            secure=secure,
            fresh=fresh,
        )
        if gate.keeper is not None:
            session = cookies.get(cookie_name(SESSION_COOKIE, secure=secure), "")
            await self._recognise(visit, headers, peer, session, charted=scope["path"].endswith(".svg"))
        if visit.caller.how == "token" and not _is_api(scope):
            raise Refused(403, "Tokens are for programs: /api/v1/ takes them, the pages do not.")
        return visit

    async def _recognise(self, visit: Visit, headers: Headers, peer: str, session: str, *, charted: bool) -> None:
        gate, keeper = self._gate, self._gate.keeper
        assert keeper is not None  # noqa: S101 - looked at by the caller
        scheme, _, secret = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            token = await run_in_threadpool(keeper.token, secret.strip())
            if token is None:
                # RFC 6750 section 3.1
                told = {"www-authenticate": 'Bearer error="invalid_token"'}
                raise Refused(401, "This token is not known, has expired or was revoked.", told)
            visit.caller = Caller(token.name, token.role, "token")
        elif gate.header and gate.trusts(peer) and (names := headers.getlist(gate.header)):
            if len(names) > 1:
                raise Refused(400, f"The header {gate.header} came more than once.")
            name = unquote(names[0]).strip()
            person = await run_in_threadpool(keeper.person, name) if name else None
            if name and person is None:
                raise Refused(
                    403, f"You are signed in as {name[:100]}, whom this agent does not know. An administrator can let "
                    "you in: lowmark people add NAME --role look --no-password."
                )  # fmt: skip
            if person is not None:
                visit.caller = Caller(person.name, person.role, "proxy")
        elif gate.sign_in and session:
            # What a page asks for by itself is no sign of its reader: to be renewed, and its charts.
            used = "x-lowmark-live" not in headers and not charted
            person = await run_in_threadpool(keeper.session, session, used=used)
            if person is not None:
                visit.caller = Caller(person.name, person.role, "session")
                visit.secret, visit.fresh = session, False

    def _address(self, peer: str, headers: Headers) -> str:
        """Who asks, as far as it is known: what a trusted proxy says, else the other end of the connection."""
        said = headers.getlist("x-forwarded-for")
        if said and self._gate.trusts(peer):
            return said[-1].rpartition(",")[2].strip()[:100] or peer
        return peer


def cookie_name(name: str, *, secure: bool) -> str:
    """Over TLS with the prefix that binds a cookie to this host and to TLS (RFC 6265bis section 4.1.3.2)."""
    return f"__Host-{name}" if secure else name


def cookie(name: str, value: str, *, secure: bool, strict: bool = True, age: int | None = None) -> str:
    """A ``Set-Cookie`` value out of reach of scripts. ``strict`` False: it also comes along when a link is followed."""
    parts = [f"{cookie_name(name, secure=secure)}={value}", "Path=/", "HttpOnly"]
    parts += [f"Max-Age={age}"] if age is not None else []
    parts += ["Secure"] if secure else []
    return "; ".join([*parts, f"SameSite={'Strict' if strict else 'Lax'}"])


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


def _out_of_order(scope: Scope, failure: Failure) -> Response:
    return turned_away(scope, Refused(503, str(failure)))


def _sign_in_first(scope: Scope) -> Response:
    if scope["method"] in ("GET", "HEAD") and not _is_api(scope):
        query = scope["query_string"].decode("latin-1")
        there = scope["path"] + (f"?{query}" if query else "")
        return RedirectResponse(f"{SIGN_IN}?next={quote(there, safe='')}", 303)
    told = {"www-authenticate": "Bearer"}
    return turned_away(scope, Refused(401, "Sign in, or send a token: Authorization: Bearer TOKEN.", told))


def _is_api(scope: Scope) -> bool:
    return bool(scope["path"].startswith("/api/"))


def _cookies_of(visit: Visit) -> list[str]:
    made = list(visit.cookies)
    if visit.fresh and visit.formed:
        made.append(cookie(FORM_COOKIE, visit.secret, secure=visit.secure))
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
