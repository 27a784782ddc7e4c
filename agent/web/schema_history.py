"""The models of histories and of what they say; see ``agent.web.schema``."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from pydantic import Field

from agent.web.schema_reading import Shape

Scalar = str | int | float | bool | None


class Days(Shape):
    """A day and its doubt: with 10, 50 and 90 percent chance it has come by then."""

    p10: date
    p50: date
    p90: date


class Who(Shape):
    """Which printer is meant."""

    printer_id: int
    printer: str
    model: str
    site: str


class Usage(Who):
    """How a counter moves (``lowmark usage``)."""

    counter: str
    unit: str
    per_workday: float | None
    per_workday_p10: float | None
    per_workday_p90: float | None
    per_week: float | None
    variation: float | None
    weekday: list[float | None]
    month_end: float | None
    trend_60_days: float | None
    workdays_seen: int
    since: datetime | None
    reason: str | None


class Life(Who):
    """One cartridge (or drum, kit ...) from fitting to removal (``lowmark lives``)."""

    supply: str
    kind: str
    number: int
    fitted: datetime | None
    removed: datetime | None
    impressions: int | None
    start_level: float | None
    end_level: float | None
    left: float | None
    ended: str
    sure: float | None
    end_sure: float | None
    used_before: bool
    text: str


class RunOut(Who):
    """When a supply is used up (``lowmark runout``); ``reason`` says why that cannot be told."""

    supply: str
    kind: str
    colorant: str | None
    description: str
    as_of: datetime
    p10: date | None
    p50: date | None
    p90: date | None
    reason: str | None
    chance_7_days: float | None
    chance_14_days: float | None
    chance_workdays: list[float | None]
    days: dict[str, float] | None
    threshold: float | None
    low_p10: date | None
    low_p50: date | None
    low_p90: date | None
    level: float | None
    level_p10: float | None
    level_p90: float | None
    impressions_left: list[int] | None
    rests_on: list[str]


class Note(Shape):
    """Something to know about the history."""

    subject: str
    text: str


class Insight(Shape):
    """What the history says as of a moment."""

    as_of: datetime
    usage: list[Usage]
    lives: list[Life]
    runout: list[RunOut]
    notes: list[Note]


class Begin(Shape):
    """Where an interval begins."""

    at: datetime | None
    count: int | None
    who: str
    assumed: bool


class UpkeepItem(Who):
    """Work that falls due (``lowmark upkeep``)."""

    plan: str
    what: str
    planned: bool
    state: str
    begin: Begin
    count: int | None
    due_count: int | None
    left: int | None
    due_day: date | None
    overdue_days: int | None
    expected: Days | None
    reason: str | None
    because: list[str]
    reported: list[str]
    followed: datetime | None
    supplies: list[str]
    needs: list[str]
    minutes: int | None


class Disagreement(Who):
    """Where printer and ledger do not agree."""

    kind: str
    plan: str
    supply: str
    at: datetime
    shows: float | None
    should: float | None
    count: int | None
    text: str


class Upkeep(Shape):
    """The work that falls due at a printer."""

    as_of: datetime
    items: list[UpkeepItem]
    disagreements: list[Disagreement]
    notes: list[str]


class Identity(Shape):
    """A printer by itself."""

    id: int
    name: str
    address: str
    device_index: int
    serial: str
    mac: str
    model: str
    site: str
    building: str
    floor: str
    room: str
    zone: str
    tags: list[str]
    first_seen: datetime | None
    retired: datetime | None


class Run(Shape):
    """A stretch of time in which every attempt had the same outcome."""

    first: datetime
    last: datetime
    reachable: bool


class LevelPoint(Shape):
    """From ``at`` on, until the next point: a number in the unit, or other, unknown, some."""

    at: datetime
    level: int | Literal["other", "unknown", "some"]
    capacity: int | Literal["other", "unknown", "some"]


class SupplyTrack(Shape):
    """The levels of a supply over time."""

    supply: str
    kind: str
    class_: str = Field(alias="class")
    colorant: str | None
    unit: str
    description: str
    points: list[LevelPoint]


class CountPoint(Shape):
    """From ``at`` on, until the next point."""

    at: datetime
    value: int


class CounterTrack(Shape):
    """The values of a counter over time."""

    counter: str
    unit: str
    wraps_at: int
    points: list[CountPoint]


class Entry(Shape):
    """A line of the ledger."""

    id: int | None
    at: datetime
    kind: str
    text: str
    printer: str | None
    printer_id: int | None
    subject: str
    who: str
    data: dict[str, Scalar]
