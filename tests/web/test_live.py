"""Open pages hear what has changed: who listens, who may, who must not be kept waiting, and how it ends."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import httpx
import pytest

from agent.web import Server, build_app
from agent.web.gate import Gate
from agent.web.live import EVERY_PRINTER, Bulletin
from agent.web.look import script, script_path
from tests.web.conftest import READY
from tests.web.reading_html import Page
from tests.web.world import StoreHouse


@contextmanager
def listening(house: StoreHouse, bulletin: Bulletin, gate: Gate | None = None) -> Iterator[tuple[Server, str]]:
    app = build_app(lambda _: (b"", "text/plain"), lambda: READY, house, gate=gate, bulletin=bulletin)
    with Server(app) as server:
        yield server, f"http://127.0.0.1:{server.port}"


def until(true: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def events(lines: Iterator[str]) -> Iterator[list[str]]:
    """The names of each event (WHATWG HTML, section 9.2.6: fields of one event end at an empty line)."""
    data: list[str] = []
    for line in lines:
        if line.startswith("data:"):
            data.append(line.removeprefix("data:").removeprefix(" "))
        if not line and data:
            yield json.loads("\n".join(data))
            data = []


def test_what_is_told_is_heard_gathered_and_once(house: StoreHouse) -> None:
    bulletin = Bulletin()
    with listening(house, bulletin) as (_, address), httpx.Client(trust_env=False, timeout=10) as client:
        assert not bulletin.wanted
        with client.stream("GET", f"{address}/live") as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            assert answer.headers["cache-control"] == "no-store"
            assert "content-encoding" not in answer.headers
            heard = events(answer.iter_lines())
            until(lambda: bulletin.wanted)
            bulletin.tell(["printer:3", "printers"])
            bulletin.tell(["alarms", "printer:3"])
            assert next(heard) == ["alarms", "printer:3", "printers"]
            bulletin.tell([])
            bulletin.tell([f"printer:{number}" for number in range(5000)] + ["round"])
            assert next(heard) == [EVERY_PRINTER, "round"]
        until(lambda: not bulletin.wanted)
        bulletin.tell(["alarms"])


def test_only_so_many_listen_and_the_pages_still_answer(house: StoreHouse) -> None:
    bulletin = Bulletin(most=3)
    with listening(house, bulletin) as (_, address), httpx.Client(trust_env=False, timeout=10) as client:
        open_ones = [client.stream("GET", f"{address}/live") for _ in range(3)]
        for one in open_ones:
            assert one.__enter__().status_code == 200
        refused = client.get(f"{address}/live")
        assert (refused.status_code, refused.headers["retry-after"]) == (503, "60")
        assert client.get(f"{address}/alarms").status_code == 200
        open_ones.pop().__exit__(None, None, None)
        until(lambda: len(bulletin._of) == 2)
        with client.stream("GET", f"{address}/live") as answer:
            assert answer.status_code == 200
        for one in open_ones:
            one.__exit__(None, None, None)


def test_whoever_tells_never_waits_for_whoever_does_not_read(house: StoreHouse) -> None:
    bulletin = Bulletin()
    with listening(house, bulletin) as (server, _):
        deaf = socket.create_connection(("127.0.0.1", server.port))
        deaf.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        until(lambda: bulletin.wanted)
        begun = time.monotonic()
        for number in range(20_000):
            bulletin.tell([f"printer:{number}"])
        assert time.monotonic() - begun < 5
        assert httpx.get(f"http://127.0.0.1:{server.port}/healthz", trust_env=False).status_code == 200
        deaf.close()
        until(lambda: not bulletin.wanted, 20)


def test_it_ends_at_once_with_the_server(house: StoreHouse) -> None:
    bulletin = Bulletin()
    with listening(house, bulletin) as (server, address):
        ended = threading.Event()

        def listen() -> None:
            with httpx.stream("GET", f"{address}/live", trust_env=False, timeout=20) as answer:
                for _ in answer.iter_lines():
                    pass
            ended.set()

        threading.Thread(target=listen, daemon=True).start()
        until(lambda: bulletin.wanted)
        begun = time.monotonic()
        bulletin.close()
        server.stop()
        assert time.monotonic() - begun < 2
        assert ended.wait(5), "the stream ended whole"
        assert not bulletin.wanted


@pytest.mark.parametrize(
    ("path", "names"),
    [("/printers", "printers alarms"), ("/printers/2", "printer:2 alarms"), ("/alarms", "alarms"),
     ("/ledger", "ledger"), ("/about", "agent"), ("/nothing", "")],
)  # fmt: skip
def test_a_page_says_what_it_shows(client: httpx.Client, path: str, names: str) -> None:
    page = Page(client.get(path).text)
    assert page.values("main", "data-live") == ([names] if names else [])
    assert page.values("script", "src") == ([script_path()] if names else [])


def test_the_script_is_a_file_of_its_own_that_may_be_kept(client: httpx.Client) -> None:
    answer = client.get(script_path())
    assert answer.content == script()
    assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
    assert "immutable" in answer.headers["cache-control"]
    assert b"innerHTML" not in answer.content
    assert b"eval" not in answer.content
