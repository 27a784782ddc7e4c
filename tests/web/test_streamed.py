"""The metrics page as it goes over HTTP in chunks: whole, compressed or not, and cut off when it fails on the way."""

from __future__ import annotations

import logging
from collections.abc import Iterator

import httpx
import pytest

from agent.metrics import Metrics
from agent.model.health import Health
from agent.web import Server, build_app
from tests.metrics.fleet import snapshot, view

STATE = snapshot(*(view(number) for number in range(1, 301)))


def ask(server: Server, method: str = "GET", **headers: str) -> httpx.Response:
    with httpx.Client(base_url=f"http://{server.address}", trust_env=False, timeout=10) as client:
        return client.request(method, "/metrics", headers=headers)


@pytest.mark.parametrize("encoding", ["gzip", "identity"])
def test_the_page_arrives_whole(encoding: str) -> None:
    metrics = Metrics(lambda: STATE)
    whole, kind = metrics.render()
    with Server(build_app(metrics.stream, Health)) as server:
        answer = ask(server, **{"accept-encoding": encoding})
        assert answer.status_code == 200
        assert answer.content == whole
        assert answer.headers["content-type"] == kind
        assert answer.headers.get("content-encoding", "identity") == encoding
        assert {one.strip().lower() for one in answer.headers["vary"].split(",")} == {"accept", "accept-encoding"}
        assert answer.headers["cache-control"] == "no-store"
        head = ask(server, "HEAD")
        assert (head.status_code, head.content, head.headers["content-type"]) == (200, b"", kind)


@pytest.mark.parametrize("encoding", ["gzip", "identity"])
def test_a_page_that_fails_on_the_way_is_not_taken_for_a_whole_one(
    encoding: str, caplog: pytest.LogCaptureFixture
) -> None:
    def failing(_: str | None) -> tuple[Iterator[bytes], str]:
        def chunks() -> Iterator[bytes]:
            yield b"lowmark_x 1\n"
            raise RuntimeError("on the way")

        return chunks(), "text/plain"

    with Server(build_app(failing, Health)) as server, caplog.at_level(logging.CRITICAL):
        with pytest.raises(httpx.RemoteProtocolError):
            ask(server, **{"accept-encoding": encoding})
        # The server goes on.
        assert httpx.get(f"http://{server.address}/", trust_env=False).status_code == 200
