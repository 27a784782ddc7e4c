"""One small world for all tests of the pages: six printers, seven weeks of past."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from agent.model.fleet import LedgerEntry
from agent.model.health import Health
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.store import Store
from agent.web import Server, build_app
from agent.web.house import House
from tests.web import world

NOW = datetime(2026, 3, 18, 14, 30, tzinfo=UTC)
READY = Health(settings_loaded=True, store_open=True, swept=True, heartbeat_age=0.2)


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with world.opened(tmp_path_factory.mktemp("world")) as opened:
        fleet = Fleet(seed=3, size=6, start=NOW - timedelta(days=49), addresses=own_addresses(6))
        world.remember(opened, fleet, NOW)
        some = [
            LedgerEntry(NOW - timedelta(hours=200 - number), "remark", f"remark number {number}", 1, who="Night desk")
            for number in range(120)
        ]
        opened.append_ledger([*some, LedgerEntry(NOW, "settings", "settings taken up")])
        yield opened


@pytest.fixture(scope="session")
def house(store: Store) -> world.StoreHouse:
    return world.StoreHouse(store, NOW)


@contextmanager
def serving(house: House | None, **more: Any) -> Iterator[httpx.Client]:
    """A caller of the real server over this house."""
    app = build_app(lambda _: (b"lowmark_up 1\n", "text/plain"), lambda: READY, house, **more)
    with (
        Server(app) as server,
        httpx.Client(base_url=f"http://127.0.0.1:{server.port}", trust_env=False, timeout=60) as client,
    ):
        yield client


@pytest.fixture(scope="session")
def client(house: world.StoreHouse) -> Iterator[httpx.Client]:
    with serving(house) as made:
        yield made


@pytest.fixture(scope="module")
def client_of() -> Iterator[Callable[..., httpx.Client]]:
    """A client of any house, until the test is over."""
    with ExitStack() as open_ones:
        yield lambda house, **more: open_ones.enter_context(serving(house, **more))


@pytest.fixture(scope="module")
def changed(house: world.StoreHouse, client_of: Callable[..., httpx.Client]) -> Callable[..., httpx.Client]:
    """A client of the same house with some of its answers changed: ``changed(views={...})``."""

    class Changed:
        def __init__(self, answers: dict[str, object]) -> None:
            self.answers = answers

        def __getattr__(self, name: str) -> object:
            if name in self.answers:
                answer = self.answers[name]
                return lambda *_, **__: answer
            return getattr(house, name)

    return lambda **answers: client_of(Changed(answers))
