"""What waits to be written. Polling goes on when the store cannot be written; this is where the readings wait.

While nothing can be written, memory stays bounded (``limit`` contacts) and as little as possible is lost:

1. Contacts of a printer between the first and the last of a stretch in which nothing changed are left out. The runs
   that the store makes of the rest are the same, so nothing is lost by that.
2. Over the limit, contacts that changed nothing but the status go, the oldest first.
3. Then those that are neither the first nor the last that wait for their printer, the oldest first.
4. Then the oldest.

Alarm records are kept once a key, the latest, with the record that the store held before the first of them: what
somebody else changed meanwhile is not overwritten (``Store.commit``). Messages are kept once a dedupe key; ledger
entries all, up to the limit.
"""

from __future__ import annotations

import threading
import uuid
from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Protocol

from agent.model.alarm import AlarmRecord, Message
from agent.model.contact import Contact
from agent.model.fleet import LedgerEntry
from agent.store.errors import StoreError, StoreRejected
from agent.store.snapshot import same_status
from agent.store.store import Committed

_ROUNDS = 20
"""So many contacts of one printer are written one after the other, the quick way; more of them at once."""
_AT_ONCE = 1_000
"""Contacts in one transaction. The first ones of a large fleet come all together, and the rows made of each take many
times the room of what is kept of it afterwards: room that the process would never quite get rid of again."""


class Sink(Protocol):
    """The part of the store that a buffer writes to."""

    def commit(
        self,
        batch: Sequence[Contact] = (),
        alarms: Sequence[AlarmRecord] = (),
        ledger: Sequence[LedgerEntry] = (),
        messages: Sequence[Message] = (),
        *,
        gone: Collection[str] = (),
        bases: Mapping[str, AlarmRecord | None] | None = None,
        token: str | None = None,
    ) -> Committed:
        """See ``Store.commit``."""


@dataclass(frozen=True, slots=True)
class Flushed:
    """What one flush did. ``done``: nothing waits any more. ``stale``: see ``Committed``."""

    done: bool
    stale: tuple[str, ...] = ()


@dataclass(slots=True)
class _Parcel:
    """What is written in one transaction. It is not changed any more, so that its token stands for its contents."""

    contacts: list[Contact] = field(default_factory=list)
    alarms: list[AlarmRecord] = field(default_factory=list)
    ledger: list[LedgerEntry] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    gone: frozenset[str] = frozenset()
    bases: dict[str, AlarmRecord | None] = field(default_factory=dict)
    token: str = field(default_factory=lambda: uuid.uuid4().hex)

    def pieces(self) -> list[_Parcel]:
        """One parcel for each thing in this one."""
        return [
            *(_Parcel(contacts=[one]) for one in self.contacts),
            *(_Parcel(ledger=[one]) for one in self.ledger),
            *(_Parcel(alarms=[one], bases=self._base(one.key)) for one in self.alarms),
            *(_Parcel(messages=[one]) for one in self.messages),
            *(_Parcel(gone=frozenset({key}), bases=self._base(key)) for key in sorted(self.gone)),
        ]

    def _base(self, key: str) -> dict[str, AlarmRecord | None]:
        return {key: self.bases[key]} if key in self.bases else {}


def _together(pieces: Iterable[_Parcel]) -> _Parcel:
    whole = _Parcel()
    for piece in pieces:
        whole.contacts += piece.contacts
        whole.alarms += piece.alarms
        whole.ledger += piece.ledger
        whole.messages += piece.messages
        whole.gone |= piece.gone
        whole.bases |= piece.bases
    return whole


