"""The round out of what the agent knows: the settings, the run-outs and upkeep, alarms, shelf and services.

Rounds(...).plan(site, day, at)      # in the running agent: from what was reckoned beside the sweep
morning_of(...)                      # for a command: from whatever was read
"""

from __future__ import annotations

import operator
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta

from agent.app.calendars import days_off
from agent.app.evidence import SERVICE_KINDS
from agent.app.parts import due_of, rows_of
from agent.insight.deeds import KINDS
from agent.insight.jobs import Morning, Spot
from agent.insight.rounds import plan_round
from agent.insight.shelf import SHELF_KINDS, Shelf
from agent.insight.shelf import state as shelf_state
from agent.model.alarm import AlarmRecord
from agent.model.fleet import Printer, PrinterHistory, PrinterView
from agent.model.insight import Insight
from agent.model.proof import PROVEN, Proof
from agent.model.reading import Reading
from agent.model.round import Round, RoundTerms
from agent.model.shelf import ShelfState
from agent.model.upkeep import PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

MOVED_KINDS = frozenset({*SHELF_KINDS, *KINDS, *SERVICE_KINDS})
"""Everything in the ledger that moves parts."""
FRESH = timedelta(seconds=10)
"""A round that was planned so shortly before, from the same, is given again: pages of cards ask for it often."""
MOST_KEPT = 16
_YEAR = timedelta(days=366)

Look = Callable[[int, datetime], Insight]
"""One printer's insight as of a moment."""


def round_terms(settings: Settings) -> RoundTerms:
    """What the settings say about rounds, with the days on which each site does not work. Raises UnknownCalendar."""
    off = {name: days_off(site.holidays) if site.holidays else frozenset() for name, site in settings.sites.items()}
    return settings.rounds.terms(off)


def morning_of(
    settings: Settings,
    spots: Sequence[Spot],
    shelf: Shelf,
    stock: ShelfState,
    alarms: Iterable[AlarmRecord] = (),
    proofs: Iterable[Proof] = (),
) -> Morning:
    """All that a round is planned from."""
    return Morning(
        spots=tuple(spots),
        shelf=shelf,
        stock=stock,
        terms=round_terms(settings),
        alarms=tuple(alarms),
        proofs=tuple(one for one in proofs if one.state != PROVEN and one.superseded_by is None),
        zone=settings.zone,
        currency=settings.shelf.currency,
    )


def spot_of_view(view: PrinterView, insight: Insight | None, due: PrinterUpkeep | None) -> Spot:
    """A printer as it was last seen."""
    return Spot(view.printer, insight, due, _empty_now(view.reading), rows_of(view.reading))


def spot_of_history(
    told: PrinterHistory, insight: Insight, due: PrinterUpkeep, latest: Reading | None, place_of: Printer | None = None
) -> Spot:
    """A printer as its history tells it up to a moment. ``latest``: for the rows of its supplies alone."""
    empty = frozenset(track.key for track in told.supplies if track.points and track.points[-1].level == 0)
    return Spot(place_of or told.printer, insight, due, empty, rows_of(latest))


def shelf_of(settings: Settings, printers: Iterable[Printer]) -> Shelf:
    """What the settings say about the shelf. ``printers``: those out of service too."""
    known = {one.id: one for one in printers}
    return Shelf(settings.spares(), settings.places(), settings.plans(), known, settings.zone)


def _empty_now(reading: Reading | None) -> frozenset[str]:
    return frozenset(one.key for one in reading.supplies if one.level == 0) if reading is not None else frozenset()


