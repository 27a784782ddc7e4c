"""What holds for all tests: the width of the terminal is what a test says, and no test's logger outlives it."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
import structlog

os.environ.pop("COLUMNS", None)

import agent.cli.show  # noqa: F401 - its consoles keep the width that they find when they are made


@pytest.fixture(autouse=True)
def _loggers_of_its_own() -> Iterator[None]:
    """A command that a test runs writes its log to that test's stderr, which is closed when the next one logs."""
    yield
    structlog.reset_defaults()
