"""The round, its cards and services on pages and over the API: what is shown, what forms write, how it is proven."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from io import BytesIO

import httpx
import pytest
from PIL import Image

from agent.insight.jobs import key_of
from agent.model.reading import Mark
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.web.service_form import subjects_of
from tests.servicing.test_shapes import taken
from tests.web import world
from tests.web.conftest import NOW, serving
from tests.web.reading_html import Page

PNG = (
    b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x06\x00\x00\x00\x1f\x15\xc4\x89"
    b"\x00\x00\x00\rIDATx\x9cc\xf8\xcf\xc0\xf0\x1f\x00\x05\x00\x01\xff\x89\x99=\x1d\x00\x00\x00\x00IEND\xaeB`\x82"
)
"""A picture of one dot (PNG, RFC 2083), made by hand."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[world.StoreHouse]:
    """A house of its own: its ledger changes."""
    with world.opened(tmp_path_factory.mktemp("round")) as store:
        fleet = Fleet(seed=3, size=4, start=NOW - timedelta(days=49), addresses=own_addresses(4))
        world.remember(store, fleet, NOW)
        yield world.StoreHouse(store, NOW)


@pytest.fixture(scope="module")
def client(house: world.StoreHouse) -> Iterator[httpx.Client]:
    with serving(house) as made:
        yield made


Send = Callable[..., httpx.Response]


@pytest.fixture
def send(client: httpx.Client) -> Send:
    def sent(to: str, **fields: object) -> httpx.Response:
        found = re.search(r'name="csrf" value="([^"]+)"', client.get("/printers/2/service").text)
        assert found is not None
        photo = fields.pop("photo", None)
        files = {"photo": ("work.png", photo, "image/png")} if isinstance(photo, bytes) else None
        data = {"csrf": found[1], "who": "Wren Ashdown", **fields}
        return client.post(to, data=data, files=files)

    return sent


def full_again(house: world.StoreHouse, number: int, key: str, at: datetime) -> None:
    """The printer will answer with a full supply from now on."""
    reading = house.views()[number].reading
    assert reading is not None
    supplies = tuple(
        replace(one, level=one.capacity if not isinstance(one.capacity, Mark) else 100) if one.key == key else one
        for one in reading.supplies
    )
    house.mouth.ready[number] = replace(reading, at=at, supplies=supplies)


def worn(house: world.StoreHouse) -> tuple[int, str]:
    """A printer and a toner of it that is not full."""
    for number, view in house.views().items():
        for one in view.reading.supplies if view.reading is not None else ():
            if one.kind == "toner" and one.fraction is not None and one.fraction < 0.8:
                return number, one.key
    raise AssertionError("every toner of this world is full")


def test_the_round_shows_every_visit_with_its_jobs_and_what_waits(
    client: httpx.Client, house: world.StoreHouse
) -> None:
    made = house.round(None, None, None)
    text = Page(client.get("/round").text).text
    assert made.visits or made.waits
    for visit in made.visits:
        assert visit.printer in text
        for card in visit.cards:
            assert card.title in text
            assert f'href="/cards/{card.key}"' in client.get("/round").text
    for one in made.waits[:5]:
        assert one.title in text
    assert client.get("/", follow_redirects=True).url.path == "/round"


def test_the_api_gives_the_same_round(client: httpx.Client, house: world.StoreHouse) -> None:
    found = client.get("/api/v1/round").json()
    assert found["format"] == "lowmark.round.v1"
    made = house.round(None, None, None)
    assert [card["key"] for visit in found["visits"] for card in visit["cards"]] == [one.key for one in made.cards]
    assert client.get("/api/v1/round?site=Nowhere").status_code == 422
    assert client.get("/api/v1/round?day=1999-01-01").status_code == 422


def test_the_round_goes_on_paper_as_a_pdf(client: httpx.Client) -> None:
    answer = client.get("/round.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")  # ISO 32000-1 section 7.5.2
    assert "attachment" in answer.headers["content-disposition"]


def test_a_card_opens_by_its_key_whether_it_is_on_the_round_or_done(
    client: httpx.Client, house: world.StoreHouse
) -> None:
    number, key = worn(house)
    answer = client.get(f"/cards/{key_of(number, key)}")
    assert answer.status_code == 200
    assert "Say what was done" in Page(answer.text).text
    for nothing in ("0.toner.black", f"{number}.nothing.of.the.kind", "x", "9" * 40, "%00"):
        assert client.get(f"/cards/{nothing}").status_code == 404


