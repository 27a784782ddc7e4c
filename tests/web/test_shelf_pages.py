"""The shelf on the pages and over the API: what it shows, what forms write, and what they refuse."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest

from agent.model.fleet import LedgerEntry
from agent.rehearsal.fleet import Fleet, own_addresses
from tests.web import world
from tests.web.conftest import NOW, serving
from tests.web.reading_html import Page


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[world.StoreHouse]:
    """A house of its own: its shelf changes."""
    with world.opened(tmp_path_factory.mktemp("shelf")) as store:
        fleet = Fleet(seed=3, size=4, start=NOW - timedelta(days=49), addresses=own_addresses(4))
        world.remember(store, fleet, NOW)
        yield world.StoreHouse(store, NOW)


@pytest.fixture(scope="module")
def client(house: world.StoreHouse) -> Iterator[httpx.Client]:
    with serving(house) as made:
        yield made


@pytest.fixture
def say(client: httpx.Client) -> Callable[..., httpx.Response]:
    def send(part: str, kind: str, count: object, place: str = "", who: str = "Wren Ashdown") -> httpx.Response:
        found = re.search(r'name="csrf" value="([^"]+)"', client.get("/shelf").text)
        assert found is not None
        sent = {"csrf": found[1], "part": part, "kind": kind, "count": str(count), "place": place, "who": who}
        return client.post("/shelf", data=sent)

    return send


def test_what_to_order_stands_first_with_its_reasons(client: httpx.Client, house: world.StoreHouse) -> None:
    wanted = [one for one in house.shelf(None).advice if one.order]
    assert wanted, "the world wants something"
    text = Page(client.get("/shelf").text).text
    for one in wanted:
        assert one.part in text
        assert f"a chance of {round(one.stock_out * 100)}" in text.replace("\N{NARROW NO-BREAK SPACE}", " ")
        assert one.because[0].printer in text
    assert text.index("To order") < text.index("What lies where")


def test_a_part_is_counted_in_taken_and_counted_again_by_a_form(
    client: httpx.Client, house: world.StoreHouse, say: Callable[..., httpx.Response]
) -> None:
    assert say("DR-1", "shelfCountedIn", 4, "Cupboard 3").status_code == 303
    assert say("DR-1", "shelfCountedOut", 1, "Cupboard 3").status_code == 303
    answer = say("DR-1", "shelfRecounted", 7, "Depot shelf")
    assert answer.headers["location"] == "/shelf/part?name=DR-1"
    assert {(one.place, one.count) for one in house.shelf(None).state.stock if one.part == "DR-1"} == {
        ("Cupboard 3", 3), ("Depot shelf", 7),
    }  # fmt: skip
    page = Page(client.get("/shelf/part?name=DR-1").text).text
    assert "Written down: 7 DR-1 lie at Depot shelf, counted again" in page
    entry = house.ledger(None, None, None, ("shelfRecounted",), 5)[-1]
    assert (entry.who, entry.data["before"]) == ("Wren Ashdown", 0)


def test_an_order_changes_the_advice_at_once_and_arrives(
    client: httpx.Client, house: world.StoreHouse, say: Callable[..., httpx.Response]
) -> None:
    before = house.shelf(None).advice_of("=QU-C")
    assert before is not None
    assert before.order > 0
    say("=QU-C", "ordered", before.order)
    after = house.shelf(None).advice_of("=QU-C")
    assert after is not None
    assert (after.order, after.on_order) == (0, before.order)
    assert "Say that it came" in Page(client.get("/shelf").text).text
    say("=QU-C", "orderArrived", before.order, "Cupboard 3")
    assert house.shelf(None).state.on_hand("=QU-C") == before.order


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (("DR-1", "shelfCountedOut", 99_999, "Cupboard 3"), "a shelf holds no less than nothing"),
        (("DR-1", "orderWithdrawn", 3), "only 0 on order"),
        (("DR-1", "shelfCountedIn", "three", "Cupboard 3"), "is no number"),
        (("DR-1", "shelfCountedIn", 0, "Cupboard 3"), "cannot be"),
        (("DR-1", "shelfCountedIn", 1, "Roof"), "no place"),
        (("DR-1", "burnt", 1, "Roof"), "nothing that can be said"),
        (("DR-1", "shelfCountedIn", 1, "Cupboard 3", " "), "Say who does it"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    house: world.StoreHouse, say: Callable[..., httpx.Response], said: tuple[str, ...], reason: str
) -> None:
    before = len(house.ledger(None, None, None, None, 10_000))
    answer = say(*said)
    assert answer.status_code == 422
    assert reason in Page(answer.text).text
    assert "lowmark" not in Page(answer.text).text.split(reason)[1][:120], "a form, not a terminal, is before them"
    assert len(house.ledger(None, None, None, None, 10_000)) == before


def test_the_table_for_a_spreadsheet_holds_no_formula(client: httpx.Client) -> None:
    # OWASP, CSV Injection: cells that begin with = + - @ tab or carriage return are taken for formulas.
    answer = client.get("/shelf.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert {row[0] for row in rows[1:]} >= {"TG-40K", "'=QU-C", "DR-1"}
    assert all(not cell.startswith(("=", "+", "-", "@", "\t", "\r")) for row in rows for cell in row)


def test_a_part_that_nobody_knows_is_not_there(client: httpx.Client, say: Callable[..., httpx.Response]) -> None:
    assert client.get("/shelf/part?name=nothing").status_code == 404
    assert say("nothing", "shelfCountedIn", 1, "Cupboard 3").status_code == 422


def test_the_api_says_the_same_and_takes_movements(client: httpx.Client, house: world.StoreHouse) -> None:
    found = client.get("/api/v1/shelf").json()
    assert found["format"] == "lowmark.shelf.v1"
    assert [one["part"] for one in found["advice"]] == [one.part for one in house.shelf(None).advice]
    said = {"kind": "shelfCountedIn", "part": "TG-40K", "count": 2, "place": "Cupboard 3", "who": "Wren Ashdown"}
    answer = client.post("/api/v1/shelf/movements", json=said)
    assert answer.status_code == 201
    assert answer.json()["stock"][0]["count"] == 2
    assert answer.json()["entry"]["who"] == "Wren Ashdown"
    wrong = client.post("/api/v1/shelf/movements", json={**said, "kind": "shelfCountedOut", "count": 50})
    assert (wrong.status_code, wrong.headers["content-type"]) == (422, "application/problem+json")
    assert "only 2 at Cupboard 3" in wrong.json()["detail"]


def test_an_earlier_moment_shows_the_stock_of_then(client: httpx.Client) -> None:
    then = client.get("/api/v1/shelf", params={"at": (NOW - timedelta(days=3)).isoformat()}).json()
    assert then["stock"] == []
    assert then["advice"] == []


def test_the_page_of_a_part_shows_the_stock_of_then_and_no_form(client: httpx.Client, house: world.StoreHouse) -> None:
    at = NOW - timedelta(days=3)
    counted = LedgerEntry(
        at - timedelta(hours=1), "shelfRecounted", "5 =QU-C lie here", None, "=QU-C", "Store room",
        {"count": 5, "place": "Depot shelf"},
    )  # fmt: skip
    later = replace(counted, at=at + timedelta(hours=1), text="2 =QU-C lie here", data={**counted.data, "count": 2})
    house.store.append_ledger([counted, later])
    page = Page(client.get("/shelf/part", params={"name": "=QU-C", "at": at.isoformat()}).text)
    assert page.faults == []
    assert "5 =QU-C lie here" in page.text
    assert "2 =QU-C lie here" not in page.text
    assert "What came later is not looked at" in page.text
    assert page.tags["form"] == 0
    assert all("at=" in one for one in page.values("a", "href") if one.startswith(("/printers/", "/shelf")))
    now = Page(client.get("/shelf/part", params={"name": "=QU-C"}).text)
    assert "2 =QU-C lie here" in now.text
    assert now.tags["form"] > 0
    then = client.get("/shelf", params={"at": at.isoformat()})
    assert f"/shelf/part?name=%3DQU-C&amp;at={quote(at.isoformat())}" in then.text
    assert client.get("/shelf/part?name=%3DQU-C&at=yesterday").status_code == 422


def test_the_same_shelf_has_the_same_tag_though_time_goes_on(client: httpx.Client, house: world.StoreHouse) -> None:
    tag = client.get("/api/v1/shelf").headers["etag"]
    house.moment = NOW + timedelta(seconds=5)
    try:
        assert client.get("/api/v1/shelf", headers={"if-none-match": tag}).status_code == 304
    finally:
        house.moment = NOW


def test_before_anything_is_reckoned_the_page_says_so(tmp_path: Path) -> None:
    with world.opened(tmp_path) as store:
        house = world.StoreHouse(store, NOW)
        with serving(house) as client:
            assert client.get("/shelf").status_code == 200
            assert "What to order is being reckoned" in Page(client.get("/shelf").text).text
