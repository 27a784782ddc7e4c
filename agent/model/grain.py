"""How fine a history is wanted by somebody who will look at it, and not reckon with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Grain:
    """What of a history is wanted. ``levels`` and ``counts``: of these moments the points in force.

    Each is a few runs of moments in order of time; a run is asked for quickly as far as its steps are even.

    ``counters``: names of counters, the best first; only the first that has points is given (all of them where none of
    these has). ``entries``: so many of the latest ledger entries.
    """

    levels: Sequence[Sequence[datetime]]
    counts: Sequence[Sequence[datetime]]
    counters: Sequence[str]
    entries: int
