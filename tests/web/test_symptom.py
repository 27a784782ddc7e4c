"""From paper to part on the page and in the API; and what an alert means, with its place in the process."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import httpx
import pytest

from agent.insight.process import packaged
from agent.model.contact import StatusPoint
from agent.model.reading import Alert
from tests.web.conftest import NOW
from tests.web.reading_html import Page
from tests.web.world import StoreHouse

PATH = "/printers/2/symptom"
API = "/api/v1/printers/2/symptom"
Changed = Callable[..., httpx.Client]


def test_the_printers_page_leads_to_the_form(client: httpx.Client) -> None:
    assert PATH in Page(client.get("/printers/2").text).values("a", "href")


def test_the_form_asks_with_get_and_has_a_label_for_every_field(client: httpx.Client) -> None:
    page = Page(client.get(PATH).text)
    assert page.values("form", "method") == ["get"]
    assert page.values("form", "action") == [PATH]
    fields = {*page.values("select", "id"), *page.values("input", "id")}
    assert fields == set(page.values("label", "for"))
    assert {"seen", "every"} <= fields
    for one in packaged().symptoms.values():
        assert one.title in page.text
        assert one.kind in page.values("option", "value")


@pytest.mark.parametrize("kind", packaged().symptoms)
def test_every_kind_gives_a_ranking_with_reasons_and_cautions(client: httpx.Client, kind: str) -> None:
    answer = client.get(PATH, params={"seen": kind})
    assert answer.status_code == 200
    page = Page(answer.text)
    assert page.faults == []
    symptom = packaged().symptoms[kind]
    assert symptom.first in page.text
    for cause in symptom.causes:
        assert cause.why in page.text
    assert "The maker's manual prevails" in page.text
    assert "qualified service" in page.text
    assert page.tags["ol"] == (2 if len(symptom.causes) > 5 else page.tags["ol"])


def test_a_distance_may_be_written_as_people_write_it(client: httpx.Client) -> None:
    for written in ("94.2", "94,2", " 94.2 mm", "94.2MM"):
        answer = client.get(PATH, params={"seen": "ghost", "every": written})
        assert answer.status_code == 200
        assert "a diameter of 30.0 mm" in Page(answer.text).text
    # The form sends every field: where a distance says nothing, it is left aside.
    assert client.get(PATH, params={"seen": "skew", "every": "x"}).status_code == 200


@pytest.mark.parametrize(
    ("query", "said", "field"),
    [
        ({"seen": "gost"}, "did you mean ghost", "seen"),
        ({"seen": "ghost", "every": "-4"}, "-4 mm is no distance", "every"),
        ({"seen": "ghost", "every": "9999"}, "from 1 to 1500", "every"),
        ({"seen": "ghost", "every": "about a hand"}, "this is no distance", "every"),
        ({"seen": "ghost", "every": "nan"}, "this is no distance", "every"),
    ],
)
def test_what_cannot_be_is_said_beside_the_form(
    client: httpx.Client, query: dict[str, str], said: str, field: str
) -> None:
    answer = client.get(PATH, params=query)
    assert answer.status_code == 200
    page = Page(answer.text)
    assert page.faults == []
    assert said in page.text
    marked = [value for tag, name, value in page.attributes if name == "aria-describedby" and value == "fault"]
    assert len(marked) == 1
    assert page.tags["ol"] == 0
    if field == "every":
        assert ("option", "selected", "") in page.attributes, "what was chosen stays chosen"
        assert query["every"] in page.values("input", "value")


def test_a_printer_that_is_not_there_is_not_found(client: httpx.Client) -> None:
    for number in ("999", str(2**60)):
        assert client.get(f"/printers/{number}/symptom").status_code == 404
    assert client.get("/api/v1/printers/999/symptom?seen=jam").status_code == 404


def test_the_api_answers_in_the_shape_of_the_command(client: httpx.Client, house: StoreHouse) -> None:
    told = client.get(API, params={"seen": "repeating-mark", "every": 94}).json()
    assert told["format"] == "lowmark.symptom.v1"
    assert told["printer"] == house.printers()[2].name
    assert told["seen"]["every"] == 94
    scores = [one["score"] for one in told["suspects"]]
    assert scores == sorted(scores, reverse=True)
    bare = client.get(API).json()
    assert (bare["seen"], bare["suspects"]) == (None, [])
    assert [one["kind"] for one in bare["kinds"]] == list(packaged().symptoms)
    again = client.get(API, headers={"if-none-match": client.get(API).headers["etag"]})
    assert again.status_code == 304


def test_the_api_says_which_parameter_is_wrong(client: httpx.Client) -> None:
    for query, where in (
        ("seen=gost", "query.seen"),
        ("seen=ghost&every=-1", "query.every"),
        ("seen=ghost&every=nan", "query.every"),
        ("seen=ghost&every=abc", "query.every"),
        ("seen=jam&every=5", "query.every"),
        ("every=5", "query.seen"),
        ("seen=jam&colour=plaid", "query.colour"),
        ("seen=jam&at=yesterday", "query.at"),
    ):
        answer = client.get(f"{API}?{query}")
        assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json"), query
        assert [one["where"] for one in answer.json()["errors"]] == [where]


def test_as_of_an_earlier_moment_nothing_later_is_looked_at(client: httpx.Client, house: StoreHouse) -> None:
    told = client.get(API, params={"seen": "faded", "at": "2026-02-10T08:00:00+00:00"}).json()
    assert told["as_of"] == "2026-02-10T08:00:00+00:00"
    assert "2026-03" not in json.dumps(told["suspects"])
    now, then = house.case(2, None), house.case(2, NOW - timedelta(days=30))
    assert now is not None
    assert then is not None
    assert now.media
    assert not then.media
    assert then.trays == now.trays


def test_rollers_of_the_settings_are_compared(house: StoreHouse, client_of: Callable[..., httpx.Client]) -> None:
    class WithRollers:
        settings = "upkeep: [{name: kit, every: 900d, rollers: {drum: 30mm, fuser_roller: 20mm}}]"

        def __getattr__(self, name: str) -> object:
            return getattr(house, name)

        def case(self, printer_id: int, at: object) -> object:
            from agent.app.symptoms import case_of
            from agent.settings import parse

            return case_of(house.store, parse(self.settings), printer_id, NOW)

    page = Page(client_of(WithRollers()).get(PATH, params={"seen": "repeating-mark", "every": "94"}).text)
    assert "Drum, diameter 30 mm" in page.text
    assert "one turn is 94.2 mm, off by -0.2 mm (up to 1.7 mm may be)" in page.text


# --- alerts on the printer's page -------------------------------------------------------------------------------------


def test_an_alert_says_its_stage_part_and_cautions(house: StoreHouse, changed: Changed) -> None:
    view = house.views()[1]
    assert view.reading is not None
    hot = Alert(1, "critical", "unknown", "marker", 1, 0, "markerFuserOverTemperature", 1002, "FUSER 50.3", None)
    page = Page(changed(views={1: replace(view, reading=replace(view.reading, alerts=(hot,)))}).get("/printers/1").text)
    assert page.faults == []
    assert "The fuser is too hot." in page.text
    assert "Fusing: fuser" in page.text
    assert "The printer does not say; usually qualified service" in page.text
    assert "hot enough to burn" in page.text


def test_without_an_alert_table_the_error_bits_are_told(house: StoreHouse, changed: Changed) -> None:
    view = house.views()[1]
    assert view.reading is not None
    bits = frozenset({"jammed", "overduePreventMaint", "bit 15"})
    reading = replace(view.reading, alerts=(), errors=bits)
    page = Page(changed(views={1: replace(view, reading=reading)}).get("/printers/1").text)
    assert page.faults == []
    assert "Paper is jammed." in page.text
    assert "take out the whole sheet" in page.text
    assert "Maintenance is overdue." in page.text


# --- what a printer says is text -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad", ["<script>alert(1)</script>", "\u202etxt.exe\x07", "{{ 7 * 7 }}", "jam \"'><img src=x>"]
)
def test_what_a_printer_says_stays_text_in_the_reasons(house: StoreHouse, changed: Changed, bad: str) -> None:
    known = house.case(2, None)
    assert known is not None
    jam = Alert(1, "critical", bad, "input", 1, 0, "jam", 8, bad, None)
    status = StatusPoint(NOW, "down", "other", frozenset({bad}), (f"tray {bad}",), (jam,))
    media = {1: f"labels {bad}"}
    told = replace(known, statuses=(status,), trays={1: bad}, media=media, mark_techs=(bad,))
    client = changed(case=told)
    for kind in ("jam", "wipes-off", "repeating-mark"):
        answer = client.get(PATH, params={"seen": kind})
        assert answer.status_code == 200
        page = Page(answer.text)
        assert page.faults == []
        assert page.tags["script"] == page.tags["img"] == 0
        assert "\u202e" not in answer.text
        assert "\x07" not in answer.text
        if bad.startswith("{{") and kind == "jam":
            assert bad in page.text
    assert client.get(f"{API}?seen=jam").status_code == 200
