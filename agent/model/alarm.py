"""Alarms as they are kept, and messages as they wait to be sent.

Everything has a JSON form (``to_data``, ``from_data``), since both must survive a restart: the records in the store,
the messages in its outbox.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from types import MappingProxyType
from typing import Any, Self

from agent.model.fleet import Scalar

SEVERITIES = ("low", "medium", "high", "urgent")
"""From the least to the gravest."""

_NOTHING: Mapping[str, Scalar] = MappingProxyType({})


def rank(severity: str) -> int:
    """How grave: 0 for low .. 3 for urgent; -1 for a word that is none of them."""
    return SEVERITIES.index(severity) if severity in SEVERITIES else -1


class AlarmState(enum.Enum):
    """The states of an alarm after ISA-18.2 / IEC 62682 (latching is not used)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returnedUnacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressedByDesign"
    OUT_OF_SERVICE = "outOfService"


class _Data:
    """What has a JSON form: fields by name, moments as ISO 8601 text."""

    __slots__ = ()

    def to_data(self) -> dict[str, Any]:
        """A mapping of plain JSON values."""
        return {part.name: _plain(getattr(self, part.name)) for part in fields(self)}  # type: ignore[arg-type]

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Back from ``to_data``. Fields that are not in ``data`` take their defaults, unknown ones are left out.

        Raises ValueError or TypeError when ``data`` is no such mapping.
        """
        given = {part.name: _read(part.name, data[part.name]) for part in fields(cls) if part.name in data}  # type: ignore[arg-type]
        return cls(**given)


_MOMENTS = frozenset(
    (
        *("at", "since", "signal_since", "raised_at", "returned_at", "told_at", "acknowledged_at", "shelved_until"),
        "back_at",
    )
)
_WORDS = frozenset(("told", "held"))


def _plain(value: object) -> object:
    match value:
        case datetime():
            return value.isoformat()
        case enum.Enum():
            return value.value
        case tuple():
            return list(value)
        case Mapping():
            return dict(value)
    return value


def _read(name: str, value: Any) -> Any:
    if value is None:
        return None
    if name in _MOMENTS:
        return datetime.fromisoformat(value)
    if name == "state":
        return AlarmState(value)
    if name in _WORDS:
        return tuple(value)
    return value


@dataclass(frozen=True, slots=True)
class AlarmRecord(_Data):
    """One alarm, standing or not: all that is needed to go on with it after a restart.

    ``key`` is ``rule|printer id|subject`` (``rule|agent|subject`` for the agent itself, ``rule|site|name`` for a whole
    site) and never changes.
    ``signal`` is the condition after the deadband and ``signal_since`` when it last changed; ``active`` is the
    condition after on-delay and off-delay. ``state`` has been so since ``since``.
    ``occurrence`` counts how often it was raised. ``told`` are the channels that heard of the present occurrence and
    have not yet heard of its end; ``held`` are those that must not be told before their quiet hours are over.
    ``tellings`` counts the messages about it. ``facts`` is what a message needs to say.
    ``back_at``: when it last came off the shelf or back into service. ``suppressed_by``: the key of the alarm that
    stands for it while it is suppressed by design.
    ``revision`` grows by one with every change: who saves a record can see whether another was quicker.
    """

    key: str
    rule: str
    printer_id: int | None
    subject: str
    state: AlarmState
    since: datetime
    severity: str
    signal: bool
    signal_since: datetime
    active: bool = False
    raised_at: datetime | None = None
    returned_at: datetime | None = None
    occurrence: int = 0
    value: float | None = None
    limit: float | None = None
    text: str = ""
    told: tuple[str, ...] = ()
    held: tuple[str, ...] = ()
    told_at: datetime | None = None
    told_severity: str = ""
    tellings: int = 0
    acknowledged_by: str = ""
    acknowledged_at: datetime | None = None
    shelved_until: datetime | None = None
    shelved_by: str = ""
    shelved_reason: str = ""
    back_at: datetime | None = None
    suppressed_by: str = ""
    revision: int = 0
    facts: Mapping[str, Scalar] = field(default_factory=lambda: _NOTHING)

    @property
    def pending_since(self) -> datetime | None:
        """Since when the condition waits for its on-delay or off-delay; None when the alarm agrees with it."""
        return self.signal_since if self.signal != self.active else None

    @property
    def standing(self) -> bool:
        """True while there is something to look at: the condition holds, or its return was not acknowledged."""
        return self.active or self.state is AlarmState.RETURNED


@dataclass(frozen=True, slots=True)
class Message(_Data):
    """What one channel must be told about one alarm.

    ``dedupe_key`` is the same whenever the same thing would be told again (it holds alarm, occurrence, kind and
    channel), so the outbox takes it once. ``kind``: ``raised``, ``changed``, ``repeat``, ``escalated``
    or ``returned``.
    ``reason``: why it is told. ``batch`` is the same for all that was decided in one judgement; such messages may go
    out as one. ``facts``: see ``agent.alarms.facts``.
    """

    dedupe_key: str
    channel: str
    kind: str
    severity: str
    at: datetime
    key: str
    occurrence: int
    reason: str
    text: str
    batch: str = ""
    facts: Mapping[str, Scalar] = field(default_factory=lambda: _NOTHING)


@dataclass(frozen=True, slots=True)
class AgentHealth:
    """How the agent itself does, at the moment of judging.

    ``store_failing_since``: since when writing fails, None if it does not; ``store_error`` why, without secrets.
    ``buffered`` of ``buffer_limit`` readings wait in memory; ``dropped`` were lost to a full buffer since the start.
    ``sweep_seconds``: how long the last sweep took; ``sweep_interval``: how often one is due.
    ``dead_letters``: messages given up; ``waiting`` are those not yet sent.
    """

    store_failing_since: datetime | None = None
    store_error: str = ""
    buffered: int = 0
    buffer_limit: int = 0
    dropped: int = 0
    sweep_seconds: float = 0.0
    sweep_interval: float = 0.0
    dead_letters: int = 0
    waiting: int = 0


def standing(records: Iterable[AlarmRecord]) -> list[AlarmRecord]:
    """The alarms to look at, the gravest first, then the oldest."""
    return sorted(
        (record for record in records if record.standing),
        key=lambda record: (-rank(record.severity), record.raised_at or record.since, record.key),
    )
