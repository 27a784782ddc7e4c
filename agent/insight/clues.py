"""What Lowmark knows of one printer that speaks for or against a part: lives, exchanges, upkeep, alerts, jams, display.

Every clue has a factor and the words for it. The factors are common practice, no source: they say how much more often a
part is to blame when this is known of it, and are meant for putting parts in order, not as odds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from agent.insight import reach
from agent.insight.deeds import swaps
from agent.insight.process import Process
from agent.model import wording
from agent.model.alert_words import about, meaning
from agent.model.contact import StatusPoint
from agent.model.day_words import day_words
from agent.model.fleet import LevelPoint, PrinterHistory, SupplyTrack
from agent.model.insight import Insight
from agent.model.reading import RECEPTACLE, Alert, Mark
from agent.model.symptom import ROLLERS, Clue
from agent.model.upkeep import DUE, NOT_RESET, OVERDUE, Plan, PrinterUpkeep, UpkeepItem
from agent.model.wording import clean, percent_words

LOOK_BACK = timedelta(days=90)
"""Alerts and jams are counted so far back."""
LATELY = timedelta(days=30)
BURN_IN, STILL_NEW = timedelta(days=3), timedelta(days=14)
"""A part that is faulty from the start, or was not fitted well, shows it within days of the exchange."""
SPENT = ((0.0, 4.0), (0.05, 3.0), (0.15, 2.0))
"""The share that is left at most, and how much more suspect that makes it."""
PLENTY, SOUND = 0.5, 0.7
"""With more than this share left it is less suspect, by this factor."""
OVER, NEARLY_OVER = 4.0, 2.0
"""What the printer's own alerts about a life count."""

_LIFE = re.compile(r"(Empty|LifeOver|LifeAlmostOver|Full|NearLimit|AtLimit)$")
_NEARLY = re.compile(r"Almost|NearLimit")
_CALIBRATES = re.compile(r"calibrat|adjust|align|regist", re.IGNORECASE)
_HEAVY = re.compile(r"heavy|card|thick|label|envelope|transparen|gloss|coated|film", re.IGNORECASE)
_MOST_EVENTS = 2000
_SILENT_PARTS = frozenset({"paper", "calibration", "console"})
"""That paper is out or a calibration runs says nothing about a fault."""


