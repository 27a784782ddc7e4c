"""How fine a history is wanted by somebody who will look at it, and not reckon with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Grain:
    """What of a history is wanted. ``levels`` and ``counts``: of these moments the points in force, in order of time.

    ``counters``: names of counters, the best first; only the first that has points is given (all of them where none of
    these has). ``entries``: so many of the latest ledger entries.
    """

    levels: Sequence[datetime]
    counts: Sequence[datetime]
    counters: Sequence[str]
    entries: int
