"""The reader: knows of each printer which cells it has, and asks for just these.

At first contact the tables are walked; afterwards the cells that the decoder looks at are asked for by name, and only
the alert table, whose rows come and go, is walked each time. The tables are learnt afresh when the printer says or
shows that they have changed (``agent.mib.plan.must_learn_again``), and once a day.
"""

from __future__ import annotations

import asyncio
import dataclasses
from collections import OrderedDict
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from agent.mib import plan
from agent.mib.decode import devices
from agent.model.probe import Probe
from agent.model.wire import Answers, Cells, Denied, Garbled, Peer, Silent, Value, WireError
from agent.snmp.addresses import Resolver
from agent.snmp.alike import alike
from agent.snmp.held import Held, shape_of
from agent.snmp.visit import Lanes, Pass, Visit
from agent.snmp.walk import Harvest, stretches, walk, walk_all
from agent.snmp.wire import CellFault, Dropped, Engine, Limits, Rows, TooBig

_SCALARS = [f"{root.oid}.0" for root in plan.SCALAR_ROOTS]
_PROBE_SCALARS = [f"{oid}.0" for oid in ("1.3.6.1.2.1.1.1", "1.3.6.1.2.1.1.2", "1.3.6.1.2.1.1.5")]
_TABLES = tuple(root for root in plan.TABLE_ROOTS if not root.volatile)
_TELLING = ("1.3.6.1.2.1.25.3.", "1.3.6.1.2.1.43.5.1.1.")
# What tells a printer is walked first, so that a server with hundreds of interfaces costs little.
_FIRST = stretches([root for root in _TABLES if root.oid.startswith(_TELLING)])
_OTHERS = stretches([root for root in _TABLES if not root.oid.startswith(_TELLING)])
(_ALERTS,) = stretches(plan.VOLATILE)
_PROBED = stretches([root for root in plan.PROBE if f"{root.oid}.0" not in _PROBE_SCALARS])
_ALERT_COLUMNS = len(plan.VOLATILE)
_MOST_ALERT_ROWS = 50  # cells of the alert table asked for at once
_IF_EMPTY = 2  # an alert table that was empty is mostly empty again
_NONE: frozenset[str] = frozenset()  # one for all: each empty set is an object of its own, and not a small one


class _Known:
    """What is kept of one peer between readings, in as little room as may be: there are thousands of them."""

    __slots__ = (
        "address",
        "cells",
        "devices",
        "learn",
        "learnt_at",
        "lock",
        "peer",
        "shape",
        "size",
        "stubborn",
        "suspect",
        "vanished",
        "volatile",
    )

    def __init__(self, peer: Peer, size: int) -> None:
        self.peer = peer
        self.lock = asyncio.Lock()
        self.address: Peer | None = None
        self.suspect = False  # it was silent the last time
        self.size = size  # cells a GET
        self.learn: str | None = "it is the first contact"
        self.learnt_at = 0.0
        self.stubborn = _NONE  # cells that show up in walks and not when asked for by name
        self.vanished = _NONE  # what went missing in the reading that led to learning afresh
        self.volatile = _ALERT_COLUMNS + _IF_EMPTY
        self.devices: tuple[int, ...] = ()
        self.put({})

    def put(self, cells: dict[str, Value]) -> None:
        """Take these as the cells to ask for from now on."""
        self.shape = shape_of(tuple(cells), self.size)
        self.cells = Held(self.shape, alike(cells.values()))

    def ask_for_less(self, size: int) -> None:
        """Put so many cells into a PDU from now on."""
        self.size = size
        self.shape = shape_of(self.shape.full, size)
        self.cells = Held(self.shape, self.cells.values())