class Rounds:
    """Rounds in the running agent.

    ``known``: run-outs and upkeep as last reckoned. ``stock``: the shelf as of a moment. ``proofs``: of services that
    are not proven. ``look``: one printer as of an earlier moment. All may be called from any thread.
    """

    def __init__(
        self,
        store: Store,
        settings: Callable[[], Settings],
        known: Callable[[], tuple[Mapping[int, Insight], Mapping[int, PrinterUpkeep]]],
        views: Callable[[], Mapping[int, PrinterView]],
        alarms: Callable[[datetime | None], Iterable[AlarmRecord]],
        proofs: Callable[[datetime | None], Iterable[Proof]],
        look: Look,
    ) -> None:
        self._store = store
        self._settings = settings
        self._known = known
        self._views = views
        self._alarms = alarms
        self._proofs = proofs
        self._look = look
        self._lock = threading.Lock()
        self._stood: tuple[int, Settings, Shelf, ShelfState] | None = None
        self._planned: dict[tuple[str | None, date | None], tuple[datetime, tuple[object, ...], Round]] = {}

    def plan(self, now: datetime, site: str | None, day: date | None, at: datetime | None = None) -> Round:
        """The round now, or as of an earlier moment ``at``. Raises StoreError.

        ``site`` None: all of them. ``day`` None: the next day on which one is made. For an earlier moment every printer
        is looked at anew, which takes its time in a large fleet.
        """
        settings = self._settings()
        if at is not None and at < now:
            return plan_round(self._then(settings, site, at), at, site=site, day=day)
        insights, due = self._known()
        alarms, proofs = tuple(self._alarms(None)), tuple(self._proofs(None))
        shelf, stock = self._stock(settings, now)
        rests_on = (settings, insights, due, stock, proofs, alarms)
        with self._lock:
            known = self._planned.get((site, day))
        if known is not None and timedelta(0) <= now - known[0] < FRESH and _same(known[1], rests_on):
            return known[2]
        views = [one for one in self._views().values() if site is None or one.printer.place.site == site]
        spots = [spot_of_view(one, insights.get(one.printer.id), due.get(one.printer.id)) for one in views]
        made = plan_round(morning_of(settings, spots, shelf, stock, alarms, proofs), now, site=site, day=day)
        with self._lock:
            while len(self._planned) >= MOST_KEPT:
                self._planned.pop(next(iter(self._planned)))
            self._planned[site, day] = now, rests_on, made
        return made

    def _stock(self, settings: Settings, now: datetime) -> tuple[Shelf, ShelfState]:
        """The shelf now; the same as before while nothing moved."""
        with self._lock:
            known = self._stood
        if known is not None and known[1] is settings and not self._store.ledger_after(known[0], MOVED_KINDS):
            return known[2], known[3]
        last = self._store.last_entry()
        shelf, stock = self._stock_at(settings, now)
        with self._lock:
            self._stood = last, settings, shelf, stock
        return shelf, stock

    def _stock_at(self, settings: Settings, at: datetime) -> tuple[Shelf, ShelfState]:
        shelf = shelf_of(settings, self._store.printers(retired=True))
        if not settings.parts:
            # Where no part is named nothing can be carried from anywhere, and the whole ledger need not be read.
            return shelf, ShelfState(at, (), ())
        return shelf, shelf_state(shelf, self._store.ledger(until=at, kinds=MOVED_KINDS), at)[0]

    def _then(self, settings: Settings, site: str | None, at: datetime) -> Morning:
        views = [one for one in self._views().values() if site is None or one.printer.place.site == site]
        latest = {one.printer.id: one.reading for one in views}
        spots = []
        for view in views:
            number = view.printer.id
            told = self._store.history(number, at - _YEAR, at)
            insight = self._look(number, at)
            statuses = self._store.status_history(number, at - _YEAR, at)
            found = due_of(settings, told, insight, statuses, latest.get(number), at)
            spots.append(spot_of_history(told, insight, found, latest.get(number), view.printer))
        shelf, stock = self._stock_at(settings, at)
        return morning_of(settings, spots, shelf, stock, self._alarms(at), self._proofs(at))


def _same(one: tuple[object, ...], other: tuple[object, ...]) -> bool:
    """Whether two rounds rest on the same: large things by identity, the small ones at the end by value."""
    return all(map(operator.is_, one[:4], other[:4])) and one[4:] == other[4:]
