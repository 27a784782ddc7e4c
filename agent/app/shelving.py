"""The shelf of the running agent: stock at once from the ledger, and what to order as it was reckoned beside the sweep.

What to order of a part rests on the run-outs of every printer that uses it. It is reckoned anew when these are, and at
once for a part of which somebody counted, ordered or took something meanwhile.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from agent.app.keeping import Kept
from agent.app.told import Told
from agent.insight.deeds import KINDS
from agent.insight.logbook import SERVICE_WITHDRAWN
from agent.insight.movements import entry_of
from agent.insight.orders import User, advise
from agent.insight.shelf import SHELF_KINDS, Shelf, Taken
from agent.insight.shelf import state as shelf_state
from agent.model.fleet import LedgerEntry, Printer
from agent.model.insight import Insight, gists_of
from agent.model.shelf import Advice, ShelfState
from agent.model.stocktaking import Fit, Movement, Stocktaking
from agent.model.upkeep import PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

ALL_KINDS = frozenset({*SHELF_KINDS, *KINDS, SERVICE_WITHDRAWN})
"""Everything in the ledger that moves parts."""
FOR_EVER = timedelta(days=20 * 366)
STALE = timedelta(hours=1)
"""So old may advice become: it names days."""


Known = Callable[[], tuple[Mapping[int, Insight], Mapping[int, PrinterUpkeep]]]
"""The run-outs and the upkeep of the fleet as they were last reckoned."""


class Shelving:
    """The shelf over one store. ``printers``: those out of service too.

    Methods may be called from any thread; they may raise StoreError.
    """

    def __init__(
        self,
        store: Store,
        settings: Callable[[], Settings],
        known: Known,
        printers: Callable[[], Mapping[int, Printer]],
    ) -> None:
        self._printers = printers
        self._store = store
        self._settings = settings
        self._known = known
        self._lock = threading.Lock()
        self._advice: dict[str, Advice] = {}
        self._rests_on: tuple[object, ...] = ()
        self._at: datetime | None = None
        self._told = Told(store, ALL_KINDS, FOR_EVER)
        self._states: Kept[tuple[ShelfState, tuple[Taken, ...]]] = Kept(1)
        self._fitting: Kept[Mapping[str, tuple[Fit, ...]]] = Kept(1)

    def look(self, now: datetime, at: datetime | None = None) -> Stocktaking:
        """The shelf now, or as of ``at``; for an earlier moment what to order is not reckoned."""
        settings = self._settings()
        shelf, printers = self._shelf()
        state, taken = self._state_now(shelf, now) if at is None else self._state(shelf, at)
        advice = self._advised(shelf, state, taken, printers) if at is None else ()
        return Stocktaking(
            state,
            tuple(shelf.parts),
            tuple(shelf.places),
            advice,
            self._fitting.get("now", (self._known()[0], settings), lambda: self._fits(shelf, printers)),
            settings.shelf.currency,
            settings.shelf.service_level,
            settings.zone,
        )

    def move(self, move: Movement, now: datetime) -> LedgerEntry:
        """Write down what somebody says about a part. Raises NotPossible."""
        shelf, _ = self._shelf()
        with self._lock:  # two who take the last one at once are told apart
            state, _ = self._state(shelf, now)
            (written,) = self._store.append_ledger([entry_of(move, shelf, state, now)])
        return written

    def reckon(self, now: datetime) -> None:
        """What to order, anew, where the run-outs are others than before. Takes a while in a large fleet."""
        rests_on = (*self._known(), self._settings())
        fresh = self._at is not None and timedelta(0) <= now - self._at < STALE
        if not rests_on[0] or (fresh and _same(rests_on, self._rests_on)):
            return
        shelf, printers = self._shelf()
        state, taken = self._state_now(shelf, now)
        users = self._users(printers)
        found = {one.part: one for one in advise(shelf, state, taken, users, self._settings().zone)}
        with self._lock:
            self._advice, self._rests_on, self._at = found, rests_on, now

    def stock(self, now: datetime) -> tuple[Shelf, ShelfState]:
        """What the settings say of the shelf, and what lies there."""
        shelf, _ = self._shelf()
        return shelf, self._state_now(shelf, now)[0]

    # --- inside ---------------------------------------------------------------------------------------------------

    def _shelf(self) -> tuple[Shelf, Mapping[int, Printer]]:
        settings, printers = self._settings(), self._printers()
        return Shelf(settings.spares(), settings.places(), settings.plans(), printers, settings.zone), printers

    def _state(self, shelf: Shelf, at: datetime) -> tuple[ShelfState, tuple[Taken, ...]]:
        return shelf_state(shelf, self._store.ledger(until=at, kinds=ALL_KINDS), at)

    def _state_now(self, shelf: Shelf, now: datetime) -> tuple[ShelfState, tuple[Taken, ...]]:
        """The same for now, without reading what was read before."""
        told = self._told.by_printer(now)
        rests_on = (tuple(told.values()), self._settings(), now.toordinal())
        entries = (one for some in told.values() for one in some)
        state, taken = self._states.get("now", rests_on, lambda: shelf_state(shelf, entries, now))
        return replace(state, as_of=now), taken

    def _users(self, printers: Mapping[int, Printer]) -> list[User]:
        insights, upkeep = self._known()
        return [
            User(printers[number], insight, upkeep.get(number))
            for number, insight in insights.items()
            if number in printers
        ]

    def _advised(
        self, shelf: Shelf, state: ShelfState, taken: tuple[Taken, ...], printers: Mapping[int, Printer]
    ) -> tuple[Advice, ...]:
        """What was reckoned; of parts that somebody moved since then, what is right now."""
        with self._lock:
            known = dict(self._advice)
        moved = [
            part
            for part in shelf.parts
            if part.name in known
            and (known[part.name].on_hand, known[part.name].on_order)
            != (state.on_hand(part.name), state.on_order(part.name))
        ]
        if moved:
            less = replace(shelf, parts=moved)
            anew = {one.part: one for one in advise(less, state, taken, self._users(printers), self._settings().zone)}
            known |= anew
            with self._lock:
                self._advice |= anew
        return tuple(known[part.name] for part in shelf.parts if part.name in known)

    def _fits(self, shelf: Shelf, printers: Mapping[int, Printer]) -> Mapping[str, tuple[Fit, ...]]:
        """By part the printers in service that use it, as far as their supplies are known."""
        keys = {
            number: tuple(one.supply for one in gists_of(insight.forecasts))
            for number, insight in self._known()[0].items()
            if number in printers and printers[number].retired is None
        }
        made: dict[str, list[Fit]] = {part.name: [] for part in shelf.parts}
        kinds: dict[tuple[str, tuple[str, ...]], list[tuple[str, tuple[str, ...]]]] = {}
        for number, supplies in keys.items():
            printer = printers[number]
            # A fleet has few models, so what fits which is asked once for each.
            kind = (printer.model, supplies)
            if kind not in kinds:
                fitting = ((part, tuple(key for key in supplies if part.serves(kind[0], key))) for part in shelf.parts)
                kinds[kind] = [(part.name, served) for part, served in fitting if served]
            for name, served in kinds[kind]:
                made[name].append(Fit(number, printer.name, served))
        return {name: tuple(sorted(fits, key=lambda one: one.printer)) for name, fits in made.items()}


def _same(one: tuple[object, ...], two: tuple[object, ...]) -> bool:
    return len(one) == len(two) and all(a is b for a, b in zip(one, two, strict=True))
