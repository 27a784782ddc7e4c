"""What is served: metrics, whether the agent lives and is ready, and a page that says so."""

from __future__ import annotations

import hmac
from collections.abc import Callable, Iterator
from html import escape
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from agent.model.health import Health
from agent.web.gate import Gate
from agent.web.headers import StrictHeaders
from agent.web.house import House

if TYPE_CHECKING:
    from agent.web.live import Bulletin

MetricsPage = Callable[[str | None], tuple[bytes | Iterator[bytes], str]]
"""From an Accept header to the page (whole, or in chunks as they are made) and its content type."""


@runtime_checkable
class Squeezable(Protocol):
    """A page that squeezes itself better than the server could; each piece changes threads less often, too."""

    def squeezed(self) -> Iterator[bytes]:
        """The page as one gzip stream, in pieces."""
        ...


STYLE = """
:root { color-scheme: light dark; }
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 40rem; margin: 3rem auto; padding: 0 1rem; }
h1 { font-size: 1.4rem; border-bottom: .35rem solid; border-image: linear-gradient(90deg, #0a7c8c 18%, #8885 18%) 1; }
dt { font-weight: 600; margin-top: 1rem; }
dd { margin: 0; }
"""
INDEX = f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Lowmark</title>
<style>{STYLE}</style>
</head>
<body>
<h1>Lowmark</h1>
<p>This agent reads the printers of this network. It serves:</p>
<dl>
<dt><a href="/metrics">/metrics</a></dt>
<dd>printers, supplies and the agent itself, as Prometheus text or OpenMetrics</dd>
<dt><a href="/healthz">/healthz</a></dt>
<dd>whether the agent is alive</dd>
<dt><a href="/readyz">/readyz</a></dt>
<dd>whether it is ready, and what is missing if not</dd>
</dl>
{{note}}</body>
</html>
"""


def build_app(
    metrics: MetricsPage,
    health: Callable[[], Health],
    house: House | None = None,
    *,
    note: str = "",
    gate: Gate | None = None,
    metrics_token: Callable[[], str] | None = None,
    bulletin: Bulletin | None = None,
) -> Starlette:
    """The application.

    ``metrics`` and ``health`` are called in worker threads, at each request. What they raise becomes status 500 and is
    logged by the server; a page in chunks that fails on the way is cut off, so that the caller sees no whole answer.

    ``house``: what pages and API show; without it only metrics and health are served, and an index that says so.
    ``note``: what else the index says, such as why there are no pages. ``gate``: who may see them; without it whoever
    sits at this machine, so it must be given where other machines can reach the agent.
    ``bulletin``: tells open pages what has changed.
    ``metrics_token``: gives the token that is wanted for ``/metrics`` (RFC 6750).
    """

    def index(_: Request) -> Response:
        return HTMLResponse(INDEX.replace("{note}", f"<p>{escape(note)}</p>\n" if note else ""))

    def metrics_page(request: Request) -> Response:
        if metrics_token is not None and not _shows(request, metrics_token()):
            told = {"www-authenticate": "Bearer"}
            return PlainTextResponse("Send Authorization: Bearer TOKEN (metrics.token).\n", 401, headers=told)
        accept = ", ".join(request.headers.getlist("accept")) or None
        page, content_type = metrics(accept)
        headers = {"content-type": content_type, "vary": "Accept"}
        if isinstance(page, bytes):
            return Response(page, headers=headers)
        # The page of a large fleet is never in memory as a whole.
        if request.method != "GET":
            return StreamingResponse(iter(()), headers=headers)
        if isinstance(page, Squeezable) and "gzip" in request.headers.get("accept-encoding", ""):
            headers |= {"content-encoding": "gzip", "vary": "Accept, Accept-Encoding"}
            return StreamingResponse(page.squeezed(), headers=headers)
        return StreamingResponse(page, headers=headers)

    def alive(_: Request) -> Response:
        now = health()
        payload = {"format": "lowmark.health.v1", "alive": now.alive, "heartbeat_age": now.heartbeat_age}
        return JSONResponse(payload, status_code=200 if now.alive else 503)

    def ready(_: Request) -> Response:
        missing = health().missing
        payload = {"format": "lowmark.ready.v1", "ready": not missing, "missing": list(missing)}
        return JSONResponse(payload, status_code=503 if missing else 200)

    def failed(_: Request, __: Exception) -> Response:
        return PlainTextResponse("This page could not be made; the agent's log says why.\n", status_code=500)

    routes: list[BaseRoute] = []
    doors: list[Middleware] = []
    handlers: dict[Any, Any] = {500: failed}
    if house is not None:
        # Only here: it brings heavy libraries, which a command that serves nothing does not wait for.
        from agent.web import site
        from agent.web.doors import Doors

        gate = gate or Gate()
        routes = site.routes(house, gate, bulletin)
        doors = [Middleware(Doors, gate=gate)]
        handlers[HTTPException] = site.missing
    return Starlette(
        routes=[
            *(routes or [Route("/", index)]),
            Route("/metrics", metrics_page),
            Route("/healthz", alive),
            Route("/readyz", ready),
        ],
        middleware=[
            Middleware(StrictHeaders, styles=(STYLE,)),
            *doors,
            Middleware(GZipMiddleware, minimum_size=2000, compresslevel=3),
        ],
        exception_handlers=handlers,
    )


def _shows(request: Request, token: str) -> bool:
    kind, _, shown = request.headers.get("authorization", "").partition(" ")
    return kind.lower() == "bearer" and hmac.compare_digest(shown.strip().encode(), token.encode())
