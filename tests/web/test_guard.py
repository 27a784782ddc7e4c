"""Pages and API answer only who sits at this machine; without a house there are none at all."""

from __future__ import annotations

from collections.abc import Callable

import httpx
import pytest

from agent.web.guard import is_loopback, named_here

HERE = (
    "localhost",
    "127.0.0.1",
    "127.8.9.10",
    "[::1]",
    "LOCALHOST",
    "lowmark.localhost",
    "localhost.",
    "[::ffff:127.0.0.1]",
)
ELSEWHERE = (
    "evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "192.0.2.1", "10.0.0.1", "0.0.0.0", "[::]",
    "::1",
    "[2001:db8::1]", "2130706433", "0x7f000001", "127.1", "", "localhost@evil.example", "evil.example#localhost",
    "localhost evil.example", "localhost,evil.example",
)  # fmt: skip
GUARDED = ("/", "/printers", "/printers/1", "/alarms", "/ledger", "/about", "/nothing", "/icon.svg", "/api/v1/printers",
           "/api/v1/openapi.json")  # fmt: skip


@pytest.mark.parametrize("host", HERE)
def test_names_of_this_machine_itself_are_known(host: str) -> None:
    # RFC 6761 section 6.3 (localhost), RFC 5735 (127.0.0.0/8), RFC 4291 section 2.5.3 (::1).
    assert named_here(host)
    assert named_here(f"{host}:9633")


@pytest.mark.parametrize("host", ELSEWHERE)
def test_other_names_are_not(host: str) -> None:
    assert not named_here(host)
    assert not named_here(f"{host}:9633")


def test_a_missing_name_is_none_of_ours() -> None:
    assert not named_here(None)
    assert not is_loopback("nonsense")


@pytest.mark.parametrize("path", GUARDED)
def test_a_page_of_another_site_cannot_look_in_under_its_own_name(client: httpx.Client, path: str) -> None:
    for host in ("evil.example", "evil.example:9633", "192.0.2.1:9633"):
        answer = client.get(path, headers={"host": host})
        assert answer.status_code == 421  # RFC 9110 section 15.5.20: Misdirected Request
        assert "hl-" not in answer.text
        assert answer.headers["content-security-policy"].startswith("default-src 'none'")


def test_metrics_and_health_are_served_under_any_name(client: httpx.Client) -> None:
    for path in ("/metrics", "/healthz", "/readyz"):
        assert client.get(path, headers={"host": "monitor.example"}).status_code == 200


def test_without_a_house_there_are_no_pages_and_the_index_says_why(client_of: Callable[..., httpx.Client]) -> None:
    client = client_of(None, note="The pages are served on loopback only, <for now>.")
    index = client.get("/")
    assert index.status_code == 200
    assert "The pages are served on loopback only, &lt;for now&gt;." in index.text
    for path in (
        "/printers",
        "/printers/1",
        "/alarms",
        "/ledger",
        "/about",
        "/api/v1/printers",
        "/api/v1/openapi.json",
    ):
        assert client.get(path).status_code == 404
    assert client.get("/metrics").text == "lowmark_up 1\n"


def test_answers_are_kept_by_nobody_else_and_framed_by_nobody(client: httpx.Client) -> None:
    for path in ("/printers", "/api/v1/printers", "/nothing", "/api/v1/nothing"):
        headers = client.get(path).headers
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["x-content-type-options"] == "nosniff"
        assert "public" not in headers["cache-control"]
        assert "access-control-allow-origin" not in headers
        assert "server" not in headers
