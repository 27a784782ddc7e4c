"""Where people sign in, nobody gets past the doors who is not known, and everybody only as far as they may."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from datetime import timedelta

import httpx
import pytest

from agent.app.keeper import Keeper
from agent.store import Store
from agent.web.gate import Gate
from agent.web.sign_in import local
from tests.doors.house import GOOD, OTHER, Time, field_in, keeper_of, served, sign_in, visitor
from tests.web.reading_html import Page
from tests.web.world import StoreHouse

PAGES = ("/", "/printers", "/printers/1", "/alarms", "/ledger", "/about", "/password", "/nothing")
API = ("/printers", "/printers/1", "/printers/1/history", "/alarms", "/ledger", "/about", "/openapi.json", "/nothing")
NAMES = frozenset(("lowmark.harrow-lane.example",))


@pytest.fixture
def keeper(store: Store, time: Time) -> Keeper:
    made = keeper_of(store, time)
    made.add("Wren Ashdown", "serve", GOOD, "root")
    made.add("Lark", "look", GOOD, "root")
    return made


@pytest.fixture
def address(lived_in: StoreHouse, keeper: Keeper) -> Iterator[str]:
    with served(lived_in, Gate(keeper, sign_in=True, names=NAMES)) as there:
        yield there


@pytest.fixture
def client(address: str) -> Iterator[httpx.Client]:
    with visitor(address) as made:
        yield made


def test_who_is_not_known_sees_the_sign_in_page_and_nothing_else(client: httpx.Client) -> None:
    for path in PAGES:
        answer = client.get(path)
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/sign-in?next=%2F")
        assert answer.content == b""
    for path in API:
        answer = client.get(f"/api/v1{path}")
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"  # RFC 9110 section 11.6.1
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == 401
    assert client.post("/printers").status_code == 401
    page = Page(client.get("/sign-in").text)
    assert page.faults == []
    assert "Printers" not in page.text
    for href in page.values("link", "href"):
        assert client.get(href).status_code == 200
    for path in ("/metrics", "/healthz", "/readyz"):
        assert client.get(path).status_code == 200


def test_signing_in_leads_to_where_one_wanted_to_go(client: httpx.Client) -> None:
    there = client.get("/printers?state=look&q=a b").headers["location"]
    page = client.get(there)
    wanted = Page(page.text).values("input", "value")
    assert "/printers?state=look&q=a%20b" in wanted or "/printers?state=look&q=a+b" in wanted
    answer = sign_in(client, "wren ashdown", GOOD, "/printers/1?days=30")
    assert (answer.status_code, answer.headers["location"]) == (303, "/printers/1?days=30")
    shown = client.get("/printers/1")
    assert shown.status_code == 200
    assert "Wren Ashdown" in Page(shown.text).text
    assert shown.headers["cache-control"] == "no-store"
    assert client.get("/sign-in").headers["location"] == "/round"
    assert client.get("/api/v1/printers").status_code == 200


@pytest.mark.parametrize(
    "elsewhere",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "printers", "", "/a b",
     "/\n/x", "/x\\y", "http:///x", "/sign-in?next=/sign-in", "///evil.example"],
)  # fmt: skip
def test_signing_in_never_leads_elsewhere(elsewhere: str) -> None:
    assert local(elsewhere) == "/round"


def test_the_session_cookie_is_out_of_reach(client: httpx.Client) -> None:
    answer = sign_in(client, "Lark", GOOD)
    cookies = [one for one in answer.headers.get_list("set-cookie") if one.startswith("lowmark-session=")]
    assert len(cookies) == 1
    assert re.fullmatch(r"lowmark-session=[\w-]{43}; Path=/; HttpOnly; SameSite=Lax", cookies[0])
    # NIST SP 800-63B section 5.1: session secrets have 64 bits at least, and are not kept in what scripts can read.


def test_wrong_names_and_passwords_are_refused_alike(client: httpx.Client) -> None:
    texts = []
    for name, password in (("Lark", "wrong wrong wrong"), ("Robin", GOOD), ("", ""), ("Lark", GOOD + " ")):
        answer = sign_in(client, name, password)
        assert answer.status_code == 403
        assert "lowmark-session" not in answer.headers.get("set-cookie", "")
        texts.append(Page(answer.text).text)
    assert len(set(texts)) == 1, "a name that exists is told apart from one that does not"
    assert "The name or the password is not right." in texts[0]


def test_too_many_failures_are_told_to_wait(client: httpx.Client) -> None:
    for _ in range(6):
        assert sign_in(client, "Lark", "wrong wrong wrong").status_code == 403
    answer = sign_in(client, "Lark", GOOD)
    assert answer.status_code == 429  # RFC 6585 section 4
    assert answer.headers["retry-after"] == "1"
    assert "Try again in 1 s." in answer.text


def test_a_sign_in_without_our_form_is_refused(client: httpx.Client) -> None:
    # Else a foreign page could sign its reader in under a name of its own choosing ("login CSRF").
    assert client.post("/sign-in", data={"name": "Lark", "password": GOOD}).status_code == 403
    field = field_in(client.get("/sign-in").text)
    sent = {"csrf": field, "name": "Lark", "password": GOOD}
    assert client.post("/sign-in", data=sent, headers={"origin": "https://evil.example"}).status_code == 403
    assert client.post("/sign-in", data=sent, headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert client.get("/printers").status_code == 303


def test_fields_of_before_the_sign_in_are_worth_nothing_after_it(client: httpx.Client) -> None:
    before = field_in(client.get("/sign-in").text)
    sign_in(client, "Lark", GOOD)
    assert client.post("/sign-out", data={"csrf": before}).status_code == 403
    assert client.get("/printers").status_code == 200


def test_a_session_given_by_somebody_else_is_not_taken_over(client: httpx.Client, address: str) -> None:
    # Session fixation: whatever cookie was there before, the session gets a new secret.
    client.cookies.set("lowmark-session", "A" * 43)
    sign_in(client, "Lark", GOOD)
    with visitor(address) as other:
        other.cookies.set("lowmark-session", "A" * 43)
        assert other.get("/printers").status_code == 303
    secrets = {one.value for one in client.cookies.jar if one.name == "lowmark-session"}
    assert secrets != {"A" * 43}


def test_signing_out_ends_the_session_for_good(client: httpx.Client, address: str) -> None:
    sign_in(client, "Lark", GOOD)
    secret = next(str(one.value) for one in client.cookies.jar if one.name == "lowmark-session")
    page = client.get("/printers").text
    assert client.get("/sign-out").status_code in (404, 405), "a link must not sign anybody out"
    answer = client.post("/sign-out", data={"csrf": field_in(page)})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert "Max-Age=0" in answer.headers["set-cookie"]
    with visitor(address) as other:
        other.cookies.set("lowmark-session", secret)
        assert other.get("/printers").status_code == 303


def test_sessions_end_by_time_and_removal(client: httpx.Client, keeper: Keeper, time: Time) -> None:
    sign_in(client, "Lark", GOOD)
    time.on(hours=13)
    assert client.get("/printers").status_code == 303
    sign_in(client, "Lark", GOOD)
    assert client.get("/printers").status_code == 200
    keeper.remove("Lark", "root")
    assert client.get("/printers").status_code == 303


def test_one_changes_ones_own_password(client: httpx.Client, address: str) -> None:
    sign_in(client, "Lark", GOOD)
    with visitor(address) as elsewhere:
        sign_in(elsewhere, "Lark", GOOD)
        assert elsewhere.get("/printers").status_code == 200
        for old, new, again, words in (
            ("wrong wrong", OTHER, OTHER, "The present password is not right."),
            (GOOD, OTHER, OTHER + "x", "The two new passwords are not the same."),
            (GOOD, "short", "short", "A password has 12 to 256 characters"),
        ):
            page = client.get("/password")
            sent = {"csrf": field_in(page.text), "old": old, "new": new, "again": again}
            answer = client.post("/password", data=sent)
            assert answer.status_code == 403
            assert words in answer.text
            assert Page(answer.text).faults == []
            assert GOOD not in answer.text
        page = client.get("/password")
        sent = {"csrf": field_in(page.text), "old": GOOD, "new": OTHER, "again": OTHER}
        assert "is changed" in client.post("/password", data=sent).text
        assert client.get("/printers").status_code == 200
        assert elsewhere.get("/printers").status_code == 303
        assert sign_in(elsewhere, "Lark", GOOD).status_code == 403
        assert sign_in(elsewhere, "Lark", OTHER).status_code == 303


def test_a_token_opens_the_api_and_only_that(client: httpx.Client, keeper: Keeper, time: Time) -> None:
    secret, _ = keeper.add_token("scraper", "look", timedelta(days=1), "root")
    bearer = {"authorization": f"Bearer {secret}"}
    assert client.get("/api/v1/printers", headers=bearer).json()["total"] == 3
    assert client.get("/api/v1/openapi.json", headers={"authorization": f"bearer {secret}"}).status_code == 200
    assert client.get("/printers", headers=bearer).status_code == 403
    for wrong in ("x", secret[:-1], f"{secret} x"):
        answer = client.get("/api/v1/printers", headers={"authorization": f"Bearer {wrong}"})
        assert answer.status_code == 401
        assert 'error="invalid_token"' in answer.headers["www-authenticate"]  # RFC 6750 section 3.1
    time.on(days=2)
    assert client.get("/api/v1/printers", headers=bearer).status_code == 401


def test_names_that_were_given_are_answered_and_others_not(client: httpx.Client) -> None:
    for host, status in (
        ("lowmark.harrow-lane.example", 303),
        ("LOWMARK.harrow-lane.example:8443", 303),
        ("localhost", 303),
        ("other.harrow-lane.example", 421),
        ("192.0.2.1", 421),
    ):
        assert client.get("/printers", headers={"host": host}).status_code == status


def test_a_proxy_says_who_asks_and_only_the_proxy_is_believed(lived_in: StoreHouse, keeper: Keeper) -> None:
    trusted = (ipaddress.ip_network("127.0.0.1/32"),)
    header = "X-Remote-User"
    gate = Gate(keeper, sign_in=True, names=NAMES, behind_proxy=True, header=header, trusted=trusted)
    said = {"host": "lowmark.harrow-lane.example", header: "wren ashdown"}
    with served(lived_in, gate) as address, visitor(address) as client:
        page = client.get("/printers", headers=said)
        assert page.status_code == 200
        assert "Wren Ashdown" in page.text
        assert "Sign out" not in page.text
        unknown = client.get("/printers", headers={**said, header: "Robin"})
        assert unknown.status_code == 403
        assert "lowmark people add NAME --role look --no-password" in unknown.text
        twice = [*said.items(), (header, "Lark")]
        assert client.get("/printers", headers=twice).status_code == 400
        assert client.get("/printers", headers={**said, header: ""}).status_code == 303
        assert client.get("/printers", headers={"host": said["host"]}).status_code == 303
        elsewhere = httpx.HTTPTransport(local_address="127.0.0.2")
        with httpx.Client(base_url=address, transport=elsewhere, trust_env=False) as stranger:
            assert stranger.get("/printers", headers=said).status_code == 303
            # Nor does the other end choose its address by a header.
            forwarded = {**said, "x-forwarded-for": "127.0.0.1"}
            assert stranger.get("/printers", headers=forwarded).status_code == 303


def test_behind_a_proxy_cookies_are_for_tls_and_the_origin_may_be_https(lived_in: StoreHouse, keeper: Keeper) -> None:
    gate = Gate(keeper, sign_in=True, names=NAMES, behind_proxy=True, trusted=(ipaddress.ip_network("127.0.0.1"),))
    host = {"host": "lowmark.harrow-lane.example", "origin": "https://lowmark.harrow-lane.example"}
    with served(lived_in, gate) as address, visitor(address) as client:
        page = client.get("/sign-in", headers=host)
        cookie = page.headers["set-cookie"]
        assert cookie.startswith("__Host-lowmark-form=")
        assert "Secure" in cookie
        kept = {"cookie": cookie.partition(";")[0]}
        sent = {"csrf": field_in(page.text), "name": "Lark", "password": GOOD}
        answer = client.post("/sign-in", data=sent, headers={**host, **kept})
        assert answer.status_code == 303
        assert answer.headers["set-cookie"].startswith("__Host-lowmark-session=")


def test_the_address_of_who_fails_is_the_one_that_a_trusted_proxy_names(
    lived_in: StoreHouse, keeper: Keeper, store: Store
) -> None:
    gate = Gate(keeper, sign_in=True, trusted=(ipaddress.ip_network("127.0.0.1"),))
    with served(lived_in, gate) as address, visitor(address) as client:
        page = client.get("/sign-in")
        sent = {"csrf": field_in(page.text), "name": "Lark", "password": GOOD}
        client.post("/sign-in", data=sent, headers={"x-forwarded-for": "203.0.113.9, 192.0.2.44"})
    assert store.ledger()[-1].text == "Lark signed in from 192.0.2.44"


def test_while_the_store_cannot_be_read_nobody_is_let_in(lived_in: StoreHouse, keeper: Keeper) -> None:
    from agent.store.errors import StoreBusy

    class Broken:
        def session(self, _: str, *, used: bool = True) -> None:
            raise StoreBusy("the store is busy")

        def __getattr__(self, name: str) -> object:
            return getattr(keeper, name)

    with served(lived_in, Gate(Broken(), sign_in=True)) as address, visitor(address) as client:
        client.cookies.set("lowmark-session", "A" * 43)
        answer = client.get("/printers")
        assert answer.status_code == 503
        assert "the store is busy" in answer.text
        assert client.get("/api/v1/printers").json()["status"] == 503
