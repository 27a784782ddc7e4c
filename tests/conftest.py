"""What holds for all tests: the width of the terminal is what a test says, no test's logger outlives it, drawn examples
may take their time, and the files with slow tests are spread over the first part of a run, so that nothing long is left
for its end."""

from __future__ import annotations

import os
from collections.abc import Iterator
from itertools import groupby

import pytest
import structlog
from hypothesis import HealthCheck, settings

os.environ.pop("COLUMNS", None)

import agent.cli.show  # noqa: F401 - its consoles keep the width that they find when they are made

# Speed is measured in tests of its own: on a busy machine any example may take longer than the library's 200 ms.
settings.register_profile("lowmark", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("lowmark")


@pytest.fixture(autouse=True)
def _loggers_of_its_own() -> Iterator[None]:
    """A command that a test runs writes its log to that test's stderr, which is closed when the next one logs."""
    yield
    structlog.reset_defaults()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whole files in another order: each with a slow test is followed by two without, as long as there are any."""
    files = [list(some) for _, some in groupby(items, key=lambda item: item.path)]
    slow = [some for some in files if any(item.get_closest_marker("slow") for item in some)]
    quick = iter([some for some in files if not any(item.get_closest_marker("slow") for item in some)])
    ordered: list[pytest.Item] = []
    for some in slow:
        ordered += some
        for _ in range(2):
            ordered += next(quick, [])
    items[:] = ordered + [item for some in quick for item in some]
