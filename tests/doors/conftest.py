"""The little world of tests/web, with people."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from agent.rehearsal.fleet import Fleet, own_addresses
from agent.store import Store
from tests.doors.house import START, Time
from tests.web import world


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    with Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}") as opened:
        yield opened


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture(scope="session")
def lived_in(tmp_path_factory: pytest.TempPathFactory) -> Iterator[world.StoreHouse]:
    """A house with three printers and two weeks of past."""
    with world.opened(tmp_path_factory.mktemp("doors")) as opened:
        fleet = Fleet(seed=5, size=3, start=START - timedelta(days=14), addresses=own_addresses(3))
        world.remember(opened, fleet, START, timedelta(hours=12))
        yield world.StoreHouse(opened, START)
