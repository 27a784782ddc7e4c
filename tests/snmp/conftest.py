"""What the tests of the wire share: the engines by name, and a way to run a coroutine with an end in sight."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

LONGEST = 20.0  # seconds; no test of the wire may take longer


@pytest.fixture
def run() -> Callable[[Coroutine[Any, Any, Any]], Any]:
    """Run a coroutine to its end, or fail."""

    def run(coroutine: Coroutine[Any, Any, Any]) -> Any:
        async def bounded() -> Any:
            async with asyncio.timeout(LONGEST):
                return await coroutine

        return asyncio.run(bounded())

    return run


@pytest.fixture(params=["gufo", "pysnmp"])
def engine_name(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    if name == "gufo":
        pytest.importorskip("gufo.snmp")
    return name
