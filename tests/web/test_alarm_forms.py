"""Alarms acknowledged and shelved: on the page, over the API, and by the signed link of a message."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest

from agent.alarms.lifecycle import acknowledge
from agent.app.desk import AlarmDesk
from agent.app.links import GOOD_FOR, Links
from agent.model.alarm import AlarmRecord, Message
from agent.model.people import Person
from agent.store import Store
from agent.web.gate import Gate
from tests.alarms.scene import DESK, LOW, Agent, seen, toner
from tests.web.conftest import NOW, serving
from tests.web.world import StoreHouse

KEY = "a key for the test, long enough"
CYAN = "low|1|toner:cyan"


@dataclass
class Place:
    """One alarm in a store of its own, and the pages over it."""

    store: Store
    agent: Agent
    message: Message
    client: httpx.Client
    house: StoreHouse

    @property
    def record(self) -> AlarmRecord:
        return {one.key: one for one in self.store.alarms()}[CYAN]

    def link(self, who: str = "wren@harrow-lane.example", **changed: object) -> str:
        links = Links(lambda: "http://localhost", lambda: KEY)
        return links.url(replace(self.message, **changed), who).removeprefix("http://localhost")

    def again(self, *views: object) -> None:
        """The agent judges once more."""
        self.agent.records = {one.key: one for one in self.store.alarms()}
        before = dict(self.agent.records)
        self.agent.sweep(*views)
        self.store.save_alarms(list(self.agent.records.values()), bases=before)

    def press(self, link: str) -> httpx.Response:
        # A page that was open before somebody else acknowledged it has its button still.
        shown = self.client.get(link).text + self.client.get("/alarms").text
        field = re.search(r'name="csrf" value="([^"]+)"', shown)
        return self.client.post(link, data={"csrf": field[1] if field else ""})


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    with Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}") as store:
        printer = store.save_printer(replace(DESK, id=0))
        agent = Agent([replace(LOW, tell=("mail",))], now=NOW - timedelta(hours=2))
        (message,) = agent.sweep(seen(toner(8), printer=printer))
        house = StoreHouse.__new__(StoreHouse)
        house.store, house.moment, house._views, house._insights, house.due = store, NOW, {}, {}, {}
        store.save_alarms(list(agent.records.values()), agent.ledger, agent.messages)
        desk = AlarmDesk(store, lambda: NOW, Links(lambda: "http://localhost", lambda: KEY))
        house.desk = lambda: desk
        with serving(house) as client:
            yield Place(store, agent, message, client, house)


def view(place: Place, level: int):
    return seen(toner(level), printer=place.store.printers()[0])


# --- the link --------------------------------------------------------------------------------------------------------


def test_following_the_link_changes_nothing_and_shows_what_it_is(place: Place) -> None:
    before = place.record
    for method in ("GET", "HEAD", "GET"):
        answer = place.client.request(method, place.link())
        assert answer.status_code == 200
    assert "cyan toner: 8% left" in answer.text
    assert "Nobody has acknowledged it yet" in answer.text
    assert "wren@harrow-lane.example" in answer.text
    assert place.record == before
    assert "form-action 'self'" in answer.headers["content-security-policy"]
    assert answer.headers["referrer-policy"] in ("no-referrer", "same-origin"), "the link is its receiver's secret"


def test_the_button_acknowledges_for_whom_the_link_names(place: Place) -> None:
    answer = place.press(place.link())
    assert answer.status_code == 200
    assert "It was acknowledged by wren@harrow-lane.example at" in answer.text
    assert place.record.acknowledged_by == "wren@harrow-lane.example"
    (entry,) = place.store.ledger(kinds={"alarmAcknowledged"})
    assert entry.who == "wren@harrow-lane.example"
    # Once more, and by somebody else: nothing more happens, and it is said who was first.
    assert "acknowledged by wren" in place.press(place.link("robin@harrow-lane.example")).text
    assert len(place.store.ledger(kinds={"alarmAcknowledged"})) == 1


def test_a_link_is_good_for_its_own_occurrence_only(place: Place) -> None:
    link = place.link()
    place.again(view(place, 90))
    assert "It is over, but nobody has acknowledged it yet" in place.client.get(link).text
    place.again(view(place, 5))
    answer = place.press(link)
    assert "has come again" in answer.text
    assert place.record.acknowledged_by == ""


def test_what_is_over_and_acknowledged_says_so(place: Place) -> None:
    place.press(place.link())
    place.again(view(place, 90))
    assert "acknowledged by wren" in place.client.get(place.link()).text
    place.store.save_alarms([], gone=[CYAN])
    assert "This alarm is over" in place.client.get(place.link()).text


def test_a_link_that_was_changed_or_is_too_old_or_of_another_key_acknowledges_nothing(place: Place) -> None:
    good = place.link()
    head, _, token = good.rpartition("/")
    payload, _, mac = token.rpartition(".")
    other = Links(lambda: "http://localhost", lambda: "another key").url(place.message, "wren")
    for wrong in (
        f"{head}/{payload}.{mac[:-1]}",
        f"{head}/{payload}x.{mac}",
        f"{head}/{payload}",
        f"{head}/x",
        f"{head}/{'a' * 5000}",
        other.removeprefix("http://localhost"),
    ):
        assert place.client.get(wrong).status_code == 404, wrong
        assert place.press(wrong).status_code in (403, 404)
    old = place.link(at=NOW - GOOD_FOR)
    answer = place.client.get(old)
    assert answer.status_code == 410
    assert "too old" in answer.text
    young = place.link(at=NOW - GOOD_FOR + timedelta(seconds=1))
    assert place.client.get(young).status_code == 200
    assert place.record.acknowledged_by == ""


def test_no_signing_in_is_asked_of_who_follows_a_link_and_only_there(place: Place) -> None:
    class Keeper:
        def session(self, _: str) -> None:
            return None

        def token(self, _: str) -> None:
            return None

        def person(self, _: str) -> Person | None:
            return None

    with serving(place.house, gate=Gate(keeper=Keeper(), sign_in=True)) as client:
        assert client.get("/alarms").status_code == 303
        place.client = client
        assert place.client.get(place.link()).status_code == 200
        assert '<a href="/alarms"' not in client.get(place.link()).text, "and nothing else is offered"
        assert place.press(place.link()).status_code == 200
        answer = client.post(f"/api/v1/alarms/{quote(CYAN, safe='')}/shelve", json={"minutes": 5, "reason": "x"})
        assert answer.status_code == 401
    assert place.record.acknowledged_by == "wren@harrow-lane.example"


def test_the_link_of_another_site_is_not_pressed_by_its_pages(place: Place) -> None:
    link = place.link()
    field = re.search(r'name="csrf" value="([^"]+)"', place.client.get(link).text)
    answer = place.client.post(link, data={"csrf": field[1]}, headers={"origin": "http://evil.example"})
    assert answer.status_code == 403
    assert place.record.acknowledged_by == ""


def test_without_an_address_of_the_pages_or_for_an_end_there_is_no_link(place: Place) -> None:
    assert Links(lambda: "", lambda: KEY).url(place.message, "wren") == ""
    assert place.link(kind="returned") == ""


# --- the page --------------------------------------------------------------------------------------------------------


def fields(place: Place, **more: str) -> dict[str, str]:
    field = re.search(r'name="csrf" value="([^"]+)"', place.client.get("/alarms").text)
    return {"csrf": field[1], "alarm": CYAN, "who": "Robin", **more}


def test_the_page_acknowledges_and_says_so(place: Place) -> None:
    answer = place.client.post("/alarms/acknowledge", data=fields(place, there="/alarms?every=1"))
    assert answer.status_code == 303
    shown = place.client.get(answer.headers["location"])
    assert "acknowledged: cyan toner: 8 % left" in shown.text
    assert place.record.acknowledged_by == "Robin"
    again = place.client.post("/alarms/acknowledge", data=fields(place))
    assert again.status_code == 409
    assert "there is nothing to acknowledge" in again.text
    assert place.client.post("/alarms/acknowledge", data=fields(place, alarm="x")).status_code == 404


def test_the_page_shelves_with_a_reason_and_a_limit(place: Place) -> None:
    assert place.client.post("/alarms/shelve", data=fields(place, length="3d")).status_code == 422
    assert place.client.post("/alarms/shelve", data=fields(place, length="9y", reason="x")).status_code == 422
    answer = place.client.post("/alarms/shelve", data=fields(place, length="3d", reason="it is on its way"))
    assert answer.status_code == 303
    record = place.record
    assert (record.state.value, record.shelved_by, record.shelved_reason) == ("shelved", "Robin", "it is on its way")
    assert record.shelved_until == NOW + timedelta(days=3)


@pytest.mark.parametrize("there", ["//evil.example", "http://evil.example", "/\\evil.example", "javascript:x"])
def test_the_way_back_leads_nowhere_else(place: Place, there: str) -> None:
    answer = place.client.post("/alarms/acknowledge", data=fields(place, there=there))
    assert answer.headers["location"].startswith("/alarms?")


# --- the API ---------------------------------------------------------------------------------------------------------


def test_programs_acknowledge_and_shelve(place: Place) -> None:
    path = f"/api/v1/alarms/{quote(CYAN, safe='')}"
    answer = place.client.post(f"{path}/acknowledge", json={"who": "desk script"})
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert (told["format"], told["alarm"]["acknowledged_by"]) == ("lowmark.alarm.v1", "desk script")
    refused = place.client.post(f"{path}/acknowledge", json={"who": "desk script"})
    assert (refused.status_code, refused.headers["content-type"]) == (409, "application/problem+json")
    answer = place.client.post(f"{path}/shelve", json={"who": "desk script", "minutes": 90, "reason": "ordered"})
    assert answer.json()["alarm"]["state"] == "shelved"
    assert place.record.shelved_until == NOW + timedelta(minutes=90)


def test_programs_are_told_what_is_wrong(place: Place) -> None:
    path = f"/api/v1/alarms/{quote(CYAN, safe='')}"
    for body, status in (
        ({"who": ""}, 422),
        ({"who": "x", "minutes": 5}, 422),
        ({"minutes": 50_000, "reason": "x", "who": "x"}, 422),
        ({"minutes": 5, "reason": "", "who": "x"}, 422),
    ):
        where = "shelve" if "minutes" in body or "reason" in body else "acknowledge"
        assert place.client.post(f"{path}/{where}", json=body).status_code == status, body
    assert place.client.post("/api/v1/alarms/none/acknowledge", json={"who": "x"}).status_code == 404
    assert place.client.post(f"{path}/acknowledge", content="who=x").status_code == 415
    assert place.client.get(f"{path}/acknowledge").status_code == 405
    assert place.record.state.value == "unacknowledged"


def test_a_step_that_the_agent_overtook_is_made_anew(place: Place) -> None:
    overtaken: list[AlarmRecord] = []
    read: Callable[[], tuple[AlarmRecord, ...]] = place.store.alarms

    class Overtaking:
        def __getattr__(self, name: str) -> object:
            return getattr(place.store, name)

        def alarms(self) -> tuple[AlarmRecord, ...]:
            found = read()
            if not overtaken:
                overtaken.extend(found)
                place.store.save_alarms([replace(found[0], value=0.07, revision=found[0].revision + 1)])
            return found

    desk = AlarmDesk(Overtaking(), lambda: datetime.now(UTC), Links(lambda: "", lambda: KEY))
    moved = desk.acknowledge(CYAN, "Robin")
    assert (moved.value, moved.acknowledged_by) == (0.07, "Robin")
    assert acknowledge(overtaken[0], "Robin", NOW)[0] != moved
