from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.store import Store
from tests.store.postgres import Cluster


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    made = Cluster()
    try:
        yield made
    finally:
        made.remove()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty place for a store, on each database in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'lowmark.sqlite'}"
    return request.getfixturevalue("cluster").database()


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with Store.open(url) as opened:
        yield opened