def test_a_service_is_written_down_from_the_card_and_proven_by_the_reading_of_that_moment(
    client: httpx.Client, house: world.StoreHouse, send: Send
) -> None:
    number, key = worn(house)
    full_again(house, number, key, NOW)
    answer = send(
        f"/printers/{number}/service", did=key, card=key_of(number, key), remarks="<b>stiff door</b>", photo=PNG
    )
    assert answer.status_code == 303
    there = answer.headers["location"]
    text = client.get(there).text
    assert "Proven" in Page(text).text
    assert "Wren Ashdown" in Page(text).text
    assert "<b>stiff door" not in text
    picture = re.search(r'src="(/photos/[^"]+)"', text)
    assert picture is not None
    photo = client.get(picture[1])
    assert photo.headers["content-type"] == "image/png"
    assert photo.content.startswith(b"\x89PNG")
    assert photo.headers["x-content-type-options"] == "nosniff"
    (proof,) = house.proofs(number)
    assert proof.service.counter_from == "live"
    assert client.get(f"/cards/{key_of(number, key)}").status_code == 200
    assert "Services of late" in Page(client.get(f"/printers/{number}").text).text
    assert "Done in the last two days" in Page(client.get("/round").text).text
    told = client.get(f"/api/v1/proofs?printer={number}").json()["proofs"]
    assert [(one["state"], one["service"]["who"]) for one in told] == [("proven", "Wren Ashdown")]


def test_a_service_is_shown_as_of_a_moment_without_forms_and_not_before_it_was_written_down(
    client: httpx.Client, house: world.StoreHouse, send: Send
) -> None:
    number, key = worn(house)
    house.moment = NOW - timedelta(hours=5)
    there = send(f"/printers/{number}/service", did=key).headers["location"].partition("?")[0]
    house.moment = NOW
    at = (NOW - timedelta(hours=4)).isoformat()
    page = Page(client.get(there, params={"at": at}).text)
    assert page.faults == []
    assert "What came later is not looked at" in page.text
    assert page.tags["form"] == 0
    assert "Correct this entry" not in page.text
    assert "Correct this entry" in client.get(there).text
    assert there in Page(client.get(f"/printers/{number}", params={"at": at}).text).source
    assert all("at=" in one for one in page.values("a", "href") if one.startswith(("/printers/", "/round")))
    assert client.get(there, params={"at": (NOW - timedelta(hours=6)).isoformat()}).status_code == 404
    send(f"{there}/withdraw", remarks="only for this test")


def test_a_service_is_corrected_and_taken_back_and_nothing_is_erased(
    client: httpx.Client, house: world.StoreHouse, send: Send
) -> None:
    number, key = worn(house)
    send(f"/printers/{number}/service", did=key, counter="123 456")
    first = house.proofs(number)[-1].service
    assert (first.counter, first.counter_from) == (123_456, "given")
    assert 'value="123456"' in client.get(f"/printers/{number}/service?corrects={first.id}").text
    send(f"/printers/{number}/service", did=key, counter="123,465", corrects=first.id)
    second = house.proofs(number)[-1].service
    assert (second.counter, second.corrects) == (123_465, first.id)
    assert client.get(f"/printers/{number}/services/{first.id}").status_code == 404
    answer = send(f"/printers/{number}/services/{second.id}/withdraw", remarks="it was another printer")
    assert answer.status_code == 303
    assert second.id not in {one.service.id for one in house.proofs(number)}
    entries = house.ledger(number, None, None, ("service", "serviceWithdrawn"), 50)
    assert {first.id, second.id} < {one.id for one in entries}


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({}, "Tick at least one thing"),
        ({"did": "flux capacitor"}, "flux capacitor"),
        ({"did": "toner:black", "counter": "many"}, "whole number"),
        ({"did": "toner:black", "at": "yesterday"}, "day and time"),
        ({"did": "toner:black", "at": "2199-01-01T00:00"}, "has not come yet"),
        ({"did": "toner:black", "photo": b"<svg onload=alert(1)>"}, "photo"),
        ({"did": "toner:black", "place": "Roof"}, "no place"),
        ({"did": "toner:black", "who": " "}, "Say who does it"),
    ],
)
def test_what_cannot_have_been_is_refused_and_the_form_comes_again(
    house: world.StoreHouse, send: Send, fields: dict[str, object], reason: str
) -> None:
    number, key = worn(house)
    given = {name: key if value == "toner:black" else value for name, value in fields.items()}
    before = len(house.ledger(None, None, None, None, 10_000))
    answer = send(f"/printers/{number}/service", **given)
    assert answer.status_code == 422
    assert reason in Page(answer.text).text
    assert len(house.ledger(None, None, None, None, 10_000)) == before


@pytest.mark.parametrize("deed", ["calibration", "toner:cyan", "opc#2", "a.b/\u00fc ~%41", "=1+1<img src=x>"])
def test_a_form_brings_what_was_done_also_before_anything_is_reckoned(house: world.StoreHouse, deed: str) -> None:
    view = house.views()[1]
    bare = replace(view, reading=None)
    assert subjects_of(house, bare, [key_of(1, deed)]) == {key_of(1, deed): deed}


