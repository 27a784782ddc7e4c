"""How the agent's event loop is run: with a garbage collector and turns of threads that fit a fleet.

The loop is asyncio's own. uvloop is a little quicker, but stops watching a socket whose peer refused a datagram (ICMP
port unreachable), so that a refusal would be taken for silence.
"""

from __future__ import annotations

import asyncio
import ctypes
import gc
import sys
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

T = TypeVar("T")

ARENAS = 2
"""Heaps of the C library. Left alone it makes one for nearly each thread, of which each keeps its own free pages; the
threads here hardly ever ask for memory at the same time, since it is the interpreter that asks."""
_ARENA_MAX = -8  # M_ARENA_MAX in malloc.h

YOUNG, MIDDLE, OLD = 50_000, 20, 50
"""Containers made before the youngest generation is looked through, and how many of such looks make the next one.

A reading makes some hundred tuples and dicts that are gone, or settled, a moment later and hardly ever hold each other
in a ring. Looking every 700 of them, as the interpreter does unless told otherwise, walked through the settled
readings of the whole fleet again and again: a fifth of the time of a sweep.
"""

SWITCH_SECONDS = 0.001
"""How long a thread that wants the interpreter waits before the one that has it is asked to give it away. With the five
milliseconds of the interpreter's own a page, which changes threads for each of its pieces, took seconds while a sweep
went flat out, and the loop was late after every answer while forecasts were reckoned."""


def run(main: Coroutine[Any, Any, T]) -> T:
    """As ``asyncio.run``, with the interpreter settled."""
    with settled():
        return asyncio.run(main)


@contextmanager
def settled() -> Iterator[None]:
    """Have the collector look less often, and not at all at what is there already: modules, classes, settings.

    Threads take turns more often meanwhile.
    """
    before, turns = gc.get_threshold(), sys.getswitchinterval()
    if (bound := _of_libc("mallopt")) is not None:
        bound(_ARENA_MAX, ARENAS)
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG, MIDDLE, OLD)
    sys.setswitchinterval(SWITCH_SECONDS)
    try:
        yield
    finally:
        sys.setswitchinterval(turns)
        gc.set_threshold(*before)
        gc.unfreeze()


def tidy() -> None:
    """After much was made at once: find what is garbage, leave the rest alone until the next time, give memory back.

    The collector comes to old objects so seldom (see ``OLD``) that what the first contact leaves in rings would stay
    for days. Holds everything up for some tenths of a second where the fleet is large.
    """
    gc.unfreeze()
    gc.collect()
    gc.freeze()
    give_back()


def give_back() -> None:
    """Give the system the pages back that a sweep has filled and left: the C library keeps them unless told.

    Takes some milliseconds, in which other threads go on.
    """
    if (trim := _of_libc("malloc_trim")) is not None:
        trim(0)


def _of_libc(name: str) -> Callable[..., int] | None:
    """A function that the GNU C library has, and other libraries have not."""
    found: Callable[..., int] | None = getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None
    return found
