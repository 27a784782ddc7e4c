"""The web server in a thread of its own, so that a slow scrape never holds up the reading of printers."""

from __future__ import annotations

import asyncio
import errno
import socket
import ssl
import threading
from typing import Self

import uvicorn
from starlette.types import ASGIApp

from agent.model.failure import Failure
from agent.web.tls import Certificate

_START_LIMIT = 10.0
_STOP_LIMIT = 5.0
MOST_CONNECTIONS = 64
"""More callers than this at once get status 503."""


class CannotListen(Failure):
    """The address cannot be listened on. ``str()`` says which, why, and what to do."""


class Server:
    """Serves ``app`` on ``host`` and ``port`` (0: any free one). ``start`` and ``stop`` are safe to call again.

    ``certificate``: serve over TLS.
    """

    def __init__(
        self, app: ASGIApp, host: str = "127.0.0.1", port: int = 0, certificate: Certificate | None = None
    ) -> None:
        self._certificate = certificate
        self._app = app
        self._host = host
        self._port = port
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._server: uvicorn.Server | None = None

    @property
    def port(self) -> int:
        """The port that is listened on, once started; it is kept for the next start."""
        return self._port

    @property
    def address(self) -> str:
        """``host:port``; IPv6 in brackets."""
        return f"[{self._host}]:{self.port}" if ":" in self._host else f"{self._host}:{self.port}"

    def start(self) -> None:
        """Listen and serve; returns when requests are taken. Raises CannotListen."""
        if self._thread is not None:
            return
        self._socket = self._bound()
        self._port = int(self._socket.getsockname()[1])
        config = uvicorn.Config(
            self._app,
            http="h11",
            ws="none",
            lifespan="off",
            loop="asyncio",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,  # whom to believe is looked at by the doors
            ssl_context_factory=self._context if self._certificate is not None else None,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_keep_alive=5,
            timeout_graceful_shutdown=2,
        )
        self._server = uvicorn.Server(config)
        started = threading.Event()
        serving = _serve(self._server, self._socket, started)
        self._thread = threading.Thread(target=asyncio.run, args=(serving,), name="lowmark-web", daemon=True)
        self._thread.start()
        if not started.wait(_START_LIMIT) or not self._server.started:
            self.stop()
            raise CannotListen(f"the web server did not begin to serve on {self._host} within {_START_LIMIT:.0f} s")

    def renew(self) -> None:
        """Take up the certificate anew; does nothing without one. Raises CannotProve, and goes on with the old one."""
        if self._certificate is not None:
            self._certificate.renew()

    def stop(self) -> None:
        """Finish the requests under way (two seconds at most) and close. Does nothing when it is not running."""
        thread, server, bound = self._thread, self._server, self._socket
        if server is not None:
            server.should_exit = True
        if thread is not None:
            thread.join(_STOP_LIMIT)
            if thread.is_alive() and server is not None:
                server.force_exit = True
                thread.join(_STOP_LIMIT)
        if bound is not None:
            bound.close()
        self._thread = self._server = self._socket = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _context(self, *_: object) -> ssl.SSLContext:
        assert self._certificate is not None  # noqa: S101 - asked for only where there is one
        return self._certificate.context

    def _bound(self) -> socket.socket:
        wanted = self.address
        try:
            found = socket.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        except (OSError, UnicodeError):
            raise CannotListen(f"cannot listen on {wanted}: {self._host} has no address here") from None
        family, kind, protocol, _, address = found[0]
        made = socket.socket(family, kind, protocol)
        try:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            made.bind(address)
            made.listen(128)
        except OSError as problem:
            made.close()
            raise CannotListen(f"cannot listen on {wanted}: {_reason(problem)}") from None
        return made


async def _serve(server: uvicorn.Server, bound: socket.socket, started: threading.Event) -> None:
    serving = asyncio.create_task(server.serve(sockets=[bound]))
    try:
        while not server.started and not serving.done():
            await asyncio.sleep(0.01)
    finally:
        started.set()
    await serving


def _reason(problem: OSError) -> str:
    if problem.errno == errno.EADDRINUSE:
        return "another program listens there already; give another port under listen.address"
    if problem.errno == errno.EACCES:
        return "ports below 1024 are kept for root; give another port under listen.address"
    if problem.errno == errno.EADDRNOTAVAIL:
        return "this machine does not have that address; see listen.address"
    return problem.strerror or "the system refuses"
