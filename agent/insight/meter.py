"""The counter by which a printer's upkeep is reckoned: what it showed, and how much was printed since a moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from agent.insight.days import Floats
from agent.insight.series import Counts, counts, heard, in_order, moment
from agent.model.day_words import dated_words
from agent.model.fleet import PrinterHistory
from agent.model.insight import Note

NAMES = ("life", "total", "sheets", "life:2", "mono")
"""The counters that may serve, the best first."""
_SLACK = 50
"""A logged count may be off by so much from what the readings around it allow (somebody printed a test page)."""


@dataclass(frozen=True, slots=True)
class Meter:
    """One counter up to a moment. ``shown``: its own numbers, one for each of ``counts.at``. Never empty.

    ``latest``: when the printer last answered, POSIX seconds. ``zone``: in which days are told.
    """

    name: str
    unit: str
    counts: Counts
    shown: Floats
    latest: float
    zone: str = "UTC"

    @property
    def now(self) -> int:
        """What it shows."""
        return int(self.shown[-1])

    @property
    def latest_at(self) -> datetime:
        """When the printer last answered."""
        return moment(self.latest)

    def shown_at(self, at: datetime) -> int | None:
        """What it showed at a moment; None before the first reading."""
        index = self._index(at)
        return int(self.shown[index]) if index >= 0 else None

    def since(self, at: datetime, count: int | None) -> tuple[float | None, str]:
        """Impressions since a moment, at which somebody wrote down ``count``; and what is odd about that, if anything.

        None where the moment lies before the first reading and the counter at it is not known.
        """
        total = self.counts.total
        index = self._index(at)
        if index < 0:
            if count is None or count > self.shown[0]:
                return None, ""
            return float(self.shown[0] - count + total[-1] - total[0]), ""
        low = float(total[index])
        high = float(total[index + 1]) if index + 1 < total.size else float("inf")
        if count is None:
            return float(total[-1]) - low, ""
        start = low + count - float(self.shown[index])
        odd = ""
        if start < low - _SLACK or start > high + _SLACK or (high == float("inf") and start > low + 100_000):
            upper = f" and {int(self.shown[index + 1]):,}" if index + 1 < total.size else " or a little more"
            odd = (
                f"the count {count:,} logged on {dated_words(at, self.zone)} does not fit the readings around it "
                f"({int(self.shown[index]):,}{upper}); the readings are taken"
            )
            start = low
        return max(0.0, float(total[-1]) - min(max(start, low), high)), odd

    def printed(self, begin: datetime | None, end: datetime | None) -> float:
        """Impressions between two moments (None: the first or the last reading)."""
        total = self.counts.total
        first = 0 if begin is None else max(0, self._index(begin))
        last = total.size - 1 if end is None else max(first, self._index(end))
        return float(total[last] - total[first])

    def _index(self, at: datetime) -> int:
        return int(np.searchsorted(self.counts.at, at.timestamp(), side="right")) - 1


def meter(history: PrinterHistory, as_of: datetime) -> Meter | None:
    """The counter to reckon by, as of a moment; None where the printer has none with readings by then."""
    tracks = {track.name: track for track in history.counters}
    notes: list[Note] = []
    for name in (*(one for one in NAMES if one in tracks), *(one for one in tracks if one not in NAMES)):
        ordered = in_order(tracks[name].points, as_of, name, notes)
        if ordered.at.size == 0:
            continue
        contact = heard(history.contacts, ordered.at, as_of)
        found = counts(tracks[name], ordered, contact, notes, history.printer.place.zone)
        shown = np.array([point.value for point in ordered.points], dtype=np.float64)
        return Meter(
            name, tracks[name].unit, found, shown, float(max(contact.latest, found.at[-1])), history.printer.place.zone
        )
    return None