class Reader:
    """Reads printers through ``engine``. One for the whole agent; safe to share between tasks of one event loop.

    ``clock`` gives the time that ``Answers.at`` carries.
    """

    def __init__(
        self,
        engine: Engine,
        limits: Limits = Limits(),  # noqa: B008 - it is frozen
        *,
        resolver: Resolver | None = None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.engine = engine
        self._limits = limits
        self._clock = clock
        self._resolver = resolver or Resolver(limits.resolve_seconds)
        self._lanes = Lanes(limits.in_flight)
        self._known: OrderedDict[Peer, _Known] = OrderedDict()

    async def read(self, peer: Peer, *, full: bool = False) -> Answers:
        """All that is known of the printer behind ``peer``, of which this reading refreshed the fast cells, or all.

        ``full`` asks for the slow cells too (names, capacities, serial numbers ...). Either way ``Answers.cells`` is
        whole.

        Raises:
            WireError: nothing could be read, and what it cost (``traffic``).
        """
        known = self._remember(peer)
        async with known.lock:
            lane = await self._lanes.enter(slow=known.suspect)
            self._lanes.hurry(lane)
            try:
                return await self._read(known, lane, full=full)
            finally:
                lane.leave()

    async def probe(self, peer: Peer) -> Probe:
        """What answers at ``peer``, in a few small requests (one, if nothing does). Failures are in the Probe."""
        lane = await self._lanes.enter(slow=False)
        cells: dict[str, Value] = {}
        answered = False
        failure: WireError | None = None
        visit: Visit | None = None
        try:
            address = (await self._addresses(peer))[0]
            visit = Visit(self.engine, address, lane, peer.deadline)
            harvest = Harvest(self._limits)
            cells, _ = await self._get(visit, None, _PROBE_SCALARS)
            answered = True
            harvest.cells.update(cells)
            await walk_all(visit, _PROBED, harvest, self._limits.repetitions)
            cells = harvest.cells
        except WireError as error:
            failure = self._in_their_words(peer, visit, error)
            answered = answered or isinstance(failure, Denied | Garbled | CellFault)
        finally:
            lane.leave()
            if visit is not None and peer not in self._known:
                await self.engine.forget(visit.peer)
        descr, object_id, name = (cells.get(oid, b"") for oid in _PROBE_SCALARS)
        return Probe(
            address=peer.address,
            answered=answered,
            descr=_readable(descr),
            object_id=object_id if isinstance(object_id, str) else "",
            name=_readable(name),
            devices=devices(cells),
            error=failure,
        )

    async def forget(self, peer: Peer) -> None:
        """Let go of everything kept for ``peer``; the next reading is a first contact."""
        known = self._known.pop(peer, None)
        if known is not None and known.address is not None:
            await self.engine.forget(known.address)
        self._resolver.forget(peer.host)

    async def close(self) -> None:
        """Close the engine."""
        self._known.clear()
        await self.engine.close()

    # --- one reading --------------------------------------------------------------------------------------------

    async def _read(self, known: _Known, lane: Pass, *, full: bool) -> Answers:
        visit: Visit | None = None
        peer = known.peer
        try:
            address = known.address
            if address is None or address.host != peer.host:  # a name: its address may have changed
                candidates = await self._addresses(peer)
                address = address if address in candidates else await self._first_to_answer(known, candidates, lane)
                known.address = address
            visit = Visit(self.engine, address, lane, peer.deadline)
            if (
                known.learn is None
                and asyncio.get_running_loop().time() - known.learnt_at > self._limits.relearn_seconds
            ):
                known.learn, known.stubborn = "a day has passed", _NONE
            if known.learn is None:
                answers = await self._ask(known, visit, full=full)
            if known.learn is not None:
                answers = await self._learn(known, visit)
        except WireError as error:
            failure = self._in_their_words(peer, visit, error)
            if isinstance(failure, Silent):
                known.suspect = True
                if known.address is not None and known.address.host != peer.host:
                    known.address = None
                    self._resolver.forget(peer.host)
            raise failure from error.__cause__
        known.suspect = False
        return answers

    async def _ask(self, known: _Known, visit: Visit, *, full: bool) -> Answers:
        """Ask for the known cells. Where they tell that the tables have changed, ``known.learn`` is set."""
        shape = known.shape
        asked, gets = (shape.full, shape.full_gets) if full else (shape.fast, shape.fast_gets)
        now: dict[str, Value] = {}
        fault: WireError | None = None
        told = await visit.together(gets, (_ALERTS.start, known.volatile))
        for place, chunk in enumerate(gets):
            ahead = told.of(place)
            if isinstance(ahead, dict):  # as nearly always
                now.update(ahead)
                continue
            try:
                now.update(await visit.get(chunk, ahead))
            except (CellFault, TooBig):
                found, fault = await self._get(visit, known, chunk)
                now.update(found)
        if not now and fault is not None:
            raise fault
        if len(now) == len(asked):  # nothing is missing, and looking at each of them takes its time
            known.learn = plan.must_learn_again(known.cells.telling(), now)
        else:
            known.learn = plan.must_learn_again(known.cells, now, asked)
        if known.learn is not None:
            known.vanished = frozenset(asked) - now.keys()
        known.cells = known.cells.having(now)
        harvest = await self._walk_alerts(known, visit, told.of_step(len(gets)))
        whole = {**known.cells, **harvest.cells} if harvest.cells else known.cells
        return self._answers(known, visit, whole, harvest, learnt=False)

    async def _walk_alerts(self, known: _Known, visit: Visit, ahead: Rows | WireError | None = None) -> Harvest:
        harvest = Harvest(self._limits)
        await walk(visit, _ALERTS, harvest, known.volatile, ahead)
        # As much as this time and one more row, so that one request is enough the next time, too.
        more = _ALERT_COLUMNS + _IF_EMPTY if harvest.cells else _IF_EMPTY
        known.volatile = min(_MOST_ALERT_ROWS, len(harvest.cells) + more)
        return harvest

    async def _learn(self, known: _Known, visit: Visit) -> Answers:
        """Walk the tables and remember which cells there are."""
        harvest = Harvest(self._limits)
        found, fault = await self._get(visit, known, _SCALARS)
        visit.extend(self._limits.walk_seconds)  # only now that something has answered
        if fault is not None and not found:
            raise fault
        for oid, value in found.items():
            harvest.take(oid, value)
        going = await walk_all(visit, _FIRST, harvest, self._limits.repetitions)
        known.devices = printers = devices(harvest.cells)
        if going and printers:
            await walk_all(visit, _OTHERS, harvest, self._limits.repetitions)
        if printers:
            known.stubborn = known.stubborn | (known.vanished & harvest.cells.keys()) or _NONE
            kept = {oid: harvest.cells[oid] for oid in plan.keep(harvest.cells) if oid not in known.stubborn}
        else:
            kept = dict(harvest.cells)
        known.vanished = _NONE
        known.put(kept)
        harvest.cells = {}
        if printers:
            alerts = await self._walk_alerts(known, visit)
            harvest.cells = alerts.cells
            harvest.truncated += alerts.truncated
        if not printers:
            known.learn = "no printer was found the last time"
        elif any(note.endswith("the time was over") for note in harvest.truncated):
            known.learn = "the time was over before all tables were walked"
        else:
            known.learn = None
        known.learnt_at = asyncio.get_running_loop().time()
        return self._answers(known, visit, kept | harvest.cells, harvest, learnt=True)

    def _answers(self, known: _Known, visit: Visit, cells: Cells, harvest: Harvest, *, learnt: bool) -> Answers:
        notes = [f"{plan.describe(oid)}: shows up in walks, but is not answered by name" for oid in known.stubborn]
        return Answers(
            at=self._clock(),
            cells=cells,
            devices=known.devices,
            traffic=visit.traffic(),
            learnt=learnt,
            truncated=(*harvest.truncated, *notes),
        )

    async def _get(
        self, visit: Visit, known: _Known | None, oids: Sequence[str]
    ) -> tuple[dict[str, Value], WireError | None]:
        """GET some cells, leaving out those at which the agent stumbles; also the last such stumble."""
        found: dict[str, Value] = {}
        fault: WireError | None = None
        waiting = [oids]
        while waiting:
            part = waiting.pop()
            try:
                found.update(await visit.get(part))
            except TooBig as failure:
                fault = failure
                half = len(part) // 2
                if half:
                    waiting += [part[half:], part[:half]]
                    if known is not None and half < known.size:
                        known.ask_for_less(half)
            except CellFault as failure:
                if failure.reason != "noSuchName":
                    fault = failure
                rest = [oid for oid in part if oid != failure.oid]
                if len(rest) == len(part):  # it did not say which
                    half = len(part) // 2
                    waiting += [part[half:], part[:half]] if half else []
                elif rest:
                    waiting.append(rest)
        return found, fault

    # --- whom to ask --------------------------------------------------------------------------------------------

    def _remember(self, peer: Peer) -> _Known:
        known = self._known.get(peer)
        if known is None:
            self._known[peer] = known = _Known(peer, self._limits.varbinds)
            if len(self._known) > self._limits.peers:
                self._known.popitem(last=False)
        else:
            self._known.move_to_end(peer)
        return known

    async def _addresses(self, peer: Peer) -> list[Peer]:
        hosts = await self._resolver.resolve(peer.host, peer.deadline)
        return [peer if host == peer.host else dataclasses.replace(peer, host=host) for host in hosts]

    async def _first_to_answer(self, known: _Known, candidates: list[Peer], lane: Pass) -> Peer:
        """Of several addresses of one name the first at which something answers; the last one if none does."""
        if known.address is not None:
            known.learn = "its name has another address"
        for candidate in candidates[:-1]:
            visit = Visit(self.engine, candidate, lane, known.peer.deadline / len(candidates))
            try:
                await self._get(visit, None, _SCALARS[:1])
            except Silent:
                await self.engine.forget(candidate)
            except WireError:
                return candidate
            else:
                return candidate
        return candidates[-1]

    @staticmethod
    def _in_their_words(peer: Peer, visit: Visit | None, error: WireError) -> WireError:
        """The failure with the printer's own name and with what it cost."""
        text = str(error)
        if visit is not None and visit.peer.address != peer.address:
            text = text.replace(visit.peer.address, f"{peer.address} ({visit.peer.host})", 1)
        if isinstance(error, Dropped):
            failure: WireError = Denied(text)
        else:
            failure = type(error)(text)
        if visit is not None:
            failure.traffic = visit.traffic()
        return failure


def _readable(value: Value) -> str:
    if isinstance(value, bytes):
        return "".join(c if c.isprintable() else " " for c in value[:1024].decode("utf-8", "replace")).strip()
    return str(value)
