"""What one poll of one printer returned, decoded.

Everything here is frozen and made of plain values, so that a Reading can be compared, hashed row by row, stored and
shown without knowing how it came in. Enumerations appear as the labels of RFC 3805 and RFC 2790 (``"toner"``,
``"supplyThatIsConsumed"``, ``"idle"``); a value that no standard lists appears as ``"unlisted(99)"``.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from datetime import datetime

CONSUMED = "supplyThatIsConsumed"
RECEPTACLE = "receptacleThatIsFilled"


class Mark(enum.Enum):
    """What an agent says instead of an amount (RFC 3805 section 2.4)."""

    OTHER = "other"  # -1: the sub-unit places no restriction on this parameter
    UNKNOWN = "unknown"  # -2
    SOME = "some"  # -3: some supply / at least one unit / some space remains


Amount = int | Mark
"""An amount is a number >= 0 in its unit, or a Mark. No negative number leaves ``mib``."""


@dataclass(frozen=True, slots=True)
class System:
    """MIB-2 system group (RFC 3418). ``uptime`` is sysUpTime in hundredths of a second."""

    descr: str = ""
    object_id: str = ""
    uptime: int | None = None
    name: str = ""
    location: str = ""


@dataclass(frozen=True, slots=True)
class SubUnitStatus:
    """PrtSubUnitStatusTC taken apart (RFC 3805 section 2.2.13.2). ``raw`` is the sum, 0..126.

    ``availability`` is one of: idle, standby, active, busy, onRequest, broken, unknown.
    """

    raw: int
    availability: str
    non_critical_alert: bool = False
    critical_alert: bool = False
    offline: bool = False
    transitioning: bool = False


@dataclass(frozen=True, slots=True)
class Marker:
    """One prtMarkerEntry. ``life_count`` counts ``unit`` over the printer's life (Counter32)."""

    index: int
    mark_tech: str | None
    unit: str | None
    life_count: int | None
    power_on_count: int | None
    status: SubUnitStatus | None


@dataclass(frozen=True, slots=True)
class Supply:
    """One prtMarkerSuppliesEntry, with its colorant.

    ``level`` is what is left of a supply that is consumed, or the space that is left in a receptacle that is filled:
    for both, 0 means that somebody has to come (RFC 3805, prtMarkerSuppliesLevel).
    ``key`` names the supply within its printer for as long as the printer keeps its layout: ``toner:cyan``,
    ``wasteToner``, ``opc:black``, and ``...#2`` when a printer has two of the same.
    """

    key: str
    index: int
    marker: int
    supply_class: str
    kind: str
    description: str
    colorant: str | None
    unit: str
    capacity: Amount
    level: Amount

    @property
    def fraction(self) -> float | None:
        """The share still good, 0.0 .. 1.0, or None where the printer has not said enough to know it.

        A level above the capacity counts as full. Capacity 0 gives None. The unit percent needs no capacity.
        """
        if isinstance(self.level, Mark):
            return None
        if isinstance(self.capacity, Mark):
            if self.unit == "percent" and self.level <= 100:
                return self.level / 100
            return None
        if self.capacity <= 0:
            return None
        return min(1.0, self.level / self.capacity)

    @property
    def is_receptacle(self) -> bool:
        """True for a bin that fills up (waste toner, waste ink ...)."""
        return self.supply_class == RECEPTACLE


@dataclass(frozen=True, slots=True)
class Tray:
    """One prtInputEntry: an input tray. ``level`` and ``capacity`` count ``unit``."""

    index: int
    kind: str
    name: str
    description: str
    media: str
    unit: str
    capacity: Amount
    level: Amount
    status: SubUnitStatus | None


@dataclass(frozen=True, slots=True)
class Bin:
    """One prtOutputEntry: an output bin. ``remaining`` is the space left (prtOutputRemainingCapacity)."""

    index: int
    kind: str
    name: str
    description: str
    unit: str
    capacity: Amount
    remaining: Amount
    status: SubUnitStatus | None


@dataclass(frozen=True, slots=True)
class Cover:
    """One prtCoverEntry. ``status`` is a PrtCoverStatusTC label (coverOpen, interlockClosed ...)."""

    index: int
    description: str
    status: str | None


@dataclass(frozen=True, slots=True)
class Light:
    """One prtConsoleLightEntry. Times in milliseconds: on > 0 and off = 0 is lit, both > 0 blinks."""

    index: int
    description: str
    colour: str | None
    on_time: int | None
    off_time: int | None


@dataclass(frozen=True, slots=True)
class Alert:
    """One prtAlertEntry, all columns. ``code`` is a PrtAlertCodeTC label; ``time`` is sysUpTime in 1/100 s."""

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


@dataclass(frozen=True, slots=True)
class Counter:
    """A count that only grows, until it wraps or is reset.

    ``name``: ``life`` (``life:2`` ... for further markers) from prtMarkerLifeCount; ``total``, ``mono``, ``colour``,
    ``twoSided`` (and ``sheets``) from PWG 5106.3. ``wraps_at`` is 2**32 for Counter32 (RFC 2578 section 7.1.6) and
    2**31 for PWG 5106.3 counters.
    """

    name: str
    unit: str
    value: int
    wraps_at: int = 2**32


@dataclass(frozen=True, slots=True)
class Remark:
    """Something about the answers that a careful reader should know: where (a cell or a row), and what was odd."""

    where: str
    what: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One poll of one printer (one hrDeviceIndex at one address), decoded.

    ``at``: when the answer came, UTC. ``address``: as the settings name it, ``host`` or ``host:port``.
    ``pages_per_minute``: the fastest media path in impressions or sheets a minute, None if the printer does not say.
    ``errors``: labels of hrPrinterDetectedErrorState bits (RFC 2790), e.g. lowToner, overduePreventMaint.
    """

    at: datetime
    address: str
    device_index: int
    system: System
    name: str = ""
    model: str = ""
    serial: str = ""
    mac: str = ""
    device_status: str | None = None
    printer_status: str | None = None
    errors: frozenset[str] = frozenset()
    config_changes: int | None = None
    critical_events: int | None = None
    all_events: int | None = None
    pages_per_minute: float | None = None
    markers: tuple[Marker, ...] = ()
    supplies: tuple[Supply, ...] = ()
    trays: tuple[Tray, ...] = ()
    bins: tuple[Bin, ...] = ()
    covers: tuple[Cover, ...] = ()
    console: tuple[str, ...] = ()
    lights: tuple[Light, ...] = ()
    alerts: tuple[Alert, ...] = ()
    counters: tuple[Counter, ...] = ()
    remarks: tuple[Remark, ...] = ()
