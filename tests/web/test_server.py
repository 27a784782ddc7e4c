"""What is served over HTTP, and how the server starts and stops."""

from __future__ import annotations

import base64
import hashlib
import re
import socket
import threading
import time
from collections.abc import Iterator

import httpx
import pytest

from agent.metrics import Metrics
from agent.model.health import Health
from agent.web import CannotListen, Server, build_app
from tests.metrics.fleet import snapshot, view

READY = Health(settings_loaded=True, store_open=True, swept=True, heartbeat_age=0.2)


class State:
    """What a test may change while the server runs."""

    health = READY


@pytest.fixture
def state() -> State:
    return State()


@pytest.fixture
def server(state: State) -> Iterator[Server]:
    metrics = Metrics(lambda: snapshot(view(7)))
    with Server(build_app(metrics.render, lambda: state.health)) as running:
        yield running


@pytest.fixture
def client(server: Server) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"http://127.0.0.1:{server.port}", trust_env=False, timeout=5) as made:
        yield made


def test_metrics_are_served_in_the_format_asked_for(client: httpx.Client) -> None:
    plain = client.get("/metrics")
    assert plain.status_code == 200
    assert plain.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert 'lowmark_printer_reachable{printer="Reading room"' in plain.text
    other = client.get("/metrics", headers={"accept": "application/openmetrics-text;version=1.0.0"})
    assert other.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert other.text.endswith("# EOF\n")
    assert "accept" in plain.headers["vary"].lower()


def test_metrics_are_compressed_for_those_who_can_read_it(client: httpx.Client) -> None:
    assert client.get("/metrics", headers={"accept-encoding": "gzip"}).headers["content-encoding"] == "gzip"
    assert "content-encoding" not in client.get("/metrics", headers={"accept-encoding": "identity"}).headers


def test_the_agent_is_alive_while_its_loop_turns(client: httpx.Client, state: State) -> None:
    assert client.get("/healthz").status_code == 200
    for age in (None, 61.0):
        state.health = Health(True, True, True, age)
        answer = client.get("/healthz")
        assert answer.status_code == 503
        assert answer.json() == {"format": "lowmark.health.v1", "alive": False, "heartbeat_age": age}


def test_readiness_names_what_is_missing(client: httpx.Client, state: State) -> None:
    assert client.get("/readyz").json() == {"format": "lowmark.ready.v1", "ready": True, "missing": []}
    state.health = Health()
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["missing"] == ["settings", "store", "first sweep", "loop"]
    state.health = Health(True, True, False, 0.1)
    assert client.get("/readyz").json()["missing"] == ["first sweep"]


def test_the_index_names_what_is_served_and_runs_no_script(client: httpx.Client) -> None:
    page = client.get("/")
    assert all(path in page.text for path in ("/metrics", "/healthz", "/readyz"))
    assert "<script" not in page.text
    # CSP Level 2 section 4.2.3: the base64 of the digest of what stands between the tags.
    style = re.search(r"<style>(.*?)</style>", page.text, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in page.headers["content-security-policy"]


@pytest.mark.parametrize("path", ["/", "/metrics", "/healthz", "/readyz", "/nothing"])
def test_every_answer_keeps_to_itself(client: httpx.Client, path: str) -> None:
    headers = client.get(path).headers
    assert headers["content-security-policy"].startswith("default-src 'none'")
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers


def test_other_methods_and_paths(client: httpx.Client) -> None:
    assert client.head("/metrics").status_code == 200
    assert client.head("/metrics").content == b""
    assert client.post("/metrics").status_code == 405
    assert client.get("/nothing").status_code == 404
    assert client.get("/healthz", headers={"host": "elsewhere.example"}).status_code == 200


def test_a_page_that_cannot_be_made_says_so_and_shows_nothing_of_the_inside() -> None:
    def broken(_: str | None) -> tuple[bytes, str]:
        raise RuntimeError("inner matters")

    with Server(build_app(broken, lambda: READY)) as server:
        answer = httpx.get(f"http://127.0.0.1:{server.port}/metrics", trust_env=False)
        assert answer.status_code == 500
        assert "inner matters" not in answer.text
        assert httpx.get(f"http://127.0.0.1:{server.port}/healthz", trust_env=False).status_code == 200


def test_garbage_and_idle_callers_do_not_stop_the_server(server: Server, client: httpx.Client) -> None:
    idle = socket.create_connection(("127.0.0.1", server.port), timeout=5)
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as rude:
        rude.sendall(b"\x00\xff\x16\x03 nonsense\r\n\r\n")
        assert rude.recv(4096).startswith(b"HTTP/1.1 400")
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as long:
        long.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"a" * 200_000 + b"\r\n\r\n")
        assert long.recv(4096).startswith(b"HTTP/1.1 4")
    assert client.get("/healthz").status_code == 200
    idle.close()


def test_a_port_in_use_is_said_clearly(server: Server) -> None:
    second = Server(build_app(lambda _: (b"", "text/plain"), lambda: READY), port=server.port)
    with pytest.raises(CannotListen, match=rf"127.0.0.1:{server.port}: another program listens there already"):
        second.start()
    second.stop()


def test_addresses_that_are_not_ours_are_said_clearly() -> None:
    app = build_app(lambda _: (b"", "text/plain"), lambda: READY)
    with pytest.raises(CannotListen, match="does not have that address"):
        Server(app, "192.0.2.1", 9633).start()
    with pytest.raises(CannotListen, match="has no address"):
        Server(app, "no..such", 9633).start()


def test_the_server_starts_and_stops_cleanly_again_and_again() -> None:
    server = Server(build_app(lambda _: (b"x 1\n", "text/plain"), lambda: READY))
    before = threading.active_count()
    server.start()
    port = server.port
    for _ in range(3):
        server.start()  # already running: nothing happens
        assert server.port == port
        assert httpx.get(f"http://{server.address}/healthz", trust_env=False).status_code == 200
        server.stop()
        server.stop()
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.1", port), timeout=1)
        server.start()
    server.stop()
    assert threading.active_count() <= before + 1


def test_stopping_does_not_wait_for_idle_callers(server: Server) -> None:
    with httpx.Client(trust_env=False) as kept:
        kept.get(f"http://127.0.0.1:{server.port}/healthz")
        begun = time.monotonic()
        server.stop()
        assert time.monotonic() - begun < 4


def test_ipv6_is_served() -> None:
    try:
        with Server(build_app(lambda _: (b"", "text/plain"), lambda: READY), "::1") as server:
            assert server.address == f"[::1]:{server.port}"
            assert httpx.get(f"http://[::1]:{server.port}/healthz", trust_env=False).status_code == 200
    except CannotListen as missing:
        pytest.skip(f"no IPv6 loopback here: {missing}")
