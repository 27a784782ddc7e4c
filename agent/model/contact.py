"""What the store takes in, one attempt at one printer at a time, and what it hands back to start again with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from agent.model.fleet import LedgerEntry
from agent.model.reading import Alert, Amount, Reading


@dataclass(frozen=True, slots=True)
class Contact:
    """One attempt at one printer.

    ``reading`` is what it answered; None where it did not (``failure`` is then the short reason of the wire, such as
    ``silent`` or ``denied``, and ``error`` its sentence). ``ledger``: what was noticed at this attempt; it is written
    in the same transaction.
    """

    at: datetime
    printer_id: int
    reachable: bool
    reading: Reading | None = None
    failure: str | None = None
    error: str = ""
    ledger: tuple[LedgerEntry, ...] = ()


@dataclass(frozen=True, slots=True)
class SeenSupply:
    """One supply as a row of an import tells it; see ``Supply`` for the words."""

    key: str
    kind: str
    supply_class: str
    colorant: str | None
    unit: str
    capacity: Amount
    level: Amount


@dataclass(frozen=True, slots=True)
class Observation:
    """What is known of one printer at one moment from elsewhere than a poll. ``impressions``: the life counter."""

    at: datetime
    printer_id: int
    supplies: tuple[SeenSupply, ...] = ()
    impressions: int | None = None


@dataclass(frozen=True, slots=True)
class ContactState:
    """The present run of contact or of silence of one printer.

    ``since``: when the run began; ``last``: the latest attempt; ``answered``: the latest attempt that was answered.
    ``failure`` and ``error`` are those of the latest attempt when it failed.
    """

    printer_id: int
    reachable: bool
    since: datetime
    last: datetime
    answered: datetime | None
    failure: str | None = None
    error: str = ""


@dataclass(frozen=True, slots=True)
class StatusPoint:
    """From ``at`` on (until the next point) the printer showed this. Labels as in ``Reading``."""

    at: datetime
    device_status: str | None
    printer_status: str | None
    errors: frozenset[str]
    console: tuple[str, ...]
    alerts: tuple[Alert, ...]
