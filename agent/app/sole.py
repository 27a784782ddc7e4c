"""Who is at work on a history: one agent, or one sweep, and no other beside it.

Two would judge the same printers, close one another's alarms, and send what waits in one outbox twice.
"""

from __future__ import annotations

import fcntl
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import IO

from agent.model.failure import Failure
from agent.store import Store
from agent.store.errors import StoreError
from agent.store.holding import Holding

AGENT, SWEEP = "agent", "sweep"
_WORDS = {
    AGENT: "an agent{who} runs on the history {path}",
    SWEEP: "a sweep{who} is under way on the history {path}",
}
LOOK_SECONDS = 5.0


class Taken(Failure):
    """Another one is at work there. ``kind``: AGENT or SWEEP. ``who``: its process, with its machine where told."""

    status = 2

    def __init__(self, kind: str, who: str, path: str) -> None:
        self.kind = kind if kind in _WORDS else AGENT
        super().__init__(_WORDS[self.kind].format(who=f" (process {who})" if who else "", path=path))


def _nobody() -> None:
    """Whoever does not ask is not told."""


@contextmanager
def sole(
    store: Store, kind: str, lost: Callable[[], object] = _nobody, *, look: float = LOOK_SECONDS
) -> Iterator[None]:
    """Be the only one at work on this history. Raises Taken, StoreError.

    SQLite: the lock is on a file beside it, since SQLite locks the history itself. PostgreSQL: its server keeps it as
    long as a connection lasts. However its holder ends, it is free again. ``lost``: called once, in another thread,
    when the connection was lost and another one has taken the history meanwhile; ``look``: so often, in seconds, it is
    seen after.
    """
    holding = store.holding(kind)
    if holding is None:
        with _file(store.url.partition(":///")[2], kind):
            yield
        return
    if (other := holding.take()) is not None:
        raise Taken(*other, store.url)
    ending = threading.Event()
    watch = threading.Thread(target=_watch, args=(holding, ending, lost, look), name="sole", daemon=True)
    watch.start()
    try:
        yield
    finally:
        ending.set()
        watch.join()
        holding.let_go()


def _watch(holding: Holding, ending: threading.Event, lost: Callable[[], object], look: float) -> None:
    while not ending.wait(look):
        with suppress(StoreError):  # while the server is away nobody else can take it
            if not holding.keeps():
                lost()
                return


@contextmanager
def _file(path: str, kind: str) -> Iterator[None]:
    with ExitStack() as held:
        # What cannot be written there, the store complains of.
        with suppress(OSError):
            _hold(held.enter_context(Path(f"{path}.agent").open("a+", encoding="utf-8")), kind, path)
        yield


def _hold(mark: IO[str], kind: str, path: str) -> None:
    try:
        fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        mark.seek(0)
        number, _, other = mark.read(40).strip().partition(" ")
        raise Taken(other, number if number.isdigit() else "", path) from None
    mark.truncate(0)
    mark.write(f"{os.getpid()} {kind}\n")
    mark.flush()
