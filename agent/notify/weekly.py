"""The fleet letter: a week in words and pictures."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from agent.alarms.wording import clean
from agent.model.digest import Digest, Picture
from agent.model.week import Week
from agent.model.zones import zone_of
from agent.notify import pictures
from agent.notify.written import TIMES, Locale, Sheet

MOST_ROWS = 25
MOST_SERVED = 30


def weekly(week: Week, locale: Locale, to: tuple[str, ...] = (), more: Path | None = None) -> Digest:
    """The letter. ``more``: a font for names in its pictures whose signs the usual one does not have."""
    zone = zone_of(week.zone)
    first, last = week.since.astimezone(zone).date(), (week.until.astimezone(zone) - timedelta(days=1)).date()
    total = sum(one.pages for one in week.pages)
    sheet = Sheet(f"Fleet letter, {locale.short(first)} to {locale.day(last, weekday=False)}")
    sheet.say(f"{week.where}: {_printers(week.printers)}, {locale.number(total)} impressions in seven days.")
    if week.silent:
        sheet.say(f"Not answering at present: {_listed(week.silent)}.")
    drawn: list[Picture] = []
    _coming(sheet, week, locale, drawn, more)
    _order(sheet, week, locale)
    _pages(sheet, week, locale, drawn, more)
    _alarms(sheet, week, locale, drawn)
    _served(sheet, week, locale)
    sheet.say(f"As of {locale.moment(week.until.astimezone(zone))}. Chances are forecasts, not promises.", small=True)
    soon = len(week.coming)
    to_come = f"{soon} run-out{'s' if soon != 1 else ''} to come" if soon else "nothing runs out next week"
    subject = clean(
        f"Fleet letter: {locale.number(total)} impressions, {to_come}, {_alarms_heard(week.heard)} ({week.where})", 180
    )
    return Digest(subject, sheet.plain(), sheet.html(), tuple(drawn), to)


def _printers(count: int) -> str:
    return f"{count} printer{'s' if count != 1 else ''}"


def _alarms_heard(count: int) -> str:
    return f"{count} alarm{'s' if count != 1 else ''}"


def _listed(names: tuple[str, ...], most: int = 8) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def _coming(sheet: Sheet, week: Week, locale: Locale, drawn: list[Picture], more: Path | None) -> None:
    sheet.head("The week to come: what runs out")
    if not week.coming:
        sheet.say("Nothing is likely to run out within the next seven days.")
        return
    alt = f"Days on which {len(week.coming)} supplies will probably run out; the table below says the same in words."
    drawn.append(Picture("run-outs", alt, pictures.run_outs(week, locale, more)))
    sheet.picture("run-outs", alt)
    sheet.say("The diamond is the likeliest day, the bar holds it with 8 chances in 10.", small=True)
    rows = []
    for one in week.coming[:MOST_ROWS]:
        left = "" if one.level is None else _left(one.level, locale)
        last_day = f" to {locale.short(one.p90)}" if one.p90 != one.p10 else ""
        days = locale.short(one.p10) + last_day
        rows.append(
            (f"{one.printer}: {one.part}", one.place, f"{locale.share(one.chance)} in 7 days", days, left, one.spare)
        )
    sheet.table(("What", "Where", "Chance", "Runs out", "Left", "Shelf"), rows)
    if len(week.coming) > MOST_ROWS:
        sheet.say(f"And {len(week.coming) - MOST_ROWS} more: lowmark runout shows all.", small=True)


def _left(level: float, locale: Locale) -> str:
    return f"about {locale.share(level)} left" if level >= 0.01 else "next to nothing left"


def _order(sheet: Sheet, week: Week, locale: Locale) -> None:
    sheet.head("What to order")
    if not week.order:
        sheet.say("Nothing has to be ordered now, as far as the shelf is known.")
        return
    rows = [
        (
            f"{locale.number(one.count)} {TIMES} {one.part}",
            "" if one.by is None else f"by {locale.short(one.by)}",
            one.cost,
            one.why,
        )
        for one in week.order[:MOST_ROWS]
    ]
    sheet.table(("Part", "When", "Cost", "Why"), rows)


def _pages(sheet: Sheet, week: Week, locale: Locale, drawn: list[Picture], more: Path | None) -> None:
    sheet.head("Impressions by site")
    if not any(one.pages or one.before for one in week.pages):
        sheet.say("No counter has moved in the last two weeks, as far as printers tell theirs.")
        return
    words = "; ".join(
        f"{one.site or 'no site'} {locale.number(one.pages)} (week before: {locale.number(one.before)})"
        for one in week.pages[:MOST_ROWS]
    )
    drawn.append(Picture("pages", words, pictures.pages(week, locale, more)))
    sheet.picture("pages", words)
    sheet.say("Bars are this week's; the upright stroke is the week before.", small=True)


def _alarms(sheet: Sheet, week: Week, locale: Locale, drawn: list[Picture]) -> None:
    sheet.head("Alarms")
    stand = f"{week.standing} stand{'s' if week.standing == 1 else ''} now"
    were = "was" if week.heard == 1 else "were"
    sheet.say(
        f"{_alarms_heard(week.heard)} {were} heard this week, {locale.number(round(week.heard / 7, 1))} a day; {stand}."
    )
    if any(count for _, count in week.per_day):
        counted = ", ".join(f"{locale.short(day)}: {count}" for day, count in week.per_day[-7:])
        alt = f"Alarms heard a day: {counted}"
        drawn.append(Picture("alarms", alt, pictures.alarms(week, locale)))
        sheet.picture("alarms", alt)
    marks = {True: "fine", False: "too much", None: "says little"}
    sheet.table(
        ("Measure", "Value", "Should be", ""),
        [(one.name, one.value, one.target, marks[one.good]) for one in week.figures],
    )
    sheet.say("Held against EEMUA 191 and ISA-18.2, written down from memory; made for control rooms.", small=True)
    if week.frequent:
        sheet.points(f"{count} times: {text}" for count, text in week.frequent)
    if week.advice:
        sheet.say("What to change:")
        sheet.points(week.advice)


def _served(sheet: Sheet, week: Week, locale: Locale) -> None:
    sheet.head("What was done")
    if not week.served:
        sheet.say("Nothing was logged, and no exchange was seen.")
        return
    zone = zone_of(week.zone)
    rows = [
        (locale.short(one.at.astimezone(zone).date()), one.printer, one.text, one.who)
        for one in week.served[:MOST_SERVED]
    ]
    sheet.table(("Day", "Printer", "What", "Who"), rows)
    if len(week.served) > MOST_SERVED:
        sheet.say(f"And {len(week.served) - MOST_SERVED} more: lowmark ledger shows all.", small=True)
