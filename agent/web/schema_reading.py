"""The models of a reading; see ``agent.web.schema``."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class Shape(BaseModel):
    """A closed object: what is not listed does not come."""

    model_config = ConfigDict(extra="forbid")


class Number(Shape):
    """A number."""

    value: int


class Word(Shape):
    """What the printer says instead of a number."""

    mark: Literal["other", "unknown", "some"]


class Status(Shape):
    """The status of a sub-unit (RFC 3805 section 2.2.13.2)."""

    availability: str
    critical_alert: bool
    non_critical_alert: bool
    offline: bool
    transitioning: bool
    raw: int


class System(Shape):
    """MIB-2 system group."""

    descr: str
    object_id: str
    name: str
    location: str
    uptime_seconds: float | None


class State(Shape):
    """What the printer is doing."""

    text: str
    device: str | None
    printer: str | None
    errors: list[str]


class Supply(Shape):
    """A supply; ``fraction`` is the share still good."""

    key: str
    index: int
    marker: int
    class_: str = Field(alias="class")
    kind: str
    colorant: str | None
    description: str
    unit: str
    capacity: Number | Word
    level: Number | Word
    fraction: float | None


class Tray(Shape):
    """An input tray."""

    index: int
    kind: str
    name: str
    description: str
    media: str
    unit: str
    capacity: Number | Word
    level: Number | Word
    status: Status | None


class Bin(Shape):
    """An output bin."""

    index: int
    kind: str
    name: str
    description: str
    unit: str
    capacity: Number | Word
    remaining: Number | Word
    status: Status | None


class Cover(Shape):
    """A cover."""

    index: int
    description: str
    status: str | None


class Light(Shape):
    """A light of the console."""

    index: int
    description: str
    colour: str | None
    on_milliseconds: int | None
    off_milliseconds: int | None


class Alert(Shape):
    """An alert of the printer."""

    index: int
    severity: str
    training: str
    group: str
    group_index: int
    location: int
    code: str
    code_number: int
    description: str
    time: int | None


class Counter(Shape):
    """A counter."""

    name: str
    unit: str
    value: int
    wraps_at: int


class Events(Shape):
    """How often something happened, as the printer counts."""

    config_changes: int | None
    critical: int | None
    all: int | None


class Remark(Shape):
    """Something odd in the answers."""

    where: str
    what: str


class Reading(Shape):
    """All that the printer said the last time it answered."""

    device: int
    model: str
    name: str
    serial: str
    mac: str
    system: System
    status: State
    pages_per_minute: float | None
    supplies: list[Supply]
    trays: list[Tray]
    bins: list[Bin]
    covers: list[Cover]
    console: list[str]
    lights: list[Light]
    alerts: list[Alert]
    counters: list[Counter]
    events: Events
    remarks: list[Remark]
