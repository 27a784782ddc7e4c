"""What the tests of pages share: an agent to look at, and a browser to do it with, one of each for a file of tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from selenium.webdriver import Chrome

from agent.app.service import Service
from tests.browser.agent import agent
from tests.browser.chrome import browser


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Service]]:
    with agent(tmp_path_factory.mktemp("agent")) as going:
        yield going


@pytest.fixture(scope="module")
def chrome() -> Iterator[Chrome]:
    with browser() as opened:
        yield opened
