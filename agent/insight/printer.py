"""One printer's history, looked at as of a moment: use, lives, run-outs; and what it teaches the fleet.

    fleet = pool(summarise(history, Fleet(), as_of, terms) for history in histories)
    insight = look(history, fleet, as_of, terms)

Both are pure: the same history, fleet, moment and terms give the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

import numpy as np

from agent.insight import kin, lives
from agent.insight.days import Floats
from agent.insight.kin import Fleet, Kind, Summary, SupplySummary, UseMark
from agent.insight.logbook import holding
from agent.insight.rounding import rounding_says
from agent.insight.runout import HORIZON
from agent.insight.series import Counts, Heard, Ordered, counts, heard, in_order, levels, moment
from agent.insight.steps import Steps, find_step, settle
from agent.insight.story import tell
from agent.insight.usage import Ahead, Flow, Site, ahead, by_time, clock_counts, describe, flow
from agent.insight.wear import Believed, Wear, halves, left_at_end, measured, wear
from agent.model.day_words import dated_words
from agent.model.fleet import CounterTrack, CountPoint, LevelPoint, PrinterHistory, SupplyTrack
from agent.model.insight import DRY, EARLY, Insight, Life, Note
from agent.model.zones import known_zone

DECLARED_UNITS = frozenset({"impressions", "sheets"})
_COUNTERS = ("life", "total", "sheets", "life:2", "mono")
_COLOURED = frozenset({"cyan", "magenta", "yellow"})


@dataclass(frozen=True, slots=True)
class Terms:
    """What the settings say.

    ``threshold``: the share at which a supply counts as low, with exceptions by supply key or kind in ``thresholds``.
    ``holidays``: days on which the site does not work. ``declared``: declared yields by supply key or kind, for
    printers whose capacity is no number of pages.
    """

    threshold: float = 0.10
    thresholds: Mapping[str, float] = field(default_factory=dict)
    holidays: frozenset[date] = frozenset()
    declared: Mapping[str, float] = field(default_factory=dict)

    def threshold_of(self, key: str, kind: str) -> float:
        """The threshold for this supply."""
        return self.thresholds.get(key, self.thresholds.get(kind, self.threshold))


@dataclass(slots=True)
class Part:
    """One supply while it is being looked at."""

    track: SupplyTrack
    key: str
    kind: Kind
    seen: lives.Shown
    levels_at: Floats
    unknown_since: float | None
    steps: Steps
    use: Flow
    counts: Counts
    taken: Believed
    worn: list[Wear]
    stretches: list[lives.Stretch]
    declared: float | None
    coverage: float
    own: list[tuple[float, float]]
    marks: list[tuple[float, float] | None]


@dataclass(slots=True)
class Study:
    """One printer while it is being looked at."""

    history: PrinterHistory
    zone: str
    as_of: datetime
    terms: Terms
    fleet: Fleet
    contact: Heard
    off: frozenset[int]
    notes: list[Note]
    flows: dict[str, tuple[Flow, Counts]]
    parts: list[Part]
    roads: dict[str, Ahead] = field(default_factory=dict)

    def road(self, use: Flow, horizon: int) -> Ahead:
        """The days ahead by this use; the supplies that go by one counter share them."""
        whole = self.roads.get(use.name)
        if whole is None:
            whole = self.roads[use.name] = ahead(use, self.zone, self.contact.latest, HORIZON, self.off)
        return whole.until(horizon)


def look(history: PrinterHistory, fleet: Fleet, as_of: datetime, terms: Terms | None = None) -> Insight:
    """What the history says as of this moment. Points after ``as_of`` are not looked at.

    ``as_of`` must say its offset (ValueError otherwise).
    """
    study = _study(history, fleet, as_of, terms or Terms(), learn=False)
    told: list[Life] = []
    forecasts = []
    for part in study.parts:
        told.extend(_lives(study, part))
        forecasts.append(tell(study, part))
    uses = tuple(describe(use) for use, _ in study.flows.values())
    return Insight(history.printer.id, as_of, uses, tuple(told), tuple(forecasts), tuple(study.notes))


def summarise(history: PrinterHistory, fleet: Fleet, as_of: datetime, terms: Terms | None = None) -> Summary:
    """What this printer teaches the fleet as of this moment; ``kin.pool`` adds the summaries up."""
    study = _study(history, fleet, as_of, terms or Terms(), learn=True)
    main = next((use for use, _ in study.flows.values() if use.level > 0 and not use.by_time), None)
    return Summary(
        history.printer.id,
        history.printer.place.site,
        main.sums if main is not None else None,
        tuple(_teach(part) for part in study.parts if part.seen.at.size),
        _ended(study),
    )


def _ended(study: Study) -> tuple[int, int, float]:
    early = dry = 0
    left = 0.0
    for part in study.parts:
        for life in _lives(study, part):
            dry += life.ended == DRY
            if life.ended == EARLY:
                early += 1
                # Where no level is shown the usual is assumed; a supply taken out half full went to another printer.
                left += kin.EARLY_LEFT if life.left is None else min(life.left, 4 * kin.EARLY_LEFT)
    return early, dry, left


def _study(history: PrinterHistory, fleet: Fleet, as_of: datetime, terms: Terms, *, learn: bool) -> Study:
    if as_of.tzinfo is None:
        raise ValueError(f"as_of {as_of.isoformat()} does not say its offset from UTC")
    notes: list[Note] = []
    zone = history.printer.place.zone
    if known_zone(zone) is None:
        notes.append(Note("printer", f"the time zone {zone!r} is not known; days are reckoned in UTC"))
        zone = "UTC"
    counters = {
        track.name: (track, in_order(track.points, as_of, f"counter {track.name}", notes))
        for track in reversed(history.counters)
    }
    supplies = [in_order(track.points, as_of, track.key, notes) for track in history.supplies]
    changes = np.concatenate([np.zeros(0), *(one.at for _, one in counters.values()), *(one.at for one in supplies)])
    contact = heard(history.contacts, np.unique(changes), as_of)
    off = frozenset(day.toordinal() for day in terms.holidays)
    study = Study(history, zone, as_of, terms, fleet, contact, off, notes, {}, [])
    if contact.first.size == 0:
        return study
    _flows(study, counters, learn=learn)
    names: dict[str, int] = {}
    for track, ordered in zip(history.supplies, supplies, strict=True):
        names[track.key] = names.get(track.key, 0) + 1
        key = track.key if names[track.key] == 1 else f"{track.key} ({names[track.key]})"
        if names[track.key] == 2:
            notes.append(Note(track.key, "two supplies have this name; they are told apart by their order"))
        study.parts.append(_part(study, track, ordered, key))
    return study


def _flows(study: Study, tracks: Mapping[str, tuple[CounterTrack, Ordered[CountPoint]]], *, learn: bool) -> None:
    site = study.fleet.habits_of(study.history.printer.place.site)
    wanted = [name for name in _COUNTERS if name in tracks][:1] or list(tracks)[:1]
    if "colour" in tracks and any(track.colorant in _COLOURED for track in study.history.supplies):
        wanted.append("colour")
    for number, name in enumerate(dict.fromkeys(wanted)):
        track, ordered = tracks[name]
        count = counts(track, ordered, study.contact, study.notes, study.zone)
        use = flow(
            count,
            study.contact,
            Site(study.zone, study.off),
            site,
            name=name,
            unit=track.unit,
            learn=learn and number == 0,
        )
        study.flows[name] = (use, count)


def _choose(study: Study, track: SupplyTrack, at: Floats) -> tuple[Flow, Counts]:
    """The counter that this supply is measured by; elapsed workdays where no counter moves."""
    names = list(study.flows)
    if track.colorant in _COLOURED and "colour" in study.flows and study.flows["colour"][0].level > 0:
        return study.flows["colour"]
    if names:
        use, count = study.flows[names[0]]
        idle = count.at.size == 0 or (count.at.size < 2 and at.size > 3)
        if not idle:
            return use, count
    site = study.fleet.habits_of(study.history.printer.place.site)
    clock = by_time(site)
    moments = np.unique(np.concatenate([at, study.contact.first, [study.contact.latest]]))
    if not names or "clock" not in study.flows:
        study.flows.setdefault("clock", (clock, clock_counts(moments, study.zone, site.shape, study.off)))
    return clock, clock_counts(moments, study.zone, site.shape, study.off)


def _part(study: Study, track: SupplyTrack, ordered: Ordered[LevelPoint], key: str) -> Part:
    found, capacities = levels(track, ordered, study.notes)
    for index in capacities[:3].tolist():
        study.notes.append(
            Note(key, f"its capacity changed on {dated_words(moment(float(found.at[index])), study.zone)}")
        )
    use, count = _choose(study, track, found.at)
    seen = lives.shown(found, count)
    kind: Kind = (study.history.printer.model, track.kind, track.colorant or "")
    steps = lives.steps_of(seen, settle(find_step(seen.share), study.fleet.steps_of(kind)))
    believed, swaps = lives.find(seen, steps, study.contact) if seen.at.size else ([], [])
    ledger = holding(study.history.ledger, study.as_of)
    logged = lives.logged_swaps(ledger, key, study.as_of)
    swaps = lives.with_ledger(seen, believed, swaps, logged, key, study.notes, study.zone)
    stretches = lives.stretches(believed, swaps, study.contact.latest) if believed else []
    taken = Believed.of(seen, believed)
    worn = [wear(taken, one, count, steps) for one in stretches]
    unknown = float(found.at[-1]) if found.at.size and math.isnan(float(found.share[-1])) else None
    part = Part(
        track,
        key,
        kind,
        seen,
        found.at,
        unknown,
        steps,
        use,
        count,
        taken,
        worn,
        stretches,
        _declared(study, track, ordered),
        study.fleet.coverage,
        [],
        [],
    )
    part.marks = [_mark(part, one, stretch) for one, stretch in zip(worn, stretches, strict=True)]
    part.own = _believable(part, [mark for mark in part.marks[:-1] if mark is not None])
    return part


def _believable(part: Part, own: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The lives without those that are two: where only "some" is shown, nearly twice the usual is a missed swap."""
    if not part.seen.only_some or len(own) < 3:
        return own
    usual = float(np.median([one[0] for one in own]))
    return [one for one in own if one[0] > usual - 0.55]


