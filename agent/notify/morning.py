"""The morning letter: what today's round holds, what cannot be carried, and what stands."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from agent.alarms.wording import clean
from agent.model.alarm import AlarmRecord
from agent.model.digest import Digest
from agent.model.round import DUE, JOINS, OVERDUE, STANDS, Round, Visit
from agent.notify.written import TIMES, Locale, Sheet

MOST_VISITS = 40
MOST_ALARMS = 15
URGENCY = {STANDS: "stands still", OVERDUE: "overdue", DUE: "due", JOINS: "joins"}


def morning(
    rounds: Sequence[Round], today: date, where: str, alarms: Sequence[AlarmRecord], locale: Locale,
    to: tuple[str, ...] = (),
) -> Digest:  # fmt: skip
    """The letter. ``rounds``: the next round of each site that is meant. ``alarms``: what stands, the gravest first."""
    now = [one for one in rounds if one.day == today]
    visits = [visit for one in now for visit in one.visits]
    minutes = sum(one.minutes for one in now)
    sheet = Sheet(f"Round of {locale.day(today)}")
    jobs = sum(len(visit.cards) for visit in visits)
    summary = (
        f"{len(visits)} visit{'s' if len(visits) != 1 else ''}, {jobs} job{'s' if jobs != 1 else ''}, {_time(minutes)}"
    )
    if not now:
        nearest = min((one.day for one in rounds), default=None)
        sheet.say(f"{where}: no round is made today." + (f" The next one: {locale.day(nearest)}." if nearest else ""))
    elif not visits:
        sheet.say(f"{where}: nothing has to be done at any printer today.")
    else:
        sheet.say(f"{where}: {summary}.")
        _carry(sheet, now)
        _visits(sheet, visits, locale)
    _cautions(sheet, now, visits)
    _standing(sheet, alarms)
    said = [line for one in rounds for line in one.remarks]
    if said:
        sheet.head("Besides")
        sheet.points(said)
    subject = summary if visits else "nothing to be done" if now else "no round today"
    return Digest(
        clean(f"Round of {locale.short(today)}: {subject} ({where})", 180), sheet.plain(), sheet.html(), (), to
    )


def _time(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _carry(sheet: Sheet, rounds: Sequence[Round]) -> None:
    carry = [one for some in rounds for one in some.carry]
    lacking = [one for some in rounds for one in some.lacking]
    if carry:
        sheet.head("To carry")
        sheet.points(f"{one.count} {TIMES} {one.what}" + (f", from {one.place}" if one.place else "") for one in carry)
    if lacking:
        sheet.head("Wanted, and not there")
        sheet.points(f"{one.count} {TIMES} {one.what}" + (f": {one.note}" if one.note else "") for one in lacking)


def _visits(sheet: Sheet, visits: Sequence[Visit], locale: Locale) -> None:
    sheet.head("The walk")
    rows = []
    for visit in visits[:MOST_VISITS]:
        deeds = "; ".join(f"{card.title} ({_why(card.why)})" if card.why else card.title for card in visit.cards)
        urgency = URGENCY.get(visit.urgency, visit.urgency)
        rows.append(
            (f"{locale.number(visit.number)}. {visit.printer}", str(visit.place), deeds, urgency, _time(visit.minutes))
        )
    sheet.table(("Printer", "Where", "What, and why now", "", "Work"), rows)
    if len(visits) > MOST_VISITS:
        sheet.say(f"And {len(visits) - MOST_VISITS} more visits: lowmark round shows all.", small=True)


def _why(reasons: Sequence[object]) -> str:
    return clean(getattr(reasons[0], "text", ""), 200)


def _cautions(sheet: Sheet, rounds: Sequence[Round], visits: Sequence[Visit]) -> None:
    lines = list(dict.fromkeys(line for one in rounds for line in one.cautions))
    if visits and lines:
        sheet.head("Take care")
        sheet.points(lines)


def _standing(sheet: Sheet, alarms: Sequence[AlarmRecord]) -> None:
    sheet.head("Alarms that stand")
    standing, over = [one for one in alarms if one.active], sum(not one.active for one in alarms)
    if not standing:
        sheet.say("None.")
    lines = []
    for one in standing[:MOST_ALARMS]:
        who = one.facts.get("printer") or one.facts.get("site") or "Lowmark"
        seen = f", seen by {one.acknowledged_by}" if one.acknowledged_by else ", not acknowledged"
        lines.append(f"[{one.severity}] {who}: {one.text or one.subject}{seen}")
    sheet.points(lines)
    if len(standing) > MOST_ALARMS:
        sheet.say(f"And {len(standing) - MOST_ALARMS} more: lowmark alarms shows all.", small=True)
    if over:
        sheet.say(f"{over} more {'is' if over == 1 else 'are'} over, but nobody has acknowledged that.", small=True)
