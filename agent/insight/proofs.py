"""Whether a service worked: what the printer showed before it and what it shows since, as of any moment.

A supply that was exchanged shows more than before, a part whose gauge counts pages starts anew once its counter was
reset, alerts about it go, the printer answers. Each is a check; all of them seen make the service proven. What is still
not seen when the set time is over makes it unproven, and what is seen later still proves it. A calibration that the
exchange asks for is shown beside, and holds up nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial

from agent.insight.deeds import SAME, SET_BACK
from agent.insight.logbook import services_in
from agent.insight.series import SOME, in_order, levels, moment
from agent.insight.upkeep import COLOURS
from agent.model.alert_words import said_by
from agent.model.contact import StatusPoint
from agent.model.day_words import clock_words, day_words
from agent.model.fleet import ContactRun, PrinterHistory, SupplyTrack
from agent.model.insight import Note
from agent.model.proof import (
    ALERT_GONE,
    CALIBRATION,
    COUNTER_RESET,
    LEVEL_BACK,
    MISSING,
    NOT_APPLICABLE,
    PROVEN,
    PROVING,
    READ,
    SEEN,
    UNPROVEN,
    WAITING,
    Check,
    Proof,
    Service,
)
from agent.model.reading import RECEPTACLE
from agent.model.shelf import fits, names_supply
from agent.model.upkeep import NOT_RESET, Disagreement, Plan
from agent.model.wording import called, percent_words, supply_words
from agent.model.zones import zone_of

WITHIN = timedelta(hours=2)
LONGEST = timedelta(days=1)
"""A printer that does not answer is waited for so long (or twelve times the set time, if that is longer)."""
FALLS_BACK = timedelta(days=1)
"""What falls back to where it was within so long, or before the service itself, was no exchange."""
RISE, RISE_TO_FULL, NEARLY_FULL = 0.10, 0.05, 0.90
"""A level that rose by so much is another cartridge; by less where it is nearly full now (shaken ones gain little)."""
NEARLY_NEW = 0.80
"""Above this an exchange cannot be told by the level."""
ONE_VISIT = timedelta(hours=1)
"""Two entries about the same thing within so long are one deed, as on the shelf."""
BEFORE = timedelta(days=1)
"""Alerts that stood within so long before the service are looked for afterwards."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of one printer. ``rows``: prtMarkerSuppliesIndex -> supply key. ``plans``: all of the settings.

    ``disagreements``: those of its upkeep; their words say what a counter that was not reset should show. ``within``:
    the set time, in time during which the printer answers.
    """

    history: PrinterHistory
    statuses: Sequence[StatusPoint] = ()
    rows: Mapping[int, str] = field(default_factory=dict)
    plans: Sequence[Plan] = ()
    disagreements: Sequence[Disagreement] = ()
    within: timedelta = WITHIN


def proofs(evidence: Evidence, as_of: datetime) -> tuple[Proof, ...]:
    """The proofs of all services that hold as of a moment, in order of time."""
    told = [one for one in services_in(evidence.history.ledger, as_of) if one.printer_id == evidence.history.printer.id]
    return tuple(_prove(one, told, evidence, as_of) for one in told if one.holds)


def prove(service: Service, evidence: Evidence, as_of: datetime) -> Proof:
    """The proof of one service as of a moment, whether it holds or not."""
    told = services_in(evidence.history.ledger, as_of)
    return _prove(service, [one for one in told if one.printer_id == service.printer_id], evidence, as_of)


def _prove(service: Service, told: Sequence[Service], evidence: Evidence, as_of: datetime) -> Proof:
    until = set_time(evidence.history.contacts, service.at, evidence.within, as_of)
    case = _Case(service, [one for one in told if one.holds and one.id != service.id], evidence, as_of, until)
    checks = tuple(case.checks())
    counted = [one for one in checks if one.kind != CALIBRATION]
    if all(one.state in (SEEN, NOT_APPLICABLE) for one in counted):
        when = max((one.seen_at for one in counted if one.seen_at is not None), default=service.at)
        return Proof(service, checks, PROVEN, until, (), max(when, service.at))
    if as_of <= until:
        return Proof(service, checks, PROVING, until)
    missing = [one.words for one in counted if one.state == MISSING and one.kind == READ]
    missing = missing or [one.words for one in counted if one.state == MISSING]
    again = {one.id: _names(one) for one in case.others if one.at > service.at + ONE_VISIT}
    later = next((number for number, names in again.items() if _names(service) <= names), None)
    return Proof(service, checks, UNPROVEN, until, tuple(dict.fromkeys(missing)), superseded_by=later)


def set_time(contacts: Iterable[ContactRun], at: datetime, within: timedelta, as_of: datetime) -> datetime:
    """When the set time ends: ``within`` of time during which the printer answers, but not later than ``LONGEST``."""
    left = within
    last = at + max(LONGEST, 12 * within)
    for run in sorted((one for one in contacts if one.reachable), key=lambda one: one.first):
        begin, end = max(run.first, at), min(run.last, as_of)
        if end > begin:
            if end - begin >= left:
                return min(last, begin + left)
            left -= end - begin
    return min(last, max(as_of, at) + left)


@dataclass(slots=True)
class _Case:
    """One service, the others at the same printer, and what is known."""

    service: Service
    others: Sequence[Service]
    evidence: Evidence
    as_of: datetime
    until: datetime
    read: datetime | None = None

    @property
    def _zone(self) -> str:
        return self.evidence.history.printer.place.zone

    def _day(self, at: datetime) -> str:
        there = zone_of(self._zone)
        return day_words(at.astimezone(there), self.as_of.astimezone(there))

    def checks(self) -> Iterator[Check]:
        self.read = _first_answer(self.evidence.history.contacts, self.service, self.as_of)
        tracks = {track.key: track for track in self.evidence.history.supplies}
        renewed = tuple(tracks[key] for key in self._renewed() if key in tracks)
        for track in renewed:
            yield self._level(track)
        yield from self._alerts([track.key for track in renewed])
        yield from self._follow_ups([track.key for track in renewed])
        yield self._answered(nothing_to_see=not renewed)

    # --- which supplies ---------------------------------------------------------------------------------------

    def _plans(self) -> list[Plan]:
        model = self.evidence.history.printer.model
        return [plan for plan in self.evidence.plans if fits(model, plan.models)]

    def _renewed(self) -> list[str]:
        """The keys of the supplies that must show as new: named themselves, or renewed by a plan that was done."""
        keys = list(dict.fromkeys(track.key for track in self.evidence.history.supplies))
        plans = {plan.name: plan for plan in self._plans()}
        found: dict[str, None] = {}
        for deed in self.service.deeds:
            plan = plans.get(deed.subject)
            found |= dict.fromkeys(deed.renews)
            found |= dict.fromkeys(
                key
                for key in keys
                if key == deed.subject or (plan is not None and plan.renews and names_supply(key, plan.renews))
            )
        return [key for key in keys if key in found]

    def _span(self, subjects: Iterable[str]) -> tuple[datetime, datetime]:
        """From when to when what the printer shows of these is owed to this service, and not to one nearer in time."""
        wanted = set(subjects)
        begin, end = self.service.at - SAME, self.as_of
        for one in self.others:
            if abs(one.at - self.service.at) <= ONE_VISIT or not wanted & _names(one):
                continue
            middle = one.at + (self.service.at - one.at) / 2
            if one.at <= self.service.at:
                begin = max(begin, middle)
            else:
                end = min(end, middle)
        return begin, end

    # --- the checks -------------------------------------------------------------------------------------------

    def _open(self) -> str:
        return MISSING if self.as_of > self.until else WAITING

    def _level(self, track: SupplyTrack) -> Check:
        """Whether the supply, or the counter of the part, was set back."""
        key, name = track.key, called(track.kind, track.colorant, track.description, track.key)
        kind = COUNTER_RESET if key.startswith(SET_BACK) else LEVEL_BACK
        begin, end = self._span([key, *(deed.subject for deed in self.service.deeds if key in deed.renews)])
        found = _rise(_shares(track, end), begin, self.service.at)
        if found is None:
            return Check(kind, key, NOT_APPLICABLE, f"the printer gives no number for {name}; look at it by hand")
        if found.at is not None:
            words = f"{name} showed {_share(found.before)} and shows {_share(found.after)} since"
            return Check(kind, key, SEEN, _in_words(track, words), moment(found.at))
        if found.only_some:
            return Check(kind, key, NOT_APPLICABLE, f"the printer says only that some of {name} remains, now as before")
        if not found.known or found.after >= NEARLY_NEW:
            words = f"{name} showed {_share(found.before)} before: too much to see an exchange"
            if not found.known:
                words = f"what {name} showed before is not known: it was first read after the work; look at it by hand"
            return Check(kind, key, NOT_APPLICABLE, words)
        if self.read is None:
            return Check(kind, key, self._open(), f"{name} showed {_share(found.before)} before; not read since")
        words = f"{name} showed {_share(found.before)} before and still shows {_share(found.after)}"
        if kind == COUNTER_RESET:
            words += ": reset its counter at the printer, or see whether the part was really fitted"
        else:
            words += ": see whether it was really exchanged, and whether the printer has noticed"
        told = (one for one in self.evidence.disagreements if one.kind == NOT_RESET and one.supply == key)
        words = next((one.text for one in told if one.at >= self.service.at - SAME), words)
        return Check(kind, key, self._open(), _in_words(track, words))

    def _alerts(self, keys: Sequence[str]) -> Iterator[Check]:
        """What the printer complained of before, about these supplies or as the plans name it."""
        points = [one for one in self.evidence.statuses if one.at <= self.as_of]
        names = {deed.subject for deed in self.service.deeds}
        reports = {code for plan in self._plans() if plan.name in names for code in plan.reports}
        for key in keys:
            yield from self._alert(points, key, partial(self._about, key))
        for code in sorted(reports):
            yield from self._alert(points, code, partial(_says, code))

    def _about(self, key: str, point: StatusPoint) -> list[str]:
        rows = self.evidence.rows
        return [one.code for one in point.alerts if one.group == "markerSupplies" and rows.get(one.group_index) == key]

    def _alert(self, points: Sequence[StatusPoint], subject: str, codes: _Codes) -> Iterator[Check]:
        begin, end = self._span([subject])
        begin = max(begin, self.service.at - BEFORE)
        stood, gone = "", None
        for at, point in _in_force(points, begin, end):
            told = codes(point)
            if told and at <= self.service.at:
                stood, gone = told[0], None
            elif told and gone is not None and at - gone <= FALLS_BACK:
                gone = None
            elif not told and stood and gone is None:
                gone = at
        if not stood:
            return
        about = said_by(stood) + (f" ({supply_words(subject)})" if subject != stood else "")
        if gone is not None:
            yield Check(ALERT_GONE, stood, SEEN, f"it said before: {about}; that is gone", gone)
        elif self.read is None:
            yield Check(ALERT_GONE, stood, self._open(), f"it said before: {about}; not read since")
        else:
            yield Check(ALERT_GONE, stood, self._open(), f"the printer still says: {about}")

    def _follow_ups(self, keys: Sequence[str]) -> Iterator[Check]:
        """What the exchange asks for besides."""
        subjects = [deed.subject for deed in self.service.deeds]
        colour = any(track.colorant in COLOURS for track in self.evidence.history.supplies)
        for plan in self._plans():
            causes = [one for one in dict.fromkeys([*subjects, *keys]) if plan.after and names_supply(one, plan.after)]
            if not causes or plan.name in subjects or (plan.colour_only and not colour):
                continue
            done = [
                one
                for one in self.others
                if one.at >= self.service.at and any(deed.subject == plan.name for deed in one.deeds)
            ]
            what = plan.what or plan.name
            if done:
                words = f"{what}: done on {self._day(done[0].at)} by {done[0].who}"
                yield Check(CALIBRATION, plan.name, SEEN, words, done[0].at)
            else:
                yield Check(
                    CALIBRATION, plan.name, WAITING, f"still open after {', '.join(map(supply_words, causes))}: {what}"
                )

    def _answered(self, *, nothing_to_see: bool) -> Check:
        if self.read is None:
            words = (
                f"not read since {clock_words(self.service.at, self._zone, self.as_of)}: the printer has not answered"
            )
            return Check(READ, "", self._open(), words)
        words = "the printer answers"
        if nothing_to_see:
            words += "; nothing else of this work can be seen over the network"
        return Check(READ, "", SEEN, words, self.read)


_Codes = Callable[[StatusPoint], list[str]]


def _names(service: Service) -> set[str]:
    """All that it is about."""
    return {name for deed in service.deeds for name in (deed.subject, *deed.renews)}


def _says(code: str, point: StatusPoint) -> list[str]:
    return [code] if code in point.errors or any(one.code == code for one in point.alerts) else []


def _in_force(points: Sequence[StatusPoint], begin: datetime, end: datetime) -> Iterator[tuple[datetime, StatusPoint]]:
    """The points that held between two moments, the first from ``begin`` on at the earliest."""
    ordered = sorted(points, key=lambda one: one.at)
    first = max((number for number, one in enumerate(ordered) if one.at <= begin), default=0)
    for one in ordered[first:]:
        if one.at <= end:
            yield max(one.at, begin), one


def _first_answer(contacts: Iterable[ContactRun], service: Service, as_of: datetime) -> datetime | None:
    """When the printer first answered after the service, as well as can be told: a run of contact holds all between."""
    found = [
        max(one.first, service.at)
        for one in contacts
        if one.reachable and one.first <= as_of and min(one.last, as_of) > service.at
    ]
    live = [service.at] if service.counter_from == "live" and service.at <= as_of else []
    return min([*found, *live], default=None)


# --- levels that rose ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Risen:
    """``at``: POSIX seconds of the reading that first showed more; None where none did.

    ``known``: False where nothing was read before the work; ``before`` is then what was read first.
    """

    before: float
    after: float
    at: float | None = None
    only_some: bool = False
    known: bool = True


def _shares(track: SupplyTrack, end: datetime) -> list[tuple[float, float]]:
    """Moments and shares, SOME for "some remaining"; what is not known is left out."""
    notes: list[Note] = []
    found, _ = levels(track, in_order(track.points, end, track.key, notes), notes)
    pairs = zip(found.at.tolist(), found.share.tolist(), strict=True)
    return [(at, share) for at, share in pairs if not math.isnan(share)]


def _rise(shares: Sequence[tuple[float, float]], begin: datetime, at: datetime) -> _Risen | None:
    """The rise after ``begin``, or what was shown at ``at`` and is now; None where the printer gives no number."""
    start, done = begin.timestamp(), at.timestamp()
    first = max((number for number, (when, _) in enumerate(shares) if when <= start), default=0)
    shares = shares[first:]
    if not shares:
        return None
    if all(share == SOME for _, share in shares):
        return _Risen(SOME, SOME, only_some=True)
    low, risen = shares[0][1], None
    for when, share in shares[1:]:
        if risen is None:
            if _rose(low, share):
                risen = _Risen(low, share, when)
            elif share != SOME:
                low = share if low == SOME else min(low, share)
        elif (
            risen.at is not None
            and (when - risen.at <= FALLS_BACK.total_seconds() or when <= done)
            and share not in (SOME, risen.after)
            and share <= risen.before + RISE_TO_FULL / 2
        ):
            risen, low = None, share
    if risen is not None:
        return risen
    before = [share for when, share in shares if when <= done]
    return _Risen(before[-1] if before else shares[0][1], shares[-1][1], known=bool(before))


def _rose(low: float, share: float) -> bool:
    if SOME in (low, share):
        return low == 0.0 and share == SOME
    return share - low >= RISE or (share >= NEARLY_FULL and share - low >= RISE_TO_FULL)


def _share(share: float) -> str:
    return "some" if share == SOME else percent_words(share)


def _in_words(track: SupplyTrack, words: str) -> str:
    """A receptacle shows its space, by the standard."""
    return f"{words} (space left)" if track.supply_class == RECEPTACLE else words


def still_open(found: Iterable[Proof]) -> list[Proof]:
    """Those that are not proven, or whose follow-up is open."""
    return [one for one in found if one.state != PROVEN or any(each.state == WAITING for each in one.checks)]