class Buffer:
    """A bounded queue in front of a store. ``offer`` and ``flush`` may be called from different threads.

    ``gap``: as in ``Store.open``.
    """

    def __init__(self, store: Sink, *, limit: int = 20_000, gap: timedelta = timedelta(hours=26)) -> None:
        self._store = store
        self._limit = limit
        self._gap = gap
        self._lock = threading.Lock()
        self._one_at_a_time = threading.Lock()
        self._parcels: deque[_Parcel] = deque()
        self._waiting: dict[int, list[Contact]] = {}
        self._rest = _Parcel()
        self._count = 0
        self._dropped = 0
        self._rejected = 0
        self._failing_since: datetime | None = None
        self._last_error = ""
        self._last_rejection = ""
        self._failures = 0

    @property
    def limit(self) -> int:
        """How many contacts may wait."""
        return self._limit

    @property
    def depth(self) -> int:
        """How many contacts wait."""
        with self._lock:
            return self._depth()

    @property
    def empty(self) -> bool:
        """Whether nothing waits, nor is being written."""
        with self._lock:
            rest = self._rest
            waits = rest.alarms or rest.ledger or rest.messages or rest.gone
            return not (self._count or self._parcels or waits)

    @property
    def dropped(self) -> int:
        """How many contacts and ledger entries were lost to a full buffer so far."""
        return self._dropped

    @property
    def rejected(self) -> int:
        """How many things the store would not take, whatever its state, so far."""
        return self._rejected

    @property
    def failures(self) -> int:
        """How many writes failed so far."""
        return self._failures

    @property
    def last_rejection(self) -> str:
        """What was wrong with the latest thing that the store would not take; empty if there was none."""
        return self._last_rejection

    @property
    def failing_since(self) -> datetime | None:
        """Since when nothing can be written; None while writing works."""
        return self._failing_since

    @property
    def last_error(self) -> str:
        """Why the latest write failed; empty while writing works. It never holds a secret."""
        return self._last_error

    def offer(
        self,
        batch: Sequence[Contact] = (),
        alarms: Sequence[AlarmRecord] = (),
        ledger: Sequence[LedgerEntry] = (),
        messages: Sequence[Message] = (),
        *,
        gone: Collection[str] = (),
        bases: Mapping[str, AlarmRecord | None] | None = None,
    ) -> None:
        """Take what is to be written; never blocks on the store. Contacts of one printer come in order of time.

        ``bases``: what each alarm record was made of; see ``Store.commit``.
        """
        with self._lock:
            for contact in batch:
                self._take(contact)
            rest = self._rest
            rest.ledger += ledger
            known = {message.dedupe_key for message in rest.messages}
            rest.messages += [message for message in messages if message.dedupe_key not in known]
            if alarms or gone:
                latest = {record.key: record for record in [*rest.alarms, *alarms]}
                rest.alarms = [record for key, record in latest.items() if key not in gone]
                rest.gone = (rest.gone - {record.key for record in alarms}) | frozenset(gone)
                rest.bases = {**(bases or {}), **rest.bases}
            if self._depth() > self._limit:
                self._shrink()
            surplus = len(rest.ledger) - self._limit
            if surplus > 0:
                del rest.ledger[:surplus]
                self._dropped += surplus

    def flush(self, now: datetime) -> Flushed:
        """Write all that waits. A failure of the store is not raised: it is told by ``failing_since``."""
        stale: list[str] = []
        with self._one_at_a_time:
            while (parcel := self._next()) is not None:
                try:
                    stale += self._write(parcel).stale
                except StoreRejected as error:
                    if not self._salvage(parcel, error, now):
                        return Flushed(False, tuple(stale))
                except StoreError as error:
                    self._fail(error, now)
                    return Flushed(False, tuple(stale))
                else:
                    with self._lock:
                        self._parcels.popleft()
            with self._lock:
                self._failing_since, self._last_error = None, ""
        return Flushed(True, tuple(stale))

    # --- inside -------------------------------------------------------------------------------------------------

    def _write(self, parcel: _Parcel) -> Committed:
        return self._store.commit(
            parcel.contacts,
            parcel.alarms,
            parcel.ledger,
            parcel.messages,
            gone=parcel.gone,
            bases=parcel.bases,
            token=parcel.token,
        )

    def _fail(self, error: StoreError, now: datetime) -> None:
        with self._lock:
            self._failing_since = self._failing_since or now
            self._last_error = str(error)
            self._failures += 1

    def _depth(self) -> int:
        return self._count + sum(len(parcel.contacts) for parcel in self._parcels)

    def _take(self, contact: Contact) -> None:
        if contact.ledger:
            self._rest.ledger += contact.ledger
            contact = replace(contact, ledger=())
        before = self._waiting.setdefault(contact.printer_id, [])
        if (
            len(before) >= 2
            and before[-2].at < before[-1].at < contact.at <= before[-2].at + self._gap
            and _same(before[-2], before[-1])
            and _same(before[-1], contact)
        ):
            before[-1] = contact
            return
        before.append(contact)
        self._count += 1

    def _next(self) -> _Parcel | None:
        """The parcel to write next: the first contact of each printer, then the second of each, and so on."""
        with self._lock:
            if not self._parcels:
                self._seal()
            return self._parcels[0] if self._parcels else None

    def _seal(self) -> None:
        rounds = min(_ROUNDS, max(map(len, self._waiting.values()), default=0))
        turns: list[list[Contact]] = [[] for _ in range(rounds)]
        for contacts in self._waiting.values():
            for place, contact in enumerate(contacts):
                turns[min(place, rounds - 1)].append(contact)
        made = [
            _Parcel(contacts=turn[start : start + _AT_ONCE])
            for turn in turns
            for start in range(0, len(turn), _AT_ONCE)
        ]
        rest = self._rest
        if rest.alarms or rest.ledger or rest.messages or rest.gone:
            if not made:
                made.append(_Parcel())
            made[-1] = replace(rest, contacts=made[-1].contacts)
        self._parcels.extend(made)
        self._waiting, self._rest, self._count = {}, _Parcel(), 0

    def _salvage(self, parcel: _Parcel, error: StoreRejected, now: datetime) -> bool:
        """Write all of a parcel but what the store will not take. False when the store failed on the way."""
        groups = [parcel.pieces()]
        failed: StoreError | None = None
        left: list[_Parcel] = []
        while groups:
            pieces = groups.pop()
            if failed is not None:
                left += pieces
                continue
            try:
                self._write(_together(pieces))
            except StoreRejected as why:
                if len(pieces) == 1:
                    self._rejected += 1
                    error = why
                else:
                    half = len(pieces) // 2
                    groups += [pieces[half:], pieces[:half]]
            except StoreError as why:
                failed = why
                left += pieces
        with self._lock:
            self._parcels.popleft()
            if left:
                self._parcels.appendleft(_together(left))
            self._last_rejection = str(error)
        if failed is not None:
            self._fail(failed, now)
        return failed is None

    def _shrink(self) -> None:
        """Make room: below the limit by a tenth, so that this is not done for each contact."""
        room = max(0, self._limit - self._limit // 10 - (self._depth() - self._count))
        for droppable in (_status_only, _in_between, _any):
            if self._count <= room:
                return
            found = [
                (contact.at, printer_id, place)
                for printer_id, contacts in self._waiting.items()
                for place, contact in enumerate(contacts)
                if droppable(contacts, place)
            ]
            found.sort()
            gone: dict[int, set[int]] = {}
            for _, printer_id, place in found[: self._count - room]:
                gone.setdefault(printer_id, set()).add(place)
            for printer_id, places in gone.items():
                kept = [one for place, one in enumerate(self._waiting[printer_id]) if place not in places]
                self._waiting[printer_id] = kept
                self._count -= len(places)
                self._dropped += len(places)


def _same(one: Contact, other: Contact) -> bool:
    """Whether the store would make one run of everything in these two."""
    if one.reachable != other.reachable or one.failure != other.failure:
        return False
    if one.reading is None or other.reading is None:
        return one.reading is other.reading
    return _same_values(one, other) and same_status(one.reading, other.reading)


def _same_values(one: Contact, other: Contact) -> bool:
    if one.reading is None or other.reading is None:
        return one.reading is other.reading and one.reachable == other.reachable
    return one.reading.supplies == other.reading.supplies and one.reading.counters == other.reading.counters


def _status_only(contacts: list[Contact], place: int) -> bool:
    return _in_between(contacts, place) and _same_values(contacts[place - 1], contacts[place])


def _in_between(contacts: list[Contact], place: int) -> bool:
    return 0 < place < len(contacts) - 1


def _any(_contacts: list[Contact], _place: int) -> bool:
    return True
