"""Over real TLS: what it speaks, what it refuses, cookies that are bound to it, and a certificate renewed under way."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path

import httpx
import pytest
from cryptography import x509

from agent.app.keeper import Keeper
from agent.store import Store
from agent.web import Server, build_app
from agent.web.gate import Gate
from agent.web.tls import CannotProve, Certificate
from tests.doors.house import GOOD, READY, Time, field_in, keeper_of
from tests.doors.papers import NAME, Authority
from tests.web.world import StoreHouse


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def keeper(store: Store, time: Time) -> Keeper:
    made = keeper_of(store, time)
    made.add("Lark", "look", GOOD, "root")
    return made


@pytest.fixture
def server(lived_in: StoreHouse, keeper: Keeper, authority: Authority) -> Iterator[Server]:
    gate = Gate(keeper, sign_in=True, names=frozenset((NAME,)), elsewhere=True)
    app = build_app(lambda _: (b"", "text/plain"), lambda: READY, lived_in, gate=gate)
    # Every interface, as it is where other machines are meant; the test itself stays on loopback.
    with Server(app, "0.0.0.0", certificate=Certificate(*authority.issue("server"))) as running:
        yield running


def peer(server: Server, context: ssl.SSLContext) -> tuple[str | None, bytes]:
    """The version of TLS that is agreed on, and the certificate that is shown."""
    raw = socket.create_connection(("127.0.0.1", server.port), timeout=5)
    with raw, context.wrap_socket(raw, server_hostname=NAME) as wrapped:
        return wrapped.version(), wrapped.getpeercert(binary_form=True) or b""


def test_it_is_believed_by_who_trusts_the_authority_and_by_nobody_else(server: Server, authority: Authority) -> None:
    address = f"https://localhost:{server.port}/healthz"
    assert httpx.get(address, verify=authority.trusting(), trust_env=False).status_code == 200
    with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
        httpx.get(address, trust_env=False)


def test_only_tls_1_2_and_newer_is_spoken(server: Server, authority: Authority) -> None:
    # RFC 8996 takes TLS 1.0 and 1.1 out of use.
    for version, works in (
        (ssl.TLSVersion.TLSv1_1, False),
        (ssl.TLSVersion.TLSv1_2, True),
        (ssl.TLSVersion.TLSv1_3, True),
    ):
        context = authority.trusting()
        context.set_ciphers("DEFAULT:@SECLEVEL=0")
        with nullcontext() if works else pytest.warns(DeprecationWarning, match="TLSv1_1"):
            context.minimum_version = context.maximum_version = version
        if works:
            assert peer(server, context)[0] == f"TLSv1.{2 if version == ssl.TLSVersion.TLSv1_2 else 3}"
        else:
            with pytest.raises((ssl.SSLError, ConnectionError)):
                peer(server, context)


def test_plain_http_gets_nothing(server: Server) -> None:
    with pytest.raises((httpx.RemoteProtocolError, httpx.ReadError)):
        httpx.get(f"http://127.0.0.1:{server.port}/healthz", trust_env=False)


def test_cookies_are_bound_to_tls_and_to_this_host(server: Server, authority: Authority) -> None:
    base = f"https://localhost:{server.port}"
    with httpx.Client(base_url=base, verify=authority.trusting(), trust_env=False) as client:
        page = client.get("/sign-in")
        origin = {"origin": base, "sec-fetch-site": "same-origin"}
        sent = {"csrf": field_in(page.text), "name": "Lark", "password": GOOD}
        answer = client.post("/sign-in", data=sent, headers=origin)
        assert answer.status_code == 303
        cookies = [*page.headers.get_list("set-cookie"), *answer.headers.get_list("set-cookie")]
        assert {one.partition("=")[0] for one in cookies} == {"__Host-lowmark-form", "__Host-lowmark-session"}
        for one in cookies:
            # RFC 6265bis section 4.1.3.2: __Host- wants Secure, Path=/ and no Domain.
            words = [word.strip() for word in one.split(";")[1:]]
            assert "Secure" in words
            assert "HttpOnly" in words
            assert "Path=/" in words
            assert not [word for word in words if word.lower().startswith("domain")]
        shown = client.get("/printers")
        assert shown.status_code == 200
        assert shown.headers["cache-control"] == "no-store"
        plain = client.post(
            "/sign-out", data={"csrf": field_in(shown.text)}, headers={"origin": base.replace("s", "", 1)}
        )
        assert plain.status_code == 403


def test_browsers_are_told_to_stay_with_tls_by_its_own_name_alone(server: Server, authority: Authority) -> None:
    # RFC 6797 section 6.1.
    base = f"https://localhost:{server.port}"
    with httpx.Client(base_url=base, verify=authority.trusting(), trust_env=False) as client:
        told = client.get("/sign-in", headers={"host": NAME}).headers
        assert told["strict-transport-security"] == "max-age=31536000"
        assert "strict-transport-security" not in client.get("/sign-in").headers


def test_any_address_of_the_machine_is_a_name_of_it_but_no_other_name(server: Server, authority: Authority) -> None:
    base = f"https://localhost:{server.port}"
    with httpx.Client(base_url=base, verify=authority.trusting(), trust_env=False) as client:
        for host, status in ((NAME, 303), ("192.0.2.7:9633", 303), ("[2001:db8::7]", 303), ("evil.example", 421)):
            assert client.get("/printers", headers={"host": host}).status_code == status
        assert "listen.names" in client.get("/printers", headers={"host": "evil.example"}).text


def test_a_renewed_certificate_is_shown_to_whoever_comes_next(
    server: Server, authority: Authority, lived_in: StoreHouse
) -> None:
    before = peer(server, authority.trusting())[1]
    base = f"https://localhost:{server.port}"
    with httpx.Client(base_url=base, verify=authority.trusting(), trust_env=False) as kept:
        kept.get("/healthz")
        authority.issue("server")
        server.renew()
        assert kept.get("/healthz").status_code == 200
    after = peer(server, authority.trusting())[1]
    assert x509.load_der_x509_certificate(before).serial_number != x509.load_der_x509_certificate(after).serial_number
    (authority.folder / "server.key").write_text("nothing of the kind")
    with pytest.raises(CannotProve, match="not a certificate and its key in PEM form"):
        server.renew()
    assert peer(server, authority.trusting())[1] == after, "the old one stays in force"


@pytest.mark.parametrize("name", [NAME, None], ids=["by name", "by address"])
def test_nobody_is_turned_away_while_a_certificate_is_renewed(
    server: Server, authority: Authority, name: str | None
) -> None:
    # A client that comes by address says no name at all (RFC 6066, section 3).
    context = authority.trusting()
    context.check_hostname = name is not None
    done, seen = threading.Event(), []

    def come_and_go() -> None:
        while not done.is_set():
            with (
                socket.create_connection(("127.0.0.1", server.port), timeout=20) as plain,
                context.wrap_socket(plain, server_hostname=name) as secure,
            ):
                seen.append(x509.load_der_x509_certificate(secure.getpeercert(binary_form=True) or b"").serial_number)

    with ThreadPoolExecutor(4) as people:
        coming = [people.submit(come_and_go) for _ in range(4)]
        for _ in range(15):
            authority.issue("server")
            for _ in range(10):
                server.renew()
        done.set()
    for one in coming:
        one.result()
    assert len(set(seen)) > 3, "more than one certificate was met"


def test_files_that_cannot_be_used_are_said_clearly(authority: Authority, tmp_path: Path) -> None:
    certificate, key = authority.issue("one")
    _, other = authority.issue("two")
    _, locked = authority.issue("three", password=b"hush hush hush")
    empty = tmp_path / "empty.pem"
    empty.write_text("")
    for files, words in (
        ((tmp_path / "none.pem", key), "listen.tls.certificate: .*none.pem cannot be read: No such file"),
        ((certificate, tmp_path / "none.key"), "listen.tls.key: .*none.key cannot be read: No such file"),
        ((certificate, other), "is not the key of the certificate"),
        ((certificate, empty), "not a certificate and its key"),
        ((key, certificate), "not a certificate and its key"),
        ((certificate, locked), "wants a pass phrase"),
    ):
        with pytest.raises(CannotProve, match=words) as refused:
            Certificate(*files)
        assert "hush" not in str(refused.value)
