"""Observed days: pages of whole days out of a page counter, and what each day was worth (its exposure).

Counts are known at readings; a day's pages are what was counted between two midnights, which lie between readings: in
between, the total goes with the exposure. Days that no reading tells apart enter as one observation.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from agent.insight.days import Floats, Ints, day_of, hour_share, midnights
from agent.insight.profile import Shape
from agent.insight.series import Bools, Counts, Heard

_WINDOW = 20
_NOTHING = np.zeros(1)


@dataclass(frozen=True, slots=True)
class Days:
    """Observations in order: pages, exposure and the last day of each; ``single``: it is one whole day by itself."""

    pages: Floats
    worth: Floats
    last: Ints
    length: Ints
    usable: Bools


def exposure(at: Floats, zone: str, shape: Shape, holidays: Collection[int]) -> Floats:
    """The exposure that has gone by at each moment since the first's midnight. ``at``: in order and not empty."""
    _, edges, worth = _days_of(at, zone, shape, holidays)
    return _gone_by(at, edges, worth, np.concatenate([_NOTHING, worth.cumsum()]))


def _days_of(at: Floats, zone: str, shape: Shape, holidays: Collection[int]) -> tuple[Ints, Floats, Floats]:
    """The days from the first of these moments to the last, their midnights (one more), and what each is worth."""
    first, last = day_of(zone, float(at[0])), day_of(zone, float(at[-1]))
    days = np.arange(first, last + 1)
    return days, midnights(zone, first, last + 1), shape.worth(days, holidays)


def _gone_by(at: Floats, edges: Floats, worth: Floats, gone: Floats) -> Floats:
    """The exposure that has gone by at each moment, from days' midnights and worths and what has ``gone`` by these."""
    index = np.minimum(np.maximum(edges.searchsorted(at, side="right") - 1, 0), worth.size - 1)
    hours = (at - edges[index]) / 3600.0
    # Most pages fall into office hours; the little rest keeps pages of the night in their night.
    within = 0.97 * hour_share(hours) + 0.03 * np.minimum(np.maximum(hours / 24.0, 0.0), 1.0)
    made: Floats = gone[index] + worth[index] * within
    return made


def _knots(counts: Counts, gone: Floats, gone_before: Floats, contact: Heard) -> tuple[Floats, Floats, Floats]:
    """Where the total is known: exposures, totals; and for each change the exposure over which it came about."""
    begin = gone_before.copy()
    if contact.cadence >= 6 * 3600.0 and gone.size > 3:
        # Readings are rare, and whether somebody asked on a day without a change is not known. A flat stretch that ends
        # with as much as the whole stretch is worth was a gap, one that ends with a day's worth was idleness.
        flat = begin[1:] - gone[:-1]
        step = np.diff(counts.total)
        took = gone[1:] - begin[1:]
        usual = step[(took > 0.5) & (took < 1.4) & (flat < 0.5)]
        if usual.size:
            typical = max(1.0, float(np.median(usual)))
            gap = (flat > 1.4) & (step > typical * np.sqrt(flat + 1.0))
            begin[1:] = np.where(gap, gone[:-1], begin[1:])
    where, total = np.empty(2 * gone.size - 1), np.empty(2 * gone.size - 1)
    where[0], where[1::2], where[2::2] = gone[0], begin[1:], gone[1:]
    total[0], total[1::2], total[2::2] = counts.total[0], counts.total[:-1], counts.total[1:]
    return where, total, gone - begin


def observe(counts: Counts, contact: Heard, zone: str, shape: Shape, off: Collection[int]) -> Days | None:
    """The days between the first count and the latest contact; None with fewer than two whole ones."""
    latest = max(contact.latest, float(counts.at[-1]))
    days, edges, worth = _days_of(np.array([counts.at[0], latest]), zone, shape, off)
    if days.size < 4 or counts.at.size < 2:
        return None
    gone_edges = np.concatenate([_NOTHING, worth.cumsum()])
    gone = _gone_by(counts.at, edges, worth, gone_edges)
    before = _gone_by(np.concatenate([counts.at[:1], counts.before[1:]]), edges, worth, gone_edges)
    where, total, took = _knots(counts, gone, before, contact)
    at_edges = np.interp(gone_edges, where, total)
    # Whole days only: the first and the last are seen in part.
    pages = np.diff(at_edges[1:-1])
    change = np.minimum(np.maximum(counts.at.searchsorted(edges[2:-2], side="right"), 1), counts.at.size - 1)
    blurred = (took[change] > 1.4) & (counts.before[change] < edges[2:-2]) & (counts.at[change] >= edges[2:-2])
    starts = np.concatenate([[0], np.flatnonzero(~blurred) + 1])
    lost = np.zeros(pages.size, dtype=bool)
    where_lost = edges[1:-1].searchsorted(counts.at[counts.lost], side="right") - 1
    lost[where_lost[(where_lost >= 0) & (where_lost < pages.size)]] = True
    length = np.diff(np.append(starts, pages.size))
    return Days(
        np.maximum(0.0, np.add.reduceat(pages, starts)),
        np.add.reduceat(worth[1:-1], starts),
        days[1:-1][starts + length - 1],
        length,
        ~np.logical_or.reduceat(lost, starts),
    )


def local_mean(seen: Days) -> Floats:
    """Pages per exposure around each observation (twenty observations either way)."""
    pages = np.concatenate([[0.0], np.cumsum(seen.pages)])
    worth = np.concatenate([[0.0], np.cumsum(seen.worth)])
    here = np.arange(seen.pages.size)
    low, high = np.maximum(0, here - _WINDOW), np.minimum(seen.pages.size, here + _WINDOW + 1)
    made: Floats = (pages[high] - pages[low]) / np.maximum(0.5, worth[high] - worth[low])
    return made