@dataclass(frozen=True, slots=True)
class Case:
    """One printer as of a moment. Nothing in it is later but the layout (``rows``, ``trays``, ``mark_techs``).

    ``statuses``: what it said of its state, in order of time, the last one in force; ``LOOK_BACK`` of them is enough.
    ``rows``: prtMarkerSuppliesIndex -> supply key, ``trays``: prtInputIndex -> name, ``media``: what lies in them.
    ``mark_techs``: PrtMarkerMarkTechTC labels. ``plans``: all upkeep plans of the settings.
    """

    history: PrinterHistory
    as_of: datetime
    insight: Insight | None = None
    upkeep: PrinterUpkeep | None = None
    statuses: Sequence[StatusPoint] = ()
    rows: Mapping[int, str] = field(default_factory=dict)
    trays: Mapping[int, str] = field(default_factory=dict)
    media: Mapping[int, str] = field(default_factory=dict)
    mark_techs: tuple[str, ...] = ()
    plans: Sequence[Plan] = ()

    @property
    def today(self) -> date:
        """The site's own day."""
        return reach.day_in(self.history.printer.place.zone, self.as_of)

    @property
    def tracks(self) -> tuple[SupplyTrack, ...]:
        """The supplies that are there now: each position once, those that went with an earlier layout left out."""
        keys = set(self.rows.values())
        found = {one.key: one for one in self.history.supplies if one.points and (not keys or one.key in keys)}
        return tuple(found.values())

    def ago(self, at: datetime) -> str:
        """``yesterday (Sun 1 Mar)``."""
        day = reach.day_in(self.history.printer.place.zone, at)
        days = (self.today - day).days
        words = {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
        return f"{words} ({day_words(day, self.today)})"


def called(track: SupplyTrack) -> str:
    """What a technician calls this supply: ``cyan drum``; its own words where its kind is not known."""
    return wording.called(track.kind, track.colorant, track.description, track.key)


def share(point: LevelPoint, unit: str) -> float | None:
    """The share still good, as ``Supply.fraction`` has it."""
    if isinstance(point.level, Mark):
        return None
    if isinstance(point.capacity, Mark):
        return point.level / 100 if unit == "percent" and point.level <= 100 else None
    return min(1.0, point.level / point.capacity) if point.capacity > 0 else None


def clues(process: Process, case: Case) -> tuple[Clue, ...]:
    """All of them; several may speak of one part."""
    found = [
        *_spent(process, case),
        *_new(process, case),
        *_upkeep(process, case),
        *_alerts(process, case),
        *_jams(process, case),
        *_bits(process, case),
        *_display(process, case),
        *_media(case),
    ]
    return tuple(found)


# --- lives and exchanges --------------------------------------------------------------------------------------------


def _spent(process: Process, case: Case) -> Iterator[Clue]:
    stubborn = {one.supply for one in case.upkeep.disagreements if one.kind == NOT_RESET} if case.upkeep else set()
    forecasts = {one.supply: one for one in case.insight.forecasts} if case.insight else {}
    for track in case.tracks:
        name = process.of_supply.get(track.kind, "")
        if not name or track.key in stubborn:
            continue  # A counter that nobody set back says nothing of the part that is in now.
        left = share(track.points[-1], track.unit)
        forecast = forecasts.get(track.key)
        if left is None:
            dates = forecast.empty_dates if forecast is not None else None
            if dates is not None and (dates.p50 - case.today).days <= 7:
                what = "full" if track.supply_class == RECEPTACLE else "used up"
                by = day_words(dates.p50, case.today)
                yield Clue("spent", name, track.key, 2.0, f"{called(track)}: probably {what} by {by}")
            continue
        factor = next((by for most, by in SPENT if left <= most), SOUND if left > PLENTY else 1.0)
        if factor != 1.0:
            yield Clue("spent", name, track.key, factor, f"{called(track)}: {_left(track, left)}")


def _left(track: SupplyTrack, left: float) -> str:
    if track.supply_class == RECEPTACLE:
        return "full" if left <= 0 else f"{percent_words(left)} of its space is left"
    return "nothing is left" if left <= 0 else f"{percent_words(left)} is left"


def _new(process: Process, case: Case) -> Iterator[Clue]:
    number = case.history.printer.id
    lives = [(number, life) for life in case.insight.lives] if case.insight else []
    tracks = {track.key: track for track in case.tracks}
    used = {life.supply: life.fitted for _, life in lives if life.used_before and life.removed is None}
    entries = [one for one in case.history.ledger if one.printer_id in (None, number)]
    latest = {one.supply: one.at for one in swaps(entries, case.as_of, lives, plans=[plan.name for plan in case.plans])}
    for key, at in latest.items():
        track = tracks.get(key)
        name = process.of_supply.get(track.kind, "") if track is not None else ""
        if track is None or not name or case.as_of - at > STILL_NEW:
            continue
        fresh = case.as_of - at <= BURN_IN
        again = key in used and used[key] is not None
        why = "faulty, not home, with its seal on, or the wrong one"
        before = "by one that had been used before " if again else ""
        text = f"{called(track)} was exchanged {before}{case.ago(at)}: a new part may be {why}"
        yield Clue("new", name, key, 3.0 if fresh else 1.8, text)


# --- upkeep ---------------------------------------------------------------------------------------------------------


def _upkeep(process: Process, case: Case) -> Iterator[Clue]:
    if case.upkeep is None:
        return
    plans = {plan.name: plan for plan in case.plans}
    kinds = {track.key: track.kind for track in case.tracks}
    for item in case.upkeep.items:
        if item.state not in (OVERDUE, DUE):
            continue
        plan = plans.get(item.plan)
        if _CALIBRATES.search(f"{item.plan} {item.what}"):
            yield Clue("uncalibrated", "calibration", "", 4.0, _uncalibrated(item))
            continue
        text = f"{clean(item.what)}: {item.state}" + (f" ({clean(item.because[0])})" if item.because else "")
        factor = 2.5 if item.state == OVERDUE else 2.0
        named = [(process.of_supply.get(kinds.get(key, ""), ""), key) for key in item.supplies]
        named += [(ROLLERS[one.name], "") for one in plan.rollers if one.name in ROLLERS] if plan is not None else []
        for name, key in dict.fromkeys(one for one in named if one[0]):
            yield Clue("upkeep", name, key, factor, text)
        if not named:
            for piece in process.parts.values():
                if piece.wears and not any(kind in piece.supplies for kind in kinds.values()):
                    yield Clue("upkeep", piece.name, "", 1.5, text)


def _uncalibrated(item: UpkeepItem) -> str:
    why = next((one for one in item.because if one.startswith("due after")), item.because[0] if item.because else "")
    return f"not calibrated since it fell due: {clean(why)}" if why else "its calibration is due"


# --- what it says ---------------------------------------------------------------------------------------------------


def events(statuses: Iterable[StatusPoint]) -> list[tuple[datetime, Alert]]:
    """Every alert once, at the moment when it was first seen; the latest ``_MOST_EVENTS``."""
    made: list[tuple[datetime, Alert]] = []
    before: frozenset[tuple[int, str, str, int]] = frozenset()
    for point in statuses:
        rows = {(one.index, one.code, one.group, one.group_index): one for one in point.alerts}
        made += [(point.at, one) for key, one in rows.items() if key not in before]
        before = frozenset(rows)
    return made[-_MOST_EVENTS:]


def _placed(process: Process, case: Case, alert: Alert) -> tuple[str, str, str]:
    """The part, the unit, and what the unit is called."""
    kinds = {track.key: track for track in case.tracks}
    key = case.rows.get(alert.group_index, "") if alert.group == "markerSupplies" else ""
    track = kinds.get(key)
    name = process.part_of(alert.code, alert.code_number, alert.group, track.kind if track is not None else "")
    if track is not None:
        return name, key, called(track)
    if alert.group == "input" and alert.group_index > 0 and name == "feeder":
        tray = clean(case.trays.get(alert.group_index, ""), 40) or f"tray {alert.group_index}"
        return name, f"tray:{alert.group_index}", tray
    return name, "", ""


def _alerts(process: Process, case: Case) -> Iterator[Clue]:
    standing = case.statuses[-1].alerts if case.statuses else ()
    keys = {(one.index, one.code, one.group, one.group_index) for one in standing}
    since = case.as_of - LATELY
    past: Counter[tuple[str, str, str]] = Counter()
    for one in standing:
        name, unit, it = _placed(process, case, one)
        told = meaning(one, it)
        if not name or name in _SILENT_PARTS or not told.first:
            continue
        text = f"it says now: {_plain(told.means)}"
        if _LIFE.search(one.code):
            yield Clue("spent", name, unit, NEARLY_OVER if _NEARLY.search(one.code) else OVER, text)
        else:
            yield Clue("alert", name, unit, 5.0 if one.severity == "critical" else 3.0, text)
    for at, one in events(case.statuses):
        ended = (one.index, one.code, one.group, one.group_index) not in keys
        if ended and at > since and one.code != "jam" and not _LIFE.search(one.code):
            name, unit, it = _placed(process, case, one)
            told = meaning(one, it)
            if name and name not in _SILENT_PARTS and told.first:
                past[name, unit, told.means] += 1
    for (name, unit, means), count in past.items():
        often = "once" if count == 1 else f"{count} times"
        text = f"it said {often} in the last {LATELY.days} days: {_plain(means)}"
        yield Clue("alert", name, unit, 2.5 if count >= 3 else 1.5, text)


def _plain(means: str) -> str:
    return clean(means).rstrip(".")


def _jams(process: Process, case: Case) -> Iterator[Clue]:
    """Where it jammed: each alert of a jam by the part, and the tray, that it is about."""
    since = case.as_of - LOOK_BACK
    found: Counter[tuple[str, str, str]] = Counter()
    for at, one in events(case.statuses):
        if at > since and (one.code == "jam" or one.code.endswith("Jam")):
            name, unit, it = _placed(process, case, one)
            if name:
                found[name, unit, it or about(one)] += 1
    total = sum(found.values())
    for (name, unit, it), count in found.items():
        often = f"{count} of {total} jams" if total > 1 else "a jam"
        factor = 4.0 if count >= 3 and count * 2 >= total else 2.0 if count >= 2 else 1.5
        was = "were" if count > 1 else "was"
        text = f"{often} in the last {LOOK_BACK.days} days {was} there: {clean(it)}"
        yield Clue("jams", name, unit, factor, text)


def _bits(process: Process, case: Case) -> Iterator[Clue]:
    """Error bits, for printers whose alert table and levels say less than they do."""
    if not case.statuses:
        return
    measured = {
        process.of_supply.get(track.kind, "")
        for track in case.tracks
        if share(track.points[-1], track.unit) is not None
    }
    words = {
        "lowToner": ("spent", 2.0, "toner is low"),
        "noToner": ("spent", 4.0, "toner is out"),
        "markerSupplyMissing": ("alert", 3.0, "a supply is missing"),
        "inputTrayMissing": ("alert", 3.0, "a paper tray is missing"),
        "outputFull": ("alert", 3.0, "an output bin is full"),
        "doorOpen": ("alert", 3.0, "a door is open"),
        "jammed": ("alert", 3.0, "paper is jammed"),
    }
    for bit in sorted(case.statuses[-1].errors & words.keys()):
        kind, factor, text = words[bit]
        name = process.of_bit.get(bit, "")
        if name and not (kind == "spent" and name in measured):
            yield Clue(kind, name, "", factor, f"it says now: {text}")


def _display(process: Process, case: Case) -> Iterator[Clue]:
    """Words on the display. They are in the printer's language: only English ones are known."""
    lines = case.statuses[-1].console[:16] if case.statuses else ()
    for piece in process.parts.values():
        for line in lines:
            low = clean(line, 120).casefold()
            if piece.name not in _SILENT_PARTS - {"calibration"} and any(word in low for word in piece.said):
                own = [one for one in case.tracks if one.kind in piece.supplies and one.colorant]
                units = [one.key for one in own if one.colorant and one.colorant.casefold() in low]
                for unit in units or [""]:
                    yield Clue("display", piece.name, unit, 1.5, f'its display says "{clean(line, 60)}"')
                break


def _media(case: Case) -> Iterator[Clue]:
    for index, media in case.media.items():
        if found := _HEAVY.search(clean(media, 120)):
            tray = clean(case.trays.get(index, ""), 40) or f"tray {index}"
            text = f"{tray} is set to {clean(media, 60)} ({found.group().lower()})"
            for name in ("paper", "paperSetting"):
                yield Clue("media", name, "", 1.5, text)
