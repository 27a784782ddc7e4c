"""How the agent's event loop is run: with a garbage collector that fits a fleet.

The loop is asyncio's own. uvloop is a little quicker, but stops watching a socket whose peer refused a datagram (ICMP
port unreachable), so that a refusal would be taken for silence.
"""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Coroutine, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

T = TypeVar("T")

YOUNG, MIDDLE, OLD = 50_000, 20, 50
"""Containers made before the youngest generation is looked through, and how many of such looks make the next one.

A reading makes some hundred tuples and dicts that are gone, or settled, a moment later and hardly ever hold each other
in a ring. Looking every 700 of them, as the interpreter does unless told otherwise, walked through the settled
readings of the whole fleet again and again: a fifth of the time of a sweep.
"""


def run(main: Coroutine[Any, Any, T]) -> T:
    """As ``asyncio.run``, with the collector settled."""
    with settled():
        return asyncio.run(main)


@contextmanager
def settled() -> Iterator[None]:
    """Have the collector look less often, and not at all at what is there already: modules, classes, settings."""
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG, MIDDLE, OLD)
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
