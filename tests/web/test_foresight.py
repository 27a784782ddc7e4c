"""What the pages show of the future is reckoned for every printer, and again only for those that want it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from agent.app.foresight import STALE, Foresight
from agent.app.house import ServiceHouse
from agent.app.pages import NOT_HERE, Pages
from agent.app.service import Clocks, Service
from agent.insight.kin import Fleet, pool
from agent.insight.printer import look, summarise
from agent.model.fleet import PrinterHistory, PrinterView
from agent.settings import parse
from agent.store import Store
from tests.web.conftest import NOW
from tests.web.world import views

SETTINGS = parse("")


class Counting:
    """The real store; counts the histories that are read."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.read: list[int] = []

    def history(self, printer_id: int, since: datetime | None = None, until: datetime | None = None) -> PrinterHistory:
        self.read.append(printer_id)
        return self.store.history(printer_id, since, until)

    def __getattr__(self, name: str) -> object:
        return getattr(self.store, name)


@pytest.fixture
def counting(store: Store) -> Counting:
    return Counting(store)


def foresight(counting: Counting) -> Foresight:
    return Foresight(counting, lambda: SETTINGS, time.monotonic)  # type: ignore[arg-type]


def seen(store: Store) -> Mapping[int, PrinterView]:
    return views(store)


def test_every_printer_is_looked_at_with_what_the_fleet_teaches(store: Store, counting: Counting) -> None:
    made = foresight(counting)
    made.learn(NOW, seen(store))
    histories = {number: store.history(number, until=NOW) for number in seen(store)}
    fleet = pool([summarise(one, Fleet(), NOW) for one in histories.values()])
    assert set(made.insights) == set(made.upkeep) == set(histories)
    for number, told in histories.items():
        assert made.insights[number].forecasts == look(told, fleet, NOW).forecasts
    assert any(one.empty_dates for insight in made.insights.values() for one in insight.forecasts)
    earlier = NOW - timedelta(days=9)
    assert made.look(2, earlier).as_of == earlier


def test_a_level_that_fell_by_much_is_looked_at_again_and_wear_is_not(store: Store, counting: Counting) -> None:
    made = foresight(counting)
    before = seen(store)
    full = {number: _with_left(view, 1.0) for number, view in before.items()}
    made.learn(NOW, full)
    counting.read.clear()
    worn = {**full, 2: _with_left(full[2], 0.95)}
    assert not made.surprised(worn)
    made.learn(NOW + timedelta(minutes=1), worn)
    assert counting.read == []
    fell = {**full, 2: _with_left(full[2], 0.5)}
    assert made.surprised(fell)
    made.learn(NOW + timedelta(minutes=2), fell)
    assert set(counting.read) == {2}
    assert not made.surprised(fell)


def _with_left(view: PrinterView, share: float) -> PrinterView:
    assert view.reading is not None
    supplies = tuple(replace(one, capacity=1000, level=round(1000 * share)) for one in view.reading.supplies)
    return replace(view, reading=replace(view.reading, supplies=supplies))


def test_only_a_swap_or_time_makes_it_look_again(store: Store, counting: Counting) -> None:
    made = foresight(counting)
    made.learn(NOW, seen(store))
    counting.read.clear()
    made.learn(NOW + timedelta(minutes=1), seen(store))
    assert counting.read == []
    view = seen(store)[2]
    assert view.reading is not None
    full = tuple(replace(one, level=one.capacity) for one in view.reading.supplies)
    swapped = {**seen(store), 2: replace(view, reading=replace(view.reading, supplies=full))}
    made.learn(NOW + timedelta(minutes=2), swapped)
    assert set(counting.read) == {2}
    counting.read.clear()
    made.learn(NOW + STALE + timedelta(minutes=2), swapped)
    assert set(counting.read) == set(swapped)


def test_printers_that_are_gone_are_let_go_of(store: Store, counting: Counting) -> None:
    made = foresight(counting)
    made.learn(NOW, seen(store))
    fewer = {number: view for number, view in seen(store).items() if number != 3}
    made.learn(NOW, fewer)
    assert set(made.insights) == set(made.upkeep) == set(fewer)


def test_it_ends_when_it_is_told_to(store: Store, counting: Counting) -> None:
    made = foresight(counting)
    made.stop()
    made.learn(NOW, seen(store))
    assert len(counting.read) == 1


@pytest.mark.parametrize(
    ("listen", "opened"),
    [
        ("{address: '127.0.0.1:9633'}", True),
        ("{address: 'localhost:9633'}", True),
        ("{address: '[::1]:9633'}", True),
        ("{address: '127.0.0.1:9633', allow_network: true}", False),
        ("{address: '0.0.0.0:9633', allow_network: true}", False),
        ("{address: '192.0.2.1:9633', allow_network: true}", False),
    ],
)
def test_pages_are_served_on_loopback_alone(store: Store, tmp_path: Path, listen: str, opened: bool) -> None:
    settings = parse(f"listen: {listen}")
    service = Service(settings, tmp_path / "lowmark.yaml", store, Clocks(lambda: NOW, time.monotonic))
    pages = Pages(service)
    assert pages.open is opened
    import httpx

    from agent.web import Server

    with Server(pages.app()) as server, httpx.Client(trust_env=False) as client:
        base = f"http://127.0.0.1:{server.port}"
        assert (client.get(f"{base}/api/v1/openapi.json").status_code == 200) is opened
        assert client.get(f"{base}/healthz").status_code == 503  # it has not been started
        index = client.get(f"{base}/")
        assert (index.status_code == 307) is opened
        assert (NOT_HERE in index.text) is not opened


def test_the_house_of_a_service_knows_what_the_store_knows(store: Store, tmp_path: Path) -> None:
    service = Service(SETTINGS, tmp_path / "lowmark.yaml", store, Clocks(lambda: NOW, time.monotonic))
    house = ServiceHouse(service, foresight(Counting(store)))
    found = house.history(2, NOW - timedelta(days=5), NOW)
    assert found == store.history(2, NOW - timedelta(days=5), NOW)
    assert house.history(999, None, None) is None
    assert house.insight(999, NOW) is None
    assert house.ledger(1, None, None, ["remark"], 3) == store.ledger(1, kinds=["remark"], limit=3)