def _declared(study: Study, track: SupplyTrack, ordered: Ordered[LevelPoint]) -> float | None:
    given = study.terms.declared.get(track.key, study.terms.declared.get(track.kind))
    if given is not None:
        return given
    if track.unit in DECLARED_UNITS and ordered.points:
        last = ordered.points[-1].capacity
        if isinstance(last, int) and last > 100:
            return float(last)
    return None


def _mark(part: Part, one: Wear, stretch: lives.Stretch) -> tuple[float, float] | None:
    """The logarithm of the use a page that a life has shown, and its variance, where that says something."""
    found = measured(one, part.steps, part.steps.rounding, part.use.level, part.coverage)
    if found is not None:
        fall = 1.0 - one.lowest if one.full else one.shown_first - one.lowest
        extra = part.steps.rounding_var * part.steps.size**2 / max(fall, 0.05) ** 2
        variance = found[1] + extra
        return (found[0], variance) if fall >= 0.12 and variance <= 0.1 else None
    if part.seen.only_some and one.full and stretch.followed and one.pages > 0:
        return math.log((1 - kin.SOME_LEFT) / one.pages), 0.05**2
    return None


def _teach(part: Part) -> SupplySummary:
    marks = list(part.own)
    if part.marks and part.marks[-1] is not None:
        marks.append(part.marks[-1])
    uneven = [half for one in part.worn[:-1] if (half := halves(one, part.steps, part.use.level)) is not None]
    mark = None
    if marks:
        values = np.array([one[0] for one in marks])
        mean = float(values.mean())
        blur = sum(one[1] for one in marks) * (len(marks) - 1) / len(marks)
        mark = UseMark(len(marks), mean, float(((values - mean) ** 2).sum()), blur)
    ends: list[float] = []
    cuts: list[float] = []
    if part.seen.only_some and not part.use.by_time:
        ends = [-one[0] for one in marks]
        cuts = [
            math.log(one.pages)
            for one, stretch, mark in zip(part.worn, part.stretches, part.marks, strict=True)
            if one.pages > 0 and (not one.full or not stretch.followed) and mark is None
        ]
    told = [
        rounding_says(part.taken, stretch, one, part.steps, part.use.level, part.coverage)
        for one, stretch in zip(part.worn, part.stretches, strict=True)
    ]
    says = np.sum(told, axis=0) if told else np.zeros(3)
    return SupplySummary(
        part.kind,
        mark if not part.use.by_time else None,
        tuple(ends),
        tuple(cuts),
        (0.0, 0) if part.seen.only_some else find_step(part.seen.share),
        (float(says[0]), float(says[1]), float(says[2])),
        part.declared,
        (sum(one[0] for one in uneven), sum(one[1] for one in uneven)),
    )


