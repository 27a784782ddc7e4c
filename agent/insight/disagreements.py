"""Where the printer and the ledger do not agree about a part.

* A service was logged, and still the printer shows the old part: its counter was not reset, or the part not fitted.
* The printer shows a new part, and nobody logged a service: the entry is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

import numpy as np

from agent.insight import reach
from agent.insight.deeds import SAME
from agent.insight.scene import Scene, together
from agent.insight.series import SOME, in_order, levels
from agent.model.day_words import day_words
from agent.model.fleet import SupplyTrack
from agent.model.insight import Note
from agent.model.upkeep import NOT_LOGGED, NOT_RESET, Disagreement, Plan
from agent.model.wording import percent_words, supply_words

SWEEPS = 5
"""After so many sweeps the printer must show a new part, where no plan says otherwise."""
_NEARLY_NEW = 0.8
_MARGIN = 0.15
_BIT = "overduePreventMaint"
_BIT_DAYS = 30


def find(scene: Scene, plans: Sequence[Plan]) -> list[Disagreement]:
    """All of them, in order of the supplies."""
    return [*_not_reset(scene, plans), *_still_asking(scene, plans), *_not_logged(scene, plans)]


def _not_reset(scene: Scene, plans: Sequence[Plan]) -> Iterator[Disagreement]:
    logged: dict[str, tuple[datetime, str, int, int | None]] = {}
    for swap in scene.swaps:
        if swap.logged:
            logged[swap.supply] = (swap.at, "", SWEEPS, None)
    for plan in plans:
        service = scene.last_service(plan)
        for key in scene.supplies(plan) if service is not None else ():
            if service is not None and (key not in logged or logged[key][0] <= service.at + SAME):
                logged[key] = (service.at, plan.name, plan.reset_sweeps, plan.impressions)
    tracks = {track.key: track for track in scene.ground.history.supplies}
    for key, (at, name, sweeps, interval) in logged.items():
        track = tracks.get(key)
        if track is None or not _read_since(scene, at, sweeps) or _renewed(scene, key, at):
            continue
        shows, before = _shares(track, scene.as_of, at)
        if shows is None or (before is not None and before >= _NEARLY_NEW):
            continue
        should = _should(scene, track, at, interval)
        if shows >= should - _MARGIN:
            continue
        day, words = day_words(reach.day_in(scene.zone, at), scene.today), supply_words(key)
        yield Disagreement(
            NOT_RESET,
            scene.printer_id,
            name,
            key,
            at,
            shows,
            should,
            scene.meter.now if scene.meter else None,
            f"{name or words} was logged on {day}, but the printer still shows {words} at {percent_words(shows)}, and "
            f"should show about {percent_words(should)}: reset its counter at the printer, or see whether the part was "
            "really fitted",
        )


def _read_since(scene: Scene, at: datetime, sweeps: int) -> bool:
    """Whether the printer has answered for so many sweeps since."""
    wanted = at + sweeps * max(scene.ground.sweep, timedelta(seconds=1))
    return any(
        run.reachable and min(run.last, scene.as_of) >= wanted and run.first <= scene.as_of
        for run in scene.ground.history.contacts
    )


def _renewed(scene: Scene, key: str, at: datetime) -> bool:
    """Whether the supply was seen to be new at that time or later."""
    return any(one.seen and one.supply == key and one.at >= at - SAME for one in scene.swaps) and not _only_logged(
        scene, key, at
    )


def _only_logged(scene: Scene, key: str, at: datetime) -> bool:
    """A life of a supply without numbers begins where somebody logged it: that is no proof."""
    lives = [one for one in scene.ground.insight.lives if one.supply == key and one.fitted is not None]
    near = [one for one in lives if one.fitted is not None and one.fitted >= at - SAME]
    return bool(near) and all(one.start_level is None for one in near)


def _shares(track: SupplyTrack, as_of: datetime, at: datetime) -> tuple[float | None, float | None]:
    """The share shown now, and the one shown just before a moment. "Some remaining" is no share; empty is 0."""
    notes: list[Note] = []
    ordered = in_order(track.points, as_of, track.key, notes)
    found, _ = levels(track, ordered, notes)
    known = ~np.isnan(found.share) & (found.share != SOME)
    if found.at.size == 0 or not known[-1]:
        return None, None
    earlier = np.flatnonzero(known & (found.at <= at.timestamp()))
    return float(found.share[-1]), float(found.share[earlier[-1]]) if earlier.size else None


def _should(scene: Scene, track: SupplyTrack, at: datetime, interval: int | None) -> float:
    """About what a part fitted then would show now."""
    lasts: float | None = interval
    last = track.points[-1].capacity
    if lasts is None and track.unit in ("impressions", "sheets") and isinstance(last, int) and last > 0:
        lasts = last
    if lasts is None or scene.meter is None:
        return 1.0
    gone, _ = scene.meter.since(at, None)
    return max(0.0, 1.0 - (gone or 0.0) / lasts)


def _still_asking(scene: Scene, plans: Sequence[Plan]) -> Iterator[Disagreement]:
    """The printer asks for maintenance as before, although it was logged not long ago."""
    status = scene.ground.status
    if status is None or _BIT not in status.errors:
        return
    for plan in plans:
        service = scene.last_service(plan) if _BIT in plan.reports else None
        if service is None or not _read_since(scene, service.at, plan.reset_sweeps):
            continue
        gone = scene.meter.since(service.at, service.count)[0] if scene.meter is not None else None
        fresh = scene.as_of - service.at <= timedelta(days=_BIT_DAYS)
        if plan.impressions is not None and gone is not None:
            fresh = gone < plan.impressions / 2
        if fresh:
            day = day_words(reach.day_in(scene.zone, service.at), scene.today)
            yield Disagreement(
                NOT_RESET,
                scene.printer_id,
                plan.name,
                _BIT,
                service.at,
                None,
                None,
                scene.meter.now if scene.meter else None,
                f"{plan.name} was logged on {day}, but the printer still asks for maintenance: reset its "
                f"maintenance counter",
            )


def _not_logged(scene: Scene, plans: Sequence[Plan]) -> Iterator[Disagreement]:
    for plan in plans:
        keys = scene.supplies(plan)
        seen = together(keys, [one for one in scene.swaps if one.seen])
        if seen is None:
            continue
        service = scene.last_service(plan)
        if service is not None and service.at >= seen.at - SAME:
            continue
        count = scene.meter.shown_at(seen.at) if scene.meter is not None else None
        at = f" at {count:,}" if count is not None else ""
        name = scene.ground.history.printer.name
        yield Disagreement(
            NOT_LOGGED,
            scene.printer_id,
            plan.name,
            keys[-1] if len(keys) == 1 else ", ".join(keys),
            seen.at,
            None,
            None,
            count,
            f"the printer shows {', '.join(map(supply_words, keys))} as new since "
            f"{day_words(reach.day_in(scene.zone, seen.at), scene.today)}{at}, but nobody logged {plan.name}; if it "
            f"was done: lowmark upkeep accept {_quoted(name)} {_quoted(plan.name)}",
        )


def _quoted(word: str) -> str:
    return word if word and all(c.isalnum() or c in "-_.:" for c in word) else '"' + word.replace('"', "'") + '"'
