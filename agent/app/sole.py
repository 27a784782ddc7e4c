"""Who is at work on a history: one agent, or one sweep, and no other beside it."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import IO

from agent.model.failure import Failure

AGENT, SWEEP = "agent", "sweep"
_WORDS = {
    AGENT: "an agent{who} runs on the history {path}",
    SWEEP: "a sweep{who} is under way on the history {path}",
}


class Taken(Failure):
    """Another one is at work there. ``kind``: AGENT or SWEEP."""

    status = 2

    def __init__(self, kind: str, number: str, path: str) -> None:
        self.kind = kind
        super().__init__(_WORDS[kind].format(who=f" (process {number})" if number else "", path=path))


@contextmanager
def sole(url: str, kind: str) -> Iterator[None]:
    """Be the only one at work on the SQLite history at ``url``. Raises Taken.

    The lock is on a file beside it, since SQLite locks the history itself; however its holder ends, it is free again.
    Several agents may share a PostgreSQL store.
    """
    path = url.partition(":///")[2]
    if not url.startswith("sqlite") or path in ("", ":memory:"):
        yield
        return
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
        raise Taken(other if other in _WORDS else AGENT, number if number.isdigit() else "", path) from None
    mark.truncate(0)
    mark.write(f"{os.getpid()} {kind}\n")
    mark.flush()
