"""Printers as the agent knows them over time, and what it has noticed about them."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import TypeVar

from agent.model.reading import Amount, Reading

Scalar = str | int | float | bool | None
_NOTHING: Mapping[str, Scalar] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Place:
    """Where a printer stands, as the settings say. ``zone`` is an IANA time zone name; days are reckoned in it."""

    site: str = ""
    building: str = ""
    floor: str = ""
    room: str = ""
    zone: str = "UTC"

    def __str__(self) -> str:
        return ", ".join(part for part in (self.site, self.building, self.floor, self.room) if part)


@dataclass(frozen=True, slots=True)
class Printer:
    """A printer with a history. ``id`` is the store's; ``address`` and ``device_index`` are where it was last met."""

    id: int
    name: str
    address: str
    device_index: int = 1
    serial: str = ""
    mac: str = ""
    model: str = ""
    place: Place = Place()
    tags: tuple[str, ...] = ()
    first_seen: datetime | None = None
    retired: datetime | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the agent worked out about one printer at one moment.

    ``kind`` is a short fixed word (``counterReset``, ``counterJump``, ``moved``, ``exchanged``, ``swapSeen`` ...),
    ``subject`` the part it is about (``toner:cyan``, ``life``), ``text`` one sentence for a person.
    """

    kind: str
    at: datetime
    subject: str
    text: str
    data: Mapping[str, Scalar] = field(default_factory=lambda: _NOTHING)


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One line of the ledger: everything that was done or noticed. Entries are never changed or erased.

    ``id`` is None until the store has written it. ``printer_id`` is None for what concerns the agent itself.
    ``who`` is ``lowmark`` or the person who did it.
    """

    at: datetime
    kind: str
    text: str
    printer_id: int | None = None
    subject: str = ""
    who: str = "lowmark"
    data: Mapping[str, Scalar] = field(default_factory=lambda: _NOTHING)
    id: int | None = None


@dataclass(frozen=True, slots=True)
class PrinterView:
    """What is known about one printer at the moment of judging.

    ``reachable`` and ``since``: the present run of contact or of silence and when it began. ``reading`` is the last
    one that succeeded, however old. ``findings`` are those of this sweep only.
    """

    printer: Printer
    reading: Reading | None
    reachable: bool
    since: datetime
    findings: tuple[Finding, ...] = ()


# --- history, as the store hands it out -------------------------------------------------------------------------

P = TypeVar("P")


class Dated(tuple[P, ...]):  # noqa: SLOT001 - a tuple takes no slots but empty ones
    """The points of a track, with their moments in POSIX seconds besides.

    Whoever reckons needs moments as numbers, and who read them from a database had them so: of hundreds of points it
    takes a good part of all the reckoning to make them of ``at`` again. A slice of it, or a sum, is a mere tuple.
    """

    stamps: array[float]

    @classmethod
    def of(cls, points: Iterable[P], stamps: Iterable[float]) -> Dated[P]:
        """These points at these moments, one for each (ValueError otherwise)."""
        made = cls(points)
        made.stamps = array("d", stamps)
        if len(made) != len(made.stamps):
            raise ValueError(f"{len(made)} points, but {len(made.stamps)} moments")
        return made


@dataclass(frozen=True, slots=True)
class LevelPoint:
    """From ``at`` on (until the next point) the supply showed this level and capacity."""

    at: datetime
    level: Amount
    capacity: Amount


@dataclass(frozen=True, slots=True)
class SupplyTrack:
    """The history of one supply position of one printer: a step function, points in order of time."""

    key: str
    kind: str
    supply_class: str
    colorant: str | None
    unit: str
    description: str
    points: tuple[LevelPoint, ...]


@dataclass(frozen=True, slots=True)
class CountPoint:
    """From ``at`` on (until the next point) the counter showed ``value``."""

    at: datetime
    value: int


@dataclass(frozen=True, slots=True)
class CounterTrack:
    """The history of one counter of one printer (see ``Counter`` for names and ``wraps_at``)."""

    name: str
    unit: str
    wraps_at: int
    points: tuple[CountPoint, ...]


@dataclass(frozen=True, slots=True)
class ContactRun:
    """From ``first`` to ``last`` every attempt had the same outcome. Between runs nobody asked."""

    first: datetime
    last: datetime
    reachable: bool


@dataclass(frozen=True, slots=True)
class PrinterHistory:
    """All that the store knows about one printer between two moments."""

    printer: Printer
    contacts: tuple[ContactRun, ...]
    supplies: tuple[SupplyTrack, ...]
    counters: tuple[CounterTrack, ...]
    ledger: tuple[LedgerEntry, ...] = ()
