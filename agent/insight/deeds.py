"""What was done to a printer, out of its ledger: services, and swaps of supplies, each once.

A swap may stand in the ledger twice: seen by Lowmark (``swapSeen``) and logged by a person (``service``, ``swapped``).
The two are one deed when they are about the same supply of the same printer within three days; for parts whose counter
is set back by hand (drums, fusers ...) also when the printer shows the new part up to thirty days after the entry.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from agent.insight.logbook import holding
from agent.model.fleet import LedgerEntry
from agent.model.insight import Life

SERVICE = "service"
SWAPPED = "swapped"
SWAP_SEEN = "swapSeen"
LOGGED = frozenset({SERVICE, SWAPPED, "swap"})
KINDS = frozenset({*LOGGED, SWAP_SEEN})
SAME = timedelta(days=3)
"""How far a log entry may be from what was seen and still be about the same swap (common practice, no source)."""
LATE = timedelta(days=30)
"""Counters of drums, fusers and kits are set back by hand, at times long after the work (common practice)."""
SET_BACK = ("opc", "fuser", "transferUnit", "cleanerUnit", "developer", "coronaWire", "other")
"""Parts (the beginnings of their keys) whose counter is set back by hand."""
SURE = 0.8
"""A life whose beginning is less sure than this is no swap here."""


@dataclass(frozen=True, slots=True)
class Swap:
    """A supply exchanged. ``at``: the earlier of seen and logged. ``logged``: by a person; ``entries``: their ids.

    ``part``, ``place``: what the entry says was taken, and from where; empty where it does not say. ``from_shelf``
    False: the entry says that it was not taken from the shelf, or that a plan already counts it.
    """

    printer_id: int
    supply: str
    at: datetime
    seen: bool
    logged: bool
    part: str = ""
    place: str = ""
    from_shelf: bool = True
    who: str = ""


@dataclass(frozen=True, slots=True)
class Service:
    """One thing done to a printer. ``subject``: a plan's name or a supply's key.

    ``count``: the counter that was logged, if any.
    """

    printer_id: int
    subject: str
    at: datetime
    count: int | None
    who: str
    place: str = ""
    from_shelf: bool = True


def services(entries: Iterable[LedgerEntry], until: datetime) -> list[Service]:
    """What services did up to a moment, each deed by itself, in order of time; without what was taken back."""
    made = [
        Service(
            entry.printer_id,
            entry.subject,
            entry.at,
            _count(entry),
            entry.who,
            _text(entry, "place"),
            entry.data.get("fromShelf") is not False,
        )
        for entry in holding(entries, until)
        if entry.kind == SERVICE and entry.printer_id is not None and entry.at <= until
    ]
    return sorted(made, key=lambda one: one.at)


def swaps(
    entries: Iterable[LedgerEntry],
    until: datetime,
    lives: Iterable[tuple[int, Life]] = (),
    *,
    plans: Sequence[str] = (),
) -> list[Swap]:
    """The swaps up to a moment, each once, in order of time.

    ``lives``: pairs of printer id and life; a life that began before our eyes is a swap seen, whether or not the ledger
    says so. ``plans``: names of plans: a service of one of these is no swap of a supply by itself.
    """
    entries = [one for one in holding(entries, until) if one.printer_id is not None and one.at <= until]
    logged = [_logged(one) for one in entries if one.kind in LOGGED and one.subject not in plans]
    seen = [
        Swap(one.printer_id or 0, one.subject, one.at, seen=True, logged=False)
        for one in entries
        if one.kind == SWAP_SEEN
    ]
    for printer_id, life in lives:
        if life.fitted is not None and life.fitted <= until and life.sure >= SURE:
            seen.append(Swap(printer_id, life.supply, life.fitted, seen=True, logged=False))
    made = _once(sorted(logged, key=lambda one: one.at), _melt(seen))
    return sorted(made, key=lambda one: (one.at, one.printer_id, one.supply))


def _logged(entry: LedgerEntry) -> Swap:
    return Swap(
        entry.printer_id or 0,
        entry.subject,
        entry.at,
        seen=False,
        logged=True,
        part=_text(entry, "part"),
        place=_text(entry, "place"),
        from_shelf=entry.data.get("fromShelf") is not False and not entry.data.get("plan"),
        who=entry.who,
    )


def _melt(seen: Iterable[Swap]) -> list[Swap]:
    """Swaps seen, in order of time; the same one seen twice (in the ledger and as a life) only once."""
    made: dict[tuple[int, str], list[Swap]] = {}
    for one in sorted(seen, key=lambda swap: swap.at):
        known = made.setdefault((one.printer_id, one.supply), [])
        if not known or one.at - known[-1].at > timedelta(hours=30):
            known.append(one)
    return sorted((one for known in made.values() for one in known), key=lambda swap: swap.at)


def _once(logged: Iterable[Swap], seen: Iterable[Swap]) -> list[Swap]:
    """Each swap once: what was logged paired with what was seen."""
    groups: dict[tuple[int, str], tuple[list[Swap], list[Swap]]] = {}
    for which, some in enumerate((logged, seen)):
        for one in some:
            groups.setdefault((one.printer_id, one.supply), ([], []))[which].append(one)
    return [swap for group in groups.values() for swap in _pair(*group)]


def _pair(logged: list[Swap], seen: list[Swap]) -> list[Swap]:
    """The swaps of one supply, both lists in order of time; the nearest of logged and seen belong together."""
    pairs = sorted(
        (abs(one.at - other.at), at, where)
        for at, one in enumerate(logged)
        for where, other in enumerate(seen)
        if abs(one.at - other.at) <= SAME
    )
    if logged and logged[0].supply.startswith(SET_BACK):
        pairs += sorted(
            (other.at - one.at, at, where)
            for at, one in enumerate(logged)
            for where, other in enumerate(seen)
            if SAME < other.at - one.at <= LATE
        )
    taken: dict[int, int] = {}
    for _, at, where in pairs:
        if at not in taken and where not in taken.values():
            taken[at] = where
    made: list[Swap] = []
    for at, one in enumerate(logged):
        whole = replace(one, at=min(one.at, seen[taken[at]].at), seen=True) if at in taken else one
        # A service and the swap that it wrote besides are one; so are two entries within the hour.
        if made and not (made[-1].seen and whole.seen) and abs(one.at - logged[at - 1].at) <= timedelta(hours=1):
            made[-1] = _join(made[-1], whole)
        else:
            made.append(whole)
    return made + [one for where, one in enumerate(seen) if where not in taken.values()]


def _join(one: Swap, other: Swap) -> Swap:
    return replace(
        one,
        at=min(one.at, other.at),
        seen=one.seen or other.seen,
        part=one.part or other.part,
        place=one.place or other.place,
        from_shelf=one.from_shelf and other.from_shelf,
    )


def _text(entry: LedgerEntry, key: str) -> str:
    found = entry.data.get(key)
    return found if isinstance(found, str) else ""


def _count(entry: LedgerEntry) -> int | None:
    found = entry.data.get("counter")
    return found if isinstance(found, int) and not isinstance(found, bool) and found >= 0 else None
