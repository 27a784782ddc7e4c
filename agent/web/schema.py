"""The answers of the API as models, for its OpenAPI document. The data themselves are made in ``agent.web.shapes``."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from pydantic import Field

from agent.model.alarm import AlarmRecord
from agent.web.schema_history import CounterTrack, Entry, Identity, Insight, Run, SupplyTrack, Upkeep
from agent.web.schema_reading import Reading, Shape


class Fault(Shape):
    """One wrong parameter."""

    where: str
    what: str


class Problem(Shape):
    """A problem (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[Fault] = Field(default_factory=list)


class Listed(Shape):
    """A part of a list: ``limit`` from ``offset`` on, of ``total``."""

    total: int = Field(ge=0)
    offset: int = Field(ge=0)
    limit: int = Field(ge=1)


class Remaining(Shape):
    """What is left of a supply: a share 0..1, null where the printer does not say."""

    supply: str
    kind: str
    remaining: float | None


class Seen(Shape):
    """A printer as it was last seen."""

    printer: str
    id: int
    address: str
    device: int
    serial: str
    model: str
    place: str
    reachable: bool
    since: datetime
    read_at: datetime | None
    status: str | None
    errors: list[str]
    supplies: list[Remaining]


class Printers(Listed):
    """The fleet."""

    format: Literal["lowmark.printers.v1"]
    at: datetime | None = Field(description="as of when: when the last sweep ended, or the moment that was asked for")
    printers: list[Seen]


@dataclass(frozen=True, slots=True)
class Alarm(AlarmRecord):
    """An alarm, and what else is to be known of it: ``chattering`` within a day, ``stale`` after 24 hours."""

    marks: list[Literal["chattering", "stale"]] = field(default_factory=list)


class OnePrinter(Shape):
    """One printer: as it was last seen, what it said, what its history says, what falls due, its alarms."""

    format: Literal["lowmark.printer.v1"]
    printer: Seen
    reading: Reading | None
    insight: Insight | None
    upkeep: Upkeep | None
    alarms: list[Alarm]


class OneInsight(Shape):
    """What the history of one printer says as of a moment."""

    format: Literal["lowmark.insight.v1"]
    printer_id: int
    insight: Insight


class History(Shape):
    """All that is known of one printer between two moments."""

    format: Literal["lowmark.history.v1"]
    since: datetime | None
    until: datetime | None
    printer: Identity
    contacts: list[Run]
    supplies: list[SupplyTrack]
    counters: list[CounterTrack]
    ledger: list[Entry]


class Alarms(Listed):
    """Alarms, the gravest first."""

    format: Literal["lowmark.alarms.v1"]
    at: datetime | None = Field(description="as of when: when the last sweep ended, or the moment that was asked for")
    alarms: list[Alarm]


class OneAlarm(Shape):
    """One alarm."""

    format: Literal["lowmark.alarm.v1"]
    alarm: Alarm


class Ledger(Shape):
    """A part of the ledger, in order of time; ``offset`` counts back from its end."""

    format: Literal["lowmark.ledger.v1"]
    since: datetime | None
    until: datetime | None
    offset: int
    limit: int
    more: bool
    entries: list[Entry]


class Sweeps(Shape):
    """What was read since the start."""

    count: int
    seconds: float
    last: datetime | None
    addresses: int
    readings: dict[str, int]


class Wire(Shape):
    """What went over the wire since the start."""

    requests: int
    retries: int
    timeouts: int


class Buffer(Shape):
    """Readings that wait for the store."""

    readings: int
    limit: int
    dropped: int


class Outbox(Shape):
    """Messages that wait, and those given up."""

    waiting: int
    dead: int


class Settings(Shape):
    """How often the settings were loaded."""

    accepted: int
    refused: int
    loaded: datetime | None


class Silent(Shape):
    """A printer that does not answer, and what the wire said."""

    printer_id: int
    since: datetime
    failure: str | None
    error: str


class AboutAgent(Shape):
    """The agent itself."""

    format: Literal["lowmark.about.v1"]
    version: str
    python: str
    engine: str
    store: str
    started: datetime | None
    ready: bool
    missing: list[str]
    sweeps: Sweeps
    wire: Wire
    buffer: Buffer
    store_failing: bool
    store_error: str
    store_errors: int
    outbox: Outbox
    settings: Settings
    silent: list[Silent]
