"""Hours in the settings file: quiet ones, those of work, and maintenance windows."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated, Literal

from pydantic import Field, PlainSerializer, PlainValidator, WithJsonSchema

from agent.alarms.hours import Hours
from agent.alarms.windows import Window
from agent.settings.section import Section
from agent.settings.units import KeyName, Name, OneOrMany, Text, matching, read_text, wrong

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
CLOCK = matching(r"([01][0-9]|2[0-3]):[0-5][0-9]", "a time of day like 07:30")
HOLIDAY_CODE = r"[A-Z]{2}(-[A-Z0-9]{1,3})?"
HOLIDAYS = matching(HOLIDAY_CODE, "an ISO 3166 code like GB or GB-ENG")


def _moment(given: object) -> datetime:
    if isinstance(given, datetime):
        return given
    expected = "a moment like 2026-11-28T20:00, by the clock of the site, or with an offset: 2026-11-28T20:00+01:00"
    try:
        return datetime.fromisoformat(str(read_text(given)))
    except ValueError:
        raise wrong(expected) from None


def _date(given: object) -> date:
    if isinstance(given, date):
        return given
    try:
        return date.fromisoformat(str(read_text(given)))
    except ValueError:
        raise wrong("a day like 2026-12-24") from None


Moment = Annotated[
    datetime,
    PlainValidator(_moment),
    PlainSerializer(datetime.isoformat, return_type=str),
    WithJsonSchema({"type": "string", "pattern": r"^[0-9]{4}-[0-9]{2}-[0-9]{2}([T ].*)?$"}),
]
OneDay = Annotated[
    date,
    PlainValidator(_date),
    PlainSerializer(date.isoformat, return_type=str),
    WithJsonSchema({"type": "string", "pattern": r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}),
]


def days_of(names: tuple[str, ...]) -> tuple[int, ...]:
    """Weekdays as numbers, Monday 0."""
    return tuple(DAYS.index(name) for name in names)


class DayHours(Section):
    """A time of the day, on some days of the week."""

    begin: Annotated[Text, CLOCK, Field(alias="from", description="When it begins, like 20:00.")]
    end: Annotated[
        Text, CLOCK, Field(alias="to", description="When it ends, like 07:00; earlier than from: on the next day.")
    ]
    days: Annotated[
        tuple[Day, ...], OneOrMany(), Field(description="The days on which it begins: mon ... sun; left out: each.")
    ] = ()

    def hours(self) -> Hours:
        """As the core has it."""
        return Hours(time.fromisoformat(self.begin), time.fromisoformat(self.end), days_of(self.days))


class WorkCalendar(Section):
    """When people work."""

    hours: Annotated[
        tuple[DayHours, ...], Field(description="The hours of work, by the site's clock; left out: all day.")
    ] = ()
    holidays: Annotated[
        Text | None,
        HOLIDAYS,
        Field(description="ISO 3166 code of the public holidays kept; left out: those of the site."),
    ] = None
    closed: Annotated[
        tuple[OneDay, ...], OneOrMany(), Field(description="Other days without work, like 2026-12-24.")
    ] = ()


class Maintenance(Section):
    """A maintenance window: alarms are suppressed by design, and told afterwards if they still hold."""

    name: Annotated[KeyName, Field(description="What the window is called.")]
    reason: Annotated[Text, Field(description="Why; the ledger says it.")]
    sites: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only these sites; * and ? stand for anything.")
    ] = ()
    tags: Annotated[tuple[Name, ...], OneOrMany(), Field(description="Only printers with one of these tags.")] = ()
    printers: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only these printers, by name, address or serial number.")
    ] = ()
    rules: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only alarms of these rules; left out: of all.")
    ] = ()
    weekly: Annotated[tuple[DayHours, ...], Field(description="Hours of the week, by the clock of the site.")] = ()
    begin: Annotated[Moment | None, Field(alias="from", description="When it begins, by the clock of the site.")] = None
    end: Annotated[Moment | None, Field(alias="to", description="When it ends, by the clock of the site.")] = None

    def window(self) -> Window:
        """As the core has it."""
        hours = tuple(one.hours() for one in self.weekly)
        return Window(
            self.name, self.reason, self.sites, self.tags, self.printers, self.rules, hours, self.begin, self.end
        )
