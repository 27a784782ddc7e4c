"""What calls somebody to a printer besides run-outs and plans: standing alarms, and services that are not proven."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from agent.insight.handwork import LOOK_MINUTES, SILENT_MINUTES
from agent.insight.jobs import Job, Morning, Spot, bare_supply, key_of, slug
from agent.model.alarm import AlarmRecord, AlarmState, rank
from agent.model.alert_words import meaning
from agent.model.day_words import moment_words
from agent.model.insight import PROBABILITIES
from agent.model.proof import MISSING, PROVING, UNPROVEN, Proof
from agent.model.reading import Alert
from agent.model.round import ALARM, DUE, OVERDUE, STANDS, Reason
from agent.model.round import UNPROVEN as NOT_PROVEN
from agent.model.wording import clean
from agent.model.zones import zone_of

# The kinds of alarm, as the rules call them.
SUPPLY_KINDS = frozenset({"supplyBelow", "supplyEmpty", "receptacleNearlyFull", "runOut"})
EMPTY_KIND = "supplyEmpty"
SILENT_KIND = "unreachable"
ALERT_KIND = "printerAlert"
SITE_KIND = "siteSilent"
_LOOKED_AT_ELSEWHERE = (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
"""Another alarm stands for it, or the printer is out of service."""
_NO_MORE = ("AlmostEmpty", "AlmostFull", "AlmostOver", "NearLimit", "lowToner")
"""What is said early: a reason, but no hurry."""


def stood(record: AlarmRecord, at: datetime) -> bool:
    """Whether the alarm's condition held at a moment, as far as its present record tells."""
    if record.raised_at is None or record.raised_at > at:
        return False
    return record.active or (record.returned_at is not None and record.returned_at > at)


def called(alarms: Iterable[AlarmRecord], at: datetime) -> dict[int, list[AlarmRecord]]:
    """The alarms to go to, by printer, the gravest first."""
    made: dict[int, list[AlarmRecord]] = {}
    for one in alarms:
        if one.printer_id is not None and stood(one, at) and one.state not in _LOOKED_AT_ELSEWHERE:
            made.setdefault(one.printer_id, []).append(one)
    for found in made.values():
        found.sort(key=lambda one: (-rank(one.severity), one.raised_at or one.since, one.key))
    return made


def remarks(alarms: Iterable[AlarmRecord], at: datetime) -> Iterator[str]:
    """What concerns no single printer: sites that are silent."""
    for one in alarms:
        if one.printer_id is None and one.facts.get("when") == SITE_KIND and stood(one, at):
            yield clean(f"{one.text}: see to power and network there before walking from printer to printer", 300)


def take_alarms(jobs: dict[str, Job], spot: Spot, alarms: Iterable[AlarmRecord], morning: Morning) -> None:
    """Add the alarms to the jobs that they are about, or make jobs of them."""
    for alarm in alarms:
        when = alarm.facts.get("when")
        if when in SUPPLY_KINDS:
            job = _of_supply(jobs, spot, alarm.subject, morning)
            urgency = _supply_urgency(alarm, job)
        elif when in (ALERT_KIND, SILENT_KIND):
            found = _row(spot, alarm) or _by_bit(jobs, alarm)
            job = _of_supply(jobs, spot, found, morning) if found else _own(jobs, spot, alarm)
            urgency = _alert_urgency(alarm, about_supply=bool(found))
        else:
            continue  # counters that are odd and the like are for whoever looks after Lowmark, not for a walk
        job.reasons.append(_reason(alarm, spot))
        if code := alarm.facts.get("alert_code"):
            job.codes.append(str(code))
        if alarm.state is AlarmState.SHELVED:
            if not job.urgency:
                job.shelved = True
                job.hold = (
                    f"its alarm is shelved{_until(alarm, spot)}: {clean(alarm.shelved_reason, 120) or 'no reason'}"
                )
            continue
        if urgency:
            job.press(urgency)
            job.law = (0.0,) * len(PROBABILITIES) if job.urgency == STANDS else job.law


def _of_supply(jobs: dict[str, Job], spot: Spot, supply: str, morning: Morning) -> Job:
    for job in jobs.values():
        if job.supply == supply or (job.item is not None and supply in job.item.supplies and job.item.planned):
            return job
    job = bare_supply(spot.printer, supply, morning)
    return jobs.setdefault(job.key, job)


def _supply_urgency(alarm: AlarmRecord, job: Job) -> str:
    if alarm.facts.get("when") == EMPTY_KIND:
        return STANDS
    # A low level alone is no reason to throw pages away; where no run-out can be told it has to do.
    return DUE if job.law is None and not job.urgency else ""


def _row(spot: Spot, alarm: AlarmRecord) -> str:
    """The supply that an alert is about, "" for none."""
    group, _, index = alarm.subject.partition(":")[2].rpartition(":")
    if group != "markerSupplies" or not index.isdecimal():
        return ""
    return spot.rows.get(int(index), "")