def test_what_was_seen_but_not_logged_is_accepted_with_one_click(
    client: httpx.Client, house: world.StoreHouse, send: Send
) -> None:
    waiting = house.suggestions()
    assert waiting, "the past of this world has swaps that nobody logged"
    one = waiting[-1]
    assert one.words.split(" was ")[0] in Page(client.get("/round").text).text
    answer = send(f"/suggestions/{one.id}/accept")
    assert answer.status_code == 303
    assert one.id not in {each.id for each in house.suggestions()}
    assert send(f"/suggestions/{one.id}/accept").status_code == 422
    entry = house.ledger(one.printer_id, None, None, ("service",), 10)
    assert any(each.who == "Wren Ashdown" and each.data.get("accepted") for each in entry)


def test_services_go_over_the_api_and_a_refusal_says_why(client: httpx.Client, house: world.StoreHouse) -> None:
    number, key = worn(house)
    said = {"printer_id": number, "did": [key], "who": "Wren Ashdown", "counter": 9}
    answer = client.post("/api/v1/services", json=said)
    assert answer.status_code == 201
    made = answer.json()
    assert (made["format"], made["service"]["counter"]) == ("lowmark.service.v1", 9)
    gone = client.post(f"/api/v1/services/{made['service']['id']}/withdraw", json={"who": "Wren Ashdown"})
    assert gone.json()["service"]["withdrawn"] is True
    for wrong in ({**said, "did": ["nothing"]}, {**said, "printer_id": 999}, {**said, "who": ""}, {**said, "did": []}):
        refused = client.post("/api/v1/services", json=wrong)
        assert (refused.status_code, refused.headers["content-type"]) == (422, "application/problem+json")


def test_a_service_goes_over_the_api_with_a_photo_of_which_only_the_picture_is_kept(
    client: httpx.Client, house: world.StoreHouse
) -> None:
    number, key = worn(house)
    said = json.dumps({"printer_id": number, "did": [key], "who": "Wren Ashdown", "remarks": "stiff door"})
    path, photo = "/api/v1/services/with-photo", ("work.jpg", taken("JPEG"), "image/jpeg")
    answer = client.post(path, data={"service": said}, files={"photo": photo})
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["format"], made["service"]["remarks"]) == ("lowmark.service.v1", "stiff door")
    kept = client.get(f"/photos/{made['service']['photo']}")
    assert kept.headers["content-type"] == "image/jpeg"
    with Image.open(BytesIO(kept.content)) as opened:
        assert (opened.size, dict(opened.getexif())) == ((40, 60), {})
    client.post(f"/api/v1/services/{made['service']['id']}/withdraw", json={"who": "Wren Ashdown"})

    wrong = client.post(path, data={"service": said.replace("did", "dit")}, files={"photo": photo})
    assert wrong.status_code == 422
    assert {one["where"] for one in wrong.json()["errors"]} == {"body.service.did", "body.service.dit"}
    for refused, status in (
        (client.post(path, data={"service": said}, files={"photo": ("a.svg", b"<svg/>", "image/svg+xml")}), 422),
        (client.post(path, data={"service": said}), 415),
        (client.post(path, json={"service": said}), 415),
        (client.post(path, data={"service": said}, files={"other": photo}), 422),
        (client.post(path, data={"service": said}, files={"photo": ("a.jpg", b"x" * 9_000_000)}), 422),
        (client.post(path, data={"service": said}, files={"photo": ("a.jpg", b"x" * 13_000_000)}), 413),
        (
            client.post(
                path, data={"service": said}, files={"photo": photo}, headers={"origin": "https://evil.example"}
            ),
            403,
        ),
    ):
        assert (refused.status_code, refused.headers["content-type"]) == (status, "application/problem+json")


def test_no_hands_are_lent_outside_a_rehearsal(client: httpx.Client, house: world.StoreHouse, send: Send) -> None:
    number, key = worn(house)
    assert "simulated printer" not in client.get(f"/cards/{key_of(number, key)}").text
    assert send(f"/printers/{number}/hands", deed=key).status_code == 404


def test_a_card_that_is_over_keeps_its_title_and_one_that_never_was_is_not_found_whatever_was_done(
    client: httpx.Client, house: world.StoreHouse, send: Send
) -> None:
    number, key = worn(house)
    path = f"/cards/{key_of(number, key)}"
    title = re.search(r"<title>(.*?)</title>", client.get(path).text)
    assert title is not None
    full_again(house, number, key, NOW)
    assert send(f"/printers/{number}/service", did=key, card=key_of(number, key)).status_code == 303
    assert client.get(f"/cards/{number}.nosuch").status_code == 404
    assert title[0] in client.get(path).text
    assert "What was to be seen to" in client.get(f"/cards/{number}.alarm.printer-silent.x").text
