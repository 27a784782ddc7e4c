"""What the sweep needs of the wire and the store, what it hands over, and how it tells how it went."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from agent.model.alarm import AlarmRecord, Message
from agent.model.contact import Contact
from agent.model.fleet import LedgerEntry, Printer
from agent.model.wire import Answers, Peer, Traffic


class Reads(Protocol):
    """The wire, as the sweep needs it."""

    async def read(self, peer: Peer, *, full: bool = False) -> Answers:
        """All that the peer answers. Raises WireError."""
        ...


@dataclass(frozen=True, slots=True)
class Work:
    """What one batch brought, to be written in one transaction. ``gone``: keys of alarm records to take out.

    ``bases``: what each alarm record was made of, by key; None where there was none.
    """

    contacts: tuple[Contact, ...] = ()
    alarms: tuple[AlarmRecord, ...] = ()
    ledger: tuple[LedgerEntry, ...] = ()
    messages: tuple[Message, ...] = ()
    gone: tuple[str, ...] = ()
    bases: Mapping[str, AlarmRecord | None] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.contacts or self.alarms or self.ledger or self.messages or self.gone)


Newcomer = tuple[Printer, Sequence[LedgerEntry]]
"""A printer to be saved, and what the ledger says about it (``printer_id`` 0: about this one)."""


class Records(Protocol):
    """The store, as the sweep needs it."""

    def offer(self, work: Work) -> None:
        """Take it over, at once; it will be written, now or when the store is well again."""
        ...

    async def register(self, newcomers: Sequence[Newcomer]) -> list[Printer] | None:
        """Save printers with their ledger entries in one transaction, and give new ones their ids.

        None: the store cannot be written now; try at the next sweep.
        """
        ...


@dataclass(slots=True)
class Report:
    """How one sweep went. ``asked`` stations of ``stations``; ``resting``: long silent, not asked this time."""

    at: datetime
    stations: int = 0
    asked: int = 0
    answered: int = 0
    printers: int = 0
    resting: int = 0
    no_printer: int = 0
    full: int = 0
    failures: dict[str, int] = field(default_factory=dict)
    requests: int = 0
    retries: int = 0
    timeouts: int = 0
    seconds: float = 0.0
    slowest: float = 0.0

    def count(self, traffic: Traffic) -> None:
        """Add what one reading cost."""
        self.requests += traffic.requests
        self.retries += traffic.retries
        self.timeouts += traffic.timeouts
        self.slowest = max(self.slowest, traffic.seconds)