def _by_bit(jobs: dict[str, Job], alarm: AlarmRecord) -> str:
    """The toner that a printer without an alert table means by lowToner or noToner: the one that is nearest its end."""
    if alarm.subject not in ("bit:lowToner", "bit:noToner"):
        return ""
    toners = [one for one in jobs.values() if one.kind in ("toner", "tonerCartridge") and one.item is None]
    return min(toners, key=lambda one: (one.law or (9e9,), one.key)).supply if toners else ""


def _alert_urgency(alarm: AlarmRecord, *, about_supply: bool) -> str:
    if alarm.facts.get("when") == SILENT_KIND:
        return DUE
    critical = alarm.facts.get("alert_severity") == "critical"
    code = str(alarm.facts.get("alert_code", ""))
    if about_supply and not critical and any(word in code for word in _NO_MORE):
        return ""
    return STANDS if critical else DUE


def _own(jobs: dict[str, Job], spot: Spot, alarm: AlarmRecord) -> Job:
    """A job for the alarm itself: it ends by itself when the printer says that it is over."""
    printer = spot.printer
    key = f"{printer.id}.alarm.{slug(alarm.rule).replace('.', '~3A')}.{slug(alarm.subject)}"
    if key in jobs:
        return jobs[key]
    if alarm.facts.get("when") == SILENT_KIND:
        job = Job(printer, "", key, "See why it does not answer", minutes=SILENT_MINUTES)
        job.first = "Is it switched on, is its network cable in, does its display show an address?"
    else:
        job = Job(printer, "", key, clean(f"See to: {alarm.text}", 160), minutes=LOOK_MINUTES)
        said = meaning(_alert(alarm))
        job.first = " ".join(one for one in (said.means, said.first) if one)
    return jobs.setdefault(key, job)


def _alert(alarm: AlarmRecord) -> Alert:
    facts = alarm.facts

    def text(name: str) -> str:
        return str(facts.get(name, ""))

    index = alarm.subject.rpartition(":")[2]
    where = int(index) if index.isdecimal() and len(index) < 10 else -1
    code = text("alert_code")
    return Alert(0, text("alert_severity"), text("alert_training"), text("alert_group") or "generalPrinter", where, -1,
                 code, 0, text("alert_description"), None)  # fmt: skip


def _reason(alarm: AlarmRecord, spot: Spot) -> Reason:
    since = alarm.raised_at or alarm.since
    at = since.astimezone(zone_of(spot.printer.place.zone))
    return Reason(ALARM, clean(f"{alarm.text}; alarm {alarm.rule} since {moment_words(at)}", 300), since=since)


def _until(alarm: AlarmRecord, spot: Spot) -> str:
    if alarm.shelved_until is None:
        return ""
    return f" until {moment_words(alarm.shelved_until.astimezone(zone_of(spot.printer.place.zone)))}"


# --- services ------------------------------------------------------------------------------------------------------


def take_proofs(jobs: dict[str, Job], spot: Spot, proofs: Iterable[Proof], morning: Morning) -> None:
    """Keep jobs open whose service is not proven; leave those alone that the printer has still time to show."""
    for proof in proofs:
        if not proof.service.holds:
            continue
        for deed in proof.service.deeds:
            missing = _missing(proof, (deed.subject, *deed.renews))
            if proof.state == UNPROVEN and missing:
                job = _of_deed(jobs, spot, deed.subject, morning)
                at = proof.service.at.astimezone(zone_of(spot.printer.place.zone))
                text = f"logged as done on {moment_words(at)} by {proof.service.who}, but not proven: {missing}"
                job.reasons.append(Reason(NOT_PROVEN, clean(text, 400), since=proof.service.at))
                job.unproven = True
                job.press(OVERDUE)
            elif proof.state == PROVING:
                job = _of_deed(jobs, spot, deed.subject, morning)
                until = proof.until.astimezone(zone_of(spot.printer.place.zone))
                job.hold = clean(
                    f"logged as done by {proof.service.who}; the printer has until {moment_words(until)} to show it",
                    200,
                )


def _missing(proof: Proof, subjects: tuple[str, ...]) -> str:
    """What is missing of one deed: what is said about it, or what is said about no deed in particular."""
    every = {subject for deed in proof.service.deeds for subject in (deed.subject, *deed.renews)}
    own = [one.words for one in proof.checks if one.state == MISSING and one.subject in subjects]
    shared = [one.words for one in proof.checks if one.state == MISSING and one.subject not in every]
    return "; ".join(own or shared)


def _of_deed(jobs: dict[str, Job], spot: Spot, deed: str, morning: Morning) -> Job:
    key = key_of(spot.printer.id, deed)
    if key in jobs:
        return jobs[key]
    plan = next((one for one in morning.shelf.plans if one.name == deed), None)
    if plan is None:
        return _of_supply(jobs, spot, deed, morning)
    job = Job(spot.printer, deed, key, clean(plan.what or plan.name, 200), plan=plan, minutes=plan.minutes)
    return jobs.setdefault(key, job)
