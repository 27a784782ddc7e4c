"""What the API tells as of an earlier moment, and how it refuses what it would not look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from agent.alarms.lifecycle import acknowledge
from agent.alarms.spells import STALE
from agent.model.alarm import AlarmRecord
from agent.model.fleet import LedgerEntry
from agent.model.reading import Supply
from agent.web.words import near_day
from tests.web.conftest import NOW
from tests.web.reading_html import Page
from tests.web.world import StoreHouse

API = "/api/v1"
RAISED = NOW - timedelta(hours=3)


@pytest.fixture(scope="module")
def document(client: httpx.Client) -> Mapping[str, Any]:
    found: Mapping[str, Any] = client.get(f"{API}/openapi.json").json()
    return found


def test_every_report_but_that_of_the_agent_itself_can_be_asked_as_of_a_moment(document: Mapping[str, Any]) -> None:
    without = {
        path
        for path, item in document["paths"].items()
        if "get" in item and "at" not in {one["name"] for one in item["get"].get("parameters", ())}
    }
    assert without == {"/about"}


def test_alarms_are_told_as_of_a_moment_in_the_same_shape(client: httpx.Client, house: StoreHouse) -> None:
    now = client.get(f"{API}/alarms").json()
    before = client.get(f"{API}/alarms", params={"at": (RAISED - timedelta(minutes=1)).isoformat()}).json()
    assert (before["total"], before["alarms"]) == (0, [])
    then = client.get(f"{API}/alarms", params={"at": (NOW - timedelta(hours=1)).isoformat()}).json()
    assert datetime.fromisoformat(then["at"]) == NOW - timedelta(hours=1)
    same = ("key", "severity", "state", "raised_at", "text", "printer_id", "occurrence", "value", "limit", "marks")
    assert [[one[name] for name in same] for one in then["alarms"]] == [
        [one[name] for name in same] for one in now["alarms"]
    ]
    assert then["alarms"][0].keys() == now["alarms"][0].keys()
    later = client.get(f"{API}/alarms", params={"at": (NOW + timedelta(days=1)).isoformat()}).json()
    assert later["alarms"] == now["alarms"]


def test_alarms_that_chatter_or_stand_long_are_marked(
    client: httpx.Client, house: StoreHouse, changed: Callable[..., httpx.Client]
) -> None:
    record = next(one for one in house.alarms() if one.standing)
    old = AlarmRecord.from_data({**record.to_data(), "raised_at": (NOW - STALE - timedelta(hours=1)).isoformat()})
    heard = [
        LedgerEntry(
            NOW - timedelta(minutes=minutes), kind, "said", record.printer_id, record.subject,
            data={"alarm": record.key, "after": after, "severity": "high"},
        )
        for minutes in (9, 8, 7)
        for kind, after in (("alarmRaised", "unacknowledged"), ("alarmReturned", "normal"))
    ]  # fmt: skip
    some = changed(alarms=(old,), ledger=tuple(heard))
    assert [one["marks"] for one in some.get(f"{API}/alarms").json()["alarms"]] == [["chattering", "stale"]]
    of_one = some.get(f"{API}/printers/{record.printer_id}").json()["alarms"]
    assert [one["marks"] for one in of_one] == [["chattering", "stale"]]
    seen, _ = acknowledge(record, "Night desk", NOW)
    quiet = changed(alarms=(seen,), ledger=tuple(heard[:4]))
    assert [one["marks"] for one in quiet.get(f"{API}/alarms").json()["alarms"]] == [[]]


def test_a_printer_and_the_fleet_are_told_as_of_a_moment(client: httpx.Client, house: StoreHouse) -> None:
    at = NOW - timedelta(days=20)
    fleet = client.get(f"{API}/printers", params={"at": at.isoformat(), "sort": "name"}).json()
    assert datetime.fromisoformat(fleet["at"]) == at
    assert fleet["total"] == len(house.views())
    for shown in fleet["printers"]:
        told = house.history(shown["id"], None, at)
        assert told is not None
        for supply in shown["supplies"]:
            track = next(one for one in told.supplies if one.key == supply["supply"])
            last = track.points[-1]
            seen = Supply(
                track.key,
                1,
                1,
                track.supply_class,
                track.kind,
                "",
                track.colorant,
                track.unit,
                last.capacity,
                last.level,
            )
            assert supply["remaining"] == seen.fraction
        assert datetime.fromisoformat(shown["read_at"]) <= at
    one = client.get(f"{API}/printers/2", params={"at": at.isoformat()}).json()
    assert one["printer"] == next(shown for shown in fleet["printers"] if shown["id"] == 2)
    assert datetime.fromisoformat(one["insight"]["as_of"]) == at
    assert datetime.fromisoformat(one["upkeep"]["as_of"]) == at
    view = house.views()[2]
    assert view.reading is not None
    assert {row["key"]: row["index"] for row in one["reading"]["supplies"]} == {
        supply.key: supply.index for supply in view.reading.supplies
    }
    long_ago = (NOW - timedelta(days=400)).isoformat()
    assert client.get(f"{API}/printers", params={"at": long_ago}).json()["total"] == 0
    assert client.get(f"{API}/printers/2", params={"at": long_ago}).status_code == 404


def test_suggestions_are_told_as_of_a_moment(client: httpx.Client, house: StoreHouse) -> None:
    at = NOW - timedelta(days=10)
    told = client.get(f"{API}/suggestions", params={"at": at.isoformat()}).json()
    assert datetime.fromisoformat(told["as_of"]) == at
    assert [one["id"] for one in told["suggestions"]] == [one.id for one in house.servicing.suggestions(None, at)]
    assert all(datetime.fromisoformat(one["at"]) <= at for one in told["suggestions"])


@pytest.mark.parametrize(
    ("path", "name", "hint"),
    [
        ("/alarms?severty=high", "severty", "did you mean severity?"),
        ("/printers?SORT=name", "SORT", "did you mean sort?"),
        ("/printers/1/history?untl=x&since=2026-03-02T00:00:00Z", "untl", "known here: since, at"),
        ("/ledger?kinds=swap", "kinds", "did you mean kind?"),
        ("/about?at=2026-03-02T00:00:00Z", "at", "known here: none"),
        ("/openapi.json?format=yaml", "format", "known here: none"),
        ("/shelf?%E2%80%AEx=1", "\u202ex", "known here: at"),
    ],
)
def test_a_parameter_that_is_not_known_is_refused_with_the_nearest_one(
    client: httpx.Client, path: str, name: str, hint: str
) -> None:
    answer = client.get(API + path)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["errors"] == [{"where": f"query.{name}", "what": f"there is no such parameter; {hint}"}]


def test_what_changes_something_takes_no_parameter_either(client: httpx.Client) -> None:
    answer = client.post(f"{API}/services/1/withdraw?whoo=x", json={})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == "query.whoo"


# --- pages ------------------------------------------------------------------------------------------------------------


def test_pages_are_shown_as_of_a_moment_and_say_so(client: httpx.Client, house: StoreHouse) -> None:
    for path in ("/alarms", "/printers", "/printers/2", "/printers/2/symptom", "/shelf", "/round", "/ledger"):
        page = Page(client.get(path, params={"at": "2026-03-18T08:00"}).text)
        # 08:00 by the clock of the agent's zone, which is that of London.
        assert "As of 18 Mar 2026, 08:00 . What came later is not looked at." in page.text, path
        assert "What came later" not in client.get(path).text
    assert "Nothing stands" in Page(client.get("/alarms?at=2026-03-18T08:00").text).text
    standing = client.get("/alarms?at=2026-03-18T14:00").text
    record = next(one for one in house.alarms() if one.standing)
    assert record.text.partition(":")[0] in standing
    assert "Acknowledge</button>" not in standing
    assert "Acknowledge</button>" in client.get("/alarms").text
    earlier = (NOW - timedelta(days=20)).isoformat()
    rows = client.get("/api/v1/printers", params={"at": earlier, "sort": "name"}).json()["printers"]
    text = Page(client.get("/printers", params={"at": earlier, "sort": "name"}).text).text
    assert all(one["printer"] in text for one in rows)
    assert client.get("/printers", params={"at": earlier}).text != client.get("/printers").text


def test_what_is_no_moment_is_said_and_what_has_not_come_is_now(client: httpx.Client) -> None:
    for path in (
        "/alarms", "/printers", "/printers/2", "/printers/2/symptom", "/shelf", "/shelf.csv", "/round", "/round.pdf",
        "/ledger",
    ):  # fmt: skip
        answer = client.get(path, params={"at": "yesterday"})
        assert answer.status_code == 422, path
        assert "no moment to look at" in answer.text
        assert client.get(path, params={"at": "2150-01-01T00:00"}).status_code == 200


def test_the_marks_of_an_alarm_stand_on_its_page(house: StoreHouse, changed: Callable[..., httpx.Client]) -> None:
    record = next(one for one in house.alarms() if one.standing)
    old = AlarmRecord.from_data({**record.to_data(), "raised_at": (NOW - STALE - timedelta(hours=1)).isoformat()})
    assert "unacknowledged, stale" in Page(changed(alarms=(old,)).get("/alarms").text).text


# --- the page of one printer ------------------------------------------------------------------------------------------


def shown(client: httpx.Client, path: str, at: datetime, **more: str) -> Page:
    answer = client.get(path, params={"at": at.isoformat(), **more})
    assert answer.status_code == 200
    page = Page(answer.text)
    assert page.faults == []
    return page


def test_the_page_of_a_printer_shows_what_the_api_tells_of_that_moment(client: httpx.Client) -> None:
    at = NOW - timedelta(days=20)
    told = client.get(f"{API}/printers/2", params={"at": at.isoformat()}).json()
    page = shown(client, "/printers/2", at, days="30")
    shares = [one["remaining"] for one in told["printer"]["supplies"] if one["remaining"] is not None]
    drawn = [float(wide) / 99 for wide in page.values("rect", "width") if wide not in ("99", "16")]
    assert drawn == pytest.approx(shares, abs=0.01)
    now = [float(wide) / 99 for wide in Page(client.get("/printers/2").text).values("rect", "width")
           if wide not in ("99", "16")]  # fmt: skip
    assert now != pytest.approx(shares, abs=0.01), "the levels of today are others"
    moments = [datetime.fromisoformat(one) for one in page.values("time", "datetime")]
    assert moments
    assert max(moments) <= at, "nothing that came later"
    expected = [near_day(date.fromisoformat(one["p50"]), at.date()) for one in told["insight"]["runout"] if one["p50"]]
    assert expected
    assert any(f"Used up about {one}" in page.text for one in expected)
    assert all(" to then: " in one for one in page.values("img", "alt") if not one.startswith("Pages"))


def test_the_ledger_of_a_printers_page_ends_at_the_moment(client: httpx.Client) -> None:
    # Remark number n was written 200 - n hours before now.
    page = shown(client, "/printers/1", NOW - timedelta(hours=150))
    assert "remark number 50 " in page.text
    assert "remark number 51 " not in page.text
    ledger = shown(client, "/ledger", NOW - timedelta(hours=150), printer="1")
    assert "remark number 50 " in ledger.text
    assert "remark number 51 " not in ledger.text


def test_alarms_stand_on_a_printers_page_from_when_they_were_raised(client: httpx.Client, house: StoreHouse) -> None:
    record = next(one for one in house.alarms() if one.standing and one.printer_id is not None)
    path = f"/printers/{record.printer_id}"
    before, after = (shown(client, path, at) for at in (RAISED - timedelta(minutes=1), NOW - timedelta(hours=1)))
    assert "wants" not in before.values("section", "class")
    assert "wants" in after.values("section", "class")
    assert record.text.partition(":")[0] in after.text.partition("Alarms ! ")[2][:80]


def test_nothing_can_be_written_down_in_an_earlier_moment_and_its_links_lead_to_the_same(client: httpx.Client) -> None:
    at = NOW - timedelta(days=10)
    page = shown(client, "/printers/2", at)
    assert page.tags["form"] == 0
    assert "Say what was done" not in page.text
    assert "Say what was done" in client.get("/printers/2").text
    places = [urlsplit(one) for one in page.values("a", "href")]
    now_only = {"", "/", "/about", "/api/v1/openapi.json"}
    onward = [one for one in places if one.path not in now_only]
    assert {one.path for one in onward} == {
        "/round", "/printers", "/shelf", "/alarms", "/ledger", "/printers/2/symptom",
    }  # fmt: skip
    assert {tuple(parse_qs(one.query).get("at", ())) for one in onward} == {(at.isoformat(),)}
    spans = [parse_qs(one.query) for one in places if one.path == "" and "days" in one.query]
    assert [one["at"] for one in spans] == [[at.isoformat()]] * 2
    for path in ("/printers", "/alarms", "/ledger"):
        found = [one for one in shown(client, path, NOW - timedelta(hours=1)).values("a", "href")
                 if one.startswith("/printers/")]  # fmt: skip
        assert found, path
        assert all("at=" in one for one in found), path
    assert all("at=" not in one for one in Page(client.get("/printers/2").text).values("a", "href"))


def test_the_charts_of_an_earlier_moment_can_be_drawn_anew(client: httpx.Client) -> None:
    at = NOW - timedelta(days=10)
    page = shown(client, "/printers/2", at)
    charts = page.values("img", "src")
    assert len(charts) > 2
    for one in charts:
        assert parse_qs(urlsplit(one).query)["at"] == [at.isoformat()]
        kept = client.get(one)
        mark = parse_qs(urlsplit(one).query)["v"][0]
        anew = client.get(one.replace(f"v={mark}", "v=gone"))
        assert (kept.status_code, anew.status_code) == (200, 200)
        assert anew.headers["etag"] == kept.headers["etag"], "the same drawing"
        assert anew.content == kept.content
    levels = [one for one in charts if "level.svg" in one]
    assert all(">then</text>" in client.get(one).text for one in levels)
    assert client.get("/printers/2/pages.svg?at=yesterday").status_code == 422


def test_a_printer_that_was_not_read_by_then_has_no_page_of_then(client: httpx.Client) -> None:
    answer = client.get("/printers/2", params={"at": (NOW - timedelta(days=400)).isoformat()})
    assert answer.status_code == 404
    assert "not read yet" in answer.text
    assert "How it is now" in answer.text
    assert client.get("/printers/999", params={"at": (NOW - timedelta(days=4)).isoformat()}).status_code == 404
