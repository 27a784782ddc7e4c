"""A swap told while it is fresh: within the sweep that first shows it, or the next when the first is in doubt.

    finding = swap_seen(track, as_of=now, contacts=contacts, counters=counters, already=last_told)

The track may be the tail of a history (some thirty points are plenty). Call it when the level of the supply has just
changed, and at the sweep after that. ``lives`` tells the whole history with hindsight; the two agree but for rises that
fell back later.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from types import MappingProxyType

import numpy as np

from agent.insight import lives
from agent.insight.series import DAY, counts, heard, in_order, levels, moment
from agent.insight.steps import Steps, find_step, settle
from agent.model.fleet import ContactRun, CounterTrack, Finding, Scalar, SupplyTrack
from agent.model.insight import Note
from agent.model.wording import percent_words

TAIL = 60
"""No more of the last points are looked at than this."""
SURE_ENOUGH = 0.8
"""A swap that is less sure waits for the next reading."""
FRESH = 3 * DAY
"""A swap that was not told by then is left to ``lives``; it is no news any more."""


def swap_seen(
    track: SupplyTrack,
    *,
    as_of: datetime,
    contacts: Sequence[ContactRun] = (),
    counters: Sequence[CounterTrack] = (),
    already: datetime | None = None,
    steps: Steps | None = None,
) -> Finding | None:
    """The latest swap of this supply, if it is sure enough and younger than ``already`` (the last one told).

    ``contacts`` and ``counters`` as in PrinterHistory (the present runs and the recent points are enough; without them
    the answer is only less sure). ``steps``: what is known of the kind's steps. The finding's kind is ``swapSeen``, its
    moment the reading that first showed the new one, its subject the supply's key.
    """
    notes: list[Note] = []
    ordered = in_order(track.points[-TAIL:], as_of, track.key, notes)
    if len(ordered.points) < 2 or (already is not None and ordered.points[-1].at <= already):
        return None
    contact = heard(contacts, ordered.at, as_of)
    counter = next((one for one in counters if one.name in ("life", "total")), None)
    count = None
    if counter is not None:
        recent = in_order(counter.points[-8 * TAIL :], as_of, counter.name, notes)
        count = counts(counter, recent, contact, notes)
    found, _ = levels(track, ordered, notes)
    seen = lives.shown(found, count)
    if seen.at.size < 2:
        return None
    size = lives.steps_of(seen, settle(find_step(seen.share), steps))
    believed, swaps = lives.find(seen, size, contact)
    since = max(already.timestamp() if already is not None else 0.0, contact.latest - FRESH)
    fresh = [swap for swap in swaps if swap.sure >= SURE_ENOUGH and swap.at > since]
    if not fresh:
        return None
    swap = fresh[-1]
    before, now = float(seen.share[believed[swap.index - 1]]), float(seen.share[believed[swap.index]])
    return _finding(track, swap, before, now, some=bool(np.any(seen.some)))


def _finding(track: SupplyTrack, swap: lives.Swap, before: float, now: float, *, some: bool) -> Finding:
    if some:
        text = f"{track.description or track.key} was exchanged: it was empty and shows some again."
        data: dict[str, Scalar] = {"sure": swap.sure}
    else:
        what = "by one that was used before" if swap.used_before else "by a new one"
        if track.supply_class == "receptacleThatIsFilled":
            what = "or emptied"
        shown = f"it showed {percent_words(before)} and now {percent_words(now)}"
        text = f"{track.description or track.key} was exchanged {what}: {shown}."
        data = {"before": round(before, 4), "after": round(now, 4), "sure": swap.sure, "usedBefore": swap.used_before}
    return Finding("swapSeen", moment(swap.at), track.key, text, MappingProxyType(data))
