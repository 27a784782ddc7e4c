"""Real servers on loopback: SMTP with STARTTLS and AUTH, and HTTP. Certificates of an authority made for the test."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def certificates(where: Path) -> tuple[Path, ssl.SSLContext]:
    """An authority's certificate (PEM), and a server context that it vouches for under the name localhost alone."""
    ca_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    ca_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Harrow Lane test authority")])
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    ca = _signed(ca_name, ca_name, ca_key, ca_key, ca=True)
    leaf = _signed(name, ca_name, key, ca_key, ca=False)
    pem = serialization.Encoding.PEM
    (where / "ca.pem").write_bytes(ca.public_bytes(pem))
    (where / "leaf.pem").write_bytes(
        leaf.public_bytes(pem) + key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(where / "leaf.pem")
    return where / "ca.pem", context


def _signed(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    ca_key: ec.EllipticCurvePrivateKey,
    *,
    ca: bool,
) -> x509.Certificate:
    now = datetime.now(UTC)
    usage = dict.fromkeys(
        (
            "content_commitment",
            "key_encipherment",
            "data_encipherment",
            "key_agreement",
            "encipher_only",
            "decipher_only",
        ),
        False,
    )
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(digital_signature=True, key_cert_sign=ca, crl_sign=ca, **usage), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key()), critical=False)
    )
    if not ca:
        made = made.add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
    return made.sign(ca_key, hashes.SHA256())


@dataclass
class Post:
    """What the mail server took, and how it behaves. ``refuse``: receiver -> answer to RCPT; ``pause`` in seconds.

    ``farewell``: its answer to QUIT, and the seconds before it.
    """

    envelopes: list[Envelope] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    refuse: dict[str, str] = field(default_factory=dict)
    answer: str = "250 taken"
    pause: float = 0.0
    farewell: tuple[str, float] = ("221 good bye", 0.0)

    async def handle_QUIT(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        answer, pause = self.farewell
        await asyncio.sleep(pause)
        return answer

    async def handle_RCPT(  # noqa: N802 - the name that the server calls
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.refuse:
            return self.refuse[address]
        envelope.rcpt_tos.append(address)
        return "250 fine"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        await asyncio.sleep(self.pause)
        self.envelopes.append(envelope)
        self.encrypted.append(session.ssl is not None)
        return self.answer


@contextmanager
def smtp(post: Post, context: ssl.SSLContext | None = None, login: tuple[str, str] | None = None) -> Iterator[int]:
    """Serve on a free port of loopback. With ``context`` STARTTLS is demanded, with ``login`` AUTH is."""

    def check(_server: object, _session: object, _envelope: object, _mechanism: str, given: object) -> AuthResult:
        assert isinstance(given, LoginPassword)
        return AuthResult(success=login == (given.login.decode(), given.password.decode()), handled=False)

    more = {"authenticator": check, "auth_required": True} if login else {}
    controller = Parting(
        post, hostname="127.0.0.1", port=0, tls_context=context, require_starttls=context is not None, **more
    )

    def knock() -> None:
        # The controller knocks at its door to see whether it is up; with port 0 it has to be told which door.
        controller.port = controller.server.sockets[0].getsockname()[1]
        Controller._trigger_server(controller)

    controller._trigger_server = knock
    controller.start()
    try:
        yield controller.port
    finally:
        asyncio.run_coroutine_threadsafe(controller.part(), controller.loop).result(timeout=10)
        controller.stop(no_assert=True)


class Parting(Controller):
    """A mail server that ends its connections before it stops.

    The library's stops its loop alone: a connection that was still open then is one that nobody closes, found by the
    garbage collector in the midst of some later test.
    """

    def __init__(self, *args: object, **more: object) -> None:
        super().__init__(*args, **more)
        self._served: list[SMTP] = []

    def factory(self) -> SMTP:
        self._served.append(super().factory())
        return self._served[-1]

    async def part(self) -> None:
        self.server.close()
        await asyncio.sleep(0)
        for one in self._served:
            for transport in (one.transport, one._original_transport):
                if transport is not None:
                    transport.abort()
        # A transport closes its socket in the loop's next turn; one with TLS has another beneath it.
        for _ in range(3):
            await asyncio.sleep(0)


@dataclass
class Web:
    """What the web server was sent, and what it answers: one of ``answers`` after another, then 204."""

    requests: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=list)


@contextmanager
def http(web: Web) -> Iterator[str]:
    """Serve on a free port of loopback; gives its URL."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            content = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            web.requests.append((self.path, dict(self.headers), content))
            status, headers = web.answers.pop(0) if web.answers else (204, {})
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the name that it has there
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
