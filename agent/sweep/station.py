"""Where to ask: one address of the settings, and how its asking goes.

A station that answers is asked at every sweep. One that is silent is asked at every sweep too for a while, since most
silences are short; then less and less often, so that a printer switched off for the summer costs nearly nothing:

    silent for        asked
    < 10 min          at every sweep
    10 min and more   every tenth part of the silence so far, at most once in an hour

An address out of a range that has never answered is not missed by anybody: it is asked once in a quarter of an hour
at most, which is also how a new printer in that range is found.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from agent.mib.oddities import Oddity
from agent.mib.parts import Memory
from agent.model.fleet import Place
from agent.model.wire import Peer

PATIENCE = timedelta(minutes=10)
LONGEST_PAUSE = timedelta(hours=1)
EMPTY_PAUSE = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class Stop:
    """What the settings say of one address. ``expected`` is False for an address that came out of a range.

    ``device``: the one hrDeviceIndex wanted, or None for every printer behind the address.
    """

    peer: Peer
    name: str = ""
    place: Place = field(default_factory=Place)
    tags: tuple[str, ...] = ()
    device: int | None = None
    named_oddities: tuple[str, ...] = ()
    expected: bool = True


@dataclass(slots=True)
class Station:
    """A stop and how its asking went. Changed by the sweep only. ``printers``: the store's ids of those found here."""

    stop: Stop
    silent_since: datetime | None = None
    next_try: datetime | None = None
    full_at: datetime | None = None
    answered_ever: bool = False
    no_printer: bool = False
    failure: str = ""
    printers: frozenset[int] = field(default_factory=frozenset)
    chosen: tuple[object, tuple[Oddity, ...]] | None = None  # sysObjectID -> the oddities that go with it
    decoded: tuple[Memory, ...] = ()  # of each printer here what its last reading was made of
    address: str = field(init=False)  # made once: all readings from here bear it

    def __post_init__(self) -> None:
        self.address = self.stop.peer.address

    def due(self, now: datetime) -> bool:
        """Whether this sweep should ask here."""
        return self.next_try is None or now >= self.next_try

    def wants_full(self, now: datetime, every: timedelta) -> bool:
        """Whether the slow, whole reading is due."""
        return self.full_at is None or now - self.full_at >= every

    def answered(self, now: datetime, *, full: bool, is_printer: bool) -> None:
        """It answered, as a printer or as something else."""
        self.silent_since = None
        self.answered_ever = True
        self.no_printer = not is_printer
        self.next_try = None if is_printer else now + EMPTY_PAUSE
        self.failure = ""
        if full:
            self.full_at = now

    def failed(self, now: datetime, text: str) -> None:
        """It did not answer, or not usefully."""
        if self.silent_since is None:
            self.silent_since = now
        self.failure = text
        self.full_at = None
        self.next_try = self._after(now - self.silent_since, now)

    def heard(self) -> None:
        """Something was heard from it (a notification, a service logged): ask at the next chance."""
        self.next_try = None

    def _after(self, silence: timedelta, now: datetime) -> datetime | None:
        if not self.stop.expected and not self.answered_ever:
            return now + EMPTY_PAUSE
        if silence < PATIENCE:
            return None
        return now + min(LONGEST_PAUSE, silence / 10)
