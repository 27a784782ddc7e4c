"""How the agent itself does, for metrics and for those who watch over it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from types import MappingProxyType

from agent.model.fleet import PrinterView

DURATION_BOUNDS = (0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0)
"""Upper bounds of the classes in which durations are counted, in seconds; one more class is open upwards."""

STUCK_AFTER = 60.0
"""Seconds without a heartbeat of its loop after which the agent counts as stuck."""

NOTIFICATION_OUTCOMES = ("heard", "ignored", "unknown", "denied", "garbled", "dropped", "lost")
"""What becomes of an SNMP notification.

heard: a reason to read its printer at once; ignored: well-formed, but no such reason; unknown: from nobody that is
asked; denied: a user that is not known, or a wrong key; garbled: no SNMP message; dropped: too many, not looked at;
lost: too many for the system, not even received.
"""

_NONE: Mapping[str, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Durations:
    """How long something took, counted in classes. ``counts`` has one entry more than ``DURATION_BOUNDS``."""

    counts: tuple[int, ...] = (0,) * (len(DURATION_BOUNDS) + 1)
    total: float = 0.0

    def add(self, seconds: float) -> Durations:
        """With one more duration."""
        at = sum(seconds > bound for bound in DURATION_BOUNDS)
        counts = tuple(count + (place == at) for place, count in enumerate(self.counts))
        return replace(self, counts=counts, total=self.total + max(0.0, seconds))

    @property
    def count(self) -> int:
        """How many there were."""
        return sum(self.counts)


@dataclass(frozen=True, slots=True)
class Vitals:
    """The agent's own state since it was started. Totals only grow.

    ``engine``: the name of the SNMP engine in use. ``stops``: addresses that the settings tell to ask.
    ``readings``: attempts by outcome: ``read``, or the short reason of the wire (``silent``, ``denied`` ...).
    ``notifications``: SNMP notifications by outcome (see ``NOTIFICATION_OUTCOMES``).
    ``requests``, ``retries`` and ``timeouts`` count what went over the wire. ``buffered`` of ``buffer_limit`` readings
    wait to be stored, ``dropped`` were lost to a full buffer. ``store_errors``: writes that failed.
    ``waiting`` and ``dead`` messages are in the outbox. ``alarms``: standing alarms by (severity, state).
    ``settings_accepted`` and ``settings_refused`` count the loadings of the settings file. ``exports``: rounds of
    sending the metrics elsewhere, by outcome (sent, failed); empty where that is not wished for.
    """

    version: str = ""
    python: str = ""
    engine: str = ""
    started: datetime | None = None
    sweeps: Durations = field(default_factory=Durations)
    swept: datetime | None = None
    stops: int = 0
    readings: Mapping[str, int] = field(default_factory=lambda: _NONE)
    notifications: Mapping[str, int] = field(default_factory=lambda: _NONE)
    requests: int = 0
    retries: int = 0
    timeouts: int = 0
    buffered: int = 0
    buffer_limit: int = 0
    dropped: int = 0
    store_errors: int = 0
    store_failing: bool = False
    waiting: int = 0
    dead: int = 0
    alarms: Mapping[tuple[str, str], int] = field(default_factory=lambda: MappingProxyType({}))
    settings_accepted: int = 0
    settings_refused: int = 0
    settings_loaded: datetime | None = None
    exports: Mapping[str, int] = field(default_factory=lambda: _NONE)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that the metrics show: the printers by the store's id, and the agent."""

    views: Mapping[int, PrinterView] = field(default_factory=lambda: MappingProxyType({}))
    vitals: Vitals = field(default_factory=Vitals)


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the agent lives and is ready. ``heartbeat_age``: seconds since its loop last turned, None before."""

    settings_loaded: bool = False
    store_open: bool = False
    swept: bool = False
    heartbeat_age: float | None = None

    @property
    def alive(self) -> bool:
        """True while the loop turns."""
        return self.heartbeat_age is not None and self.heartbeat_age < STUCK_AFTER

    @property
    def missing(self) -> tuple[str, ...]:
        """What has to come before the agent does its work; empty when it is ready."""
        parts = {
            "settings": self.settings_loaded,
            "store": self.store_open,
            "first sweep": self.swept,
            "loop": self.alive,
        }
        return tuple(name for name, there in parts.items() if not there)
