"""The history that the fleet leaves behind, as the contacts that an agent would have recorded."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import timedelta

from agent.mib import plan
from agent.mib.decode import decode
from agent.mib.oddities import Oddity, choose
from agent.model.contact import Contact
from agent.model.reading import Reading
from agent.rehearsal.face import PRT
from agent.rehearsal.fleet import Address, Seen
from agent.rehearsal.wear import Worn

_SILENT = "No answer within the deadline."


def thinned(seen: Iterable[Seen], longest: timedelta = timedelta(hours=12)) -> Iterator[Seen]:
    """Leave out what only repeats the look before, but keep the last of each stretch, and one every ``longest``.

    What comes out tells the same step function and the same runs of contact, printer by printer in order of time.
    """
    waiting: dict[str, Seen] = {}
    kept: dict[str, Seen] = {}
    for one in seen:
        name = one.printer.who.name
        last = kept.get(name)
        same = last is not None and last.reachable == one.reachable and one.cells is None
        if same and last is not None and one.at - last.at < longest:
            waiting[name] = one
            continue
        before = waiting.pop(name, None)
        if before is not None and before.reachable != one.reachable:
            yield before
        kept[name] = one
        yield one
    yield from waiting.values()


def contacts(
    seen: Iterable[Seen],
    id_of: Callable[[Worn, Reading], int],
    oddities: Sequence[Oddity] = (),
) -> Iterator[Contact]:
    """Decode what was seen into contacts ready for the store.

    ``id_of`` gives the store's id for a printer; it is called once for each, with its first reading. Silences before
    the first answer of a printer are left out, since nobody knows it yet. ``oddities``: all known ones.
    """
    ids: dict[str, int] = {}
    latest: dict[str, Reading] = {}
    kept: dict[str, frozenset[str]] = {}
    for one in seen:
        name = one.printer.who.name
        if not one.reachable:
            if name in ids:
                yield Contact(one.at, ids[name], reachable=False, failure="silent", error=_SILENT)
            continue
        if one.cells is not None:
            if name not in kept:
                kept[name] = frozenset(plan.keep(one.cells))
            latest[name] = _decoded(one, kept[name], oddities)
        elif name in latest:
            latest[name] = replace(latest[name], at=one.at)
        else:
            continue
        if name not in ids:
            ids[name] = id_of(one.printer, latest[name])
        yield Contact(one.at, ids[name], reachable=True, reading=latest[name])


def _decoded(one: Seen, kept: frozenset[str], oddities: Sequence[Oddity]) -> Reading:
    """Of all cells an agent asks for those that it keeps, and for the alerts, whose rows come and go."""
    who = one.printer.who
    alerts = f"{PRT}.18."
    cells = {oid: cell for oid, cell in (one.cells or {}).items() if oid in kept or oid.startswith(alerts)}
    return decode(
        cells,
        at=one.at,
        address=str(Address(who.host, who.port)),
        device_index=who.device_index,
        oddities=choose(oddities, one.printer.kind.object_id),
    )
