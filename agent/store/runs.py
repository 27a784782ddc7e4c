"""Runs of equal readings, and how one more reading fits among them. Pure.

A series of readings is kept as runs: from ``first`` to ``last`` every reading showed ``value``; between runs nobody
asked, or what was answered was thinned out. Whatever order readings come in, at each moment at which somebody asked
the runs answer what was answered; a second answer for the same moment replaces the first.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Run(Generic[V]):
    """From ``first`` to ``last`` (microseconds, both included) every reading showed ``value``.

    ``note`` is something about the latest of them that makes no run of its own (why it failed).
    """

    first: int
    last: int
    value: V
    note: tuple[str | None, str] = (None, "")


def place(runs: list[Run[V]], new: Run[V], gap: int | None = None) -> bool:
    """Put one reading (a run with ``first == last``) among ``runs``, which are in order of time and do not overlap.

    Runs of equal value that come to stand side by side are joined, unless more than ``gap`` microseconds lie
    between them (None: however far apart). Returns whether anything changed. ``runs`` is changed in place.
    """
    at = new.first
    here = bisect_right(runs, at, key=lambda run: run.first) - 1
    if here >= 0 and at <= runs[here].last:
        old = runs[here]
        if old.value == new.value:
            return False
        # The moments of the other readings in this run are not known, so the cut is as narrow as a clock tick.
        parts = [new]
        if old.first < at:
            parts.insert(0, replace(old, last=at - 1))
        if at < old.last:
            parts.append(replace(old, first=at + 1))
        runs[here : here + 1] = parts
        here += old.first < at
    else:
        here += 1
        runs.insert(here, new)
    _join(runs, here, gap)
    _join(runs, here - 1, gap)
    return True


def _join(runs: list[Run[V]], left: int, gap: int | None) -> None:
    if not 0 <= left < len(runs) - 1:
        return
    one, two = runs[left], runs[left + 1]
    if one.value == two.value and (gap is None or two.first - one.last <= gap):
        runs[left : left + 2] = [replace(two, first=one.first)]


def value_at(runs: list[Run[V]], at: int) -> V | None:
    """The value of the step function at this moment: that of the last run that began by then."""
    here = bisect_right(runs, at, key=lambda run: run.first) - 1
    return runs[here].value if here >= 0 else None