def _lives(study: Study, part: Part) -> list[Life]:
    made = []
    lived = zip(part.worn, part.stretches, part.marks, strict=True)
    for number, (one, stretch, mark) in enumerate(lived, start=1):
        rate = mark[0] if mark is not None else None
        share, doubt = left_at_end(one, part.steps, rate)
        ended, end_sure = _ending(part, one, stretch, share, doubt)
        some = part.seen.only_some
        life = Life(
            supply=part.key,
            kind=part.track.kind,
            number=number,
            fitted=moment(stretch.swap.at) if stretch.swap is not None else None,
            removed=moment(stretch.until) if stretch.followed else None,
            impressions=None if part.use.by_time else round(one.pages),
            start_level=None if some else one.shown_first,
            end_level=None if some else one.shown_last,
            left=None if some else share,
            ended=ended,
            sure=stretch.swap.sure if stretch.swap is not None else 1.0,
            end_sure=end_sure,
            used_before=stretch.swap is not None and stretch.swap.used_before,
            zone=study.zone,
        )
        made.append(life)
    return made


def _ending(part: Part, one: Wear, stretch: lives.Stretch, share: float, doubt: float) -> tuple[str, float]:
    return lives.ending(
        followed=stretch.followed,
        only_some=part.seen.only_some,
        shown_last=one.shown_last,
        share=share,
        doubt=doubt,
        size=part.steps.size,
    )


__all__ = ["Fleet", "Part", "Study", "Summary", "Terms", "look", "summarise"]
