"""What the commands about upkeep, yields and the shelf look at: the whole fleet's histories and what they say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from agent.model.fleet import LedgerEntry, Printer, PrinterHistory

if TYPE_CHECKING:
    from agent.insight.printer import Terms
    from agent.insight.shelf import Shelf
    from agent.model.contact import StatusPoint
    from agent.model.insight import Insight
    from agent.model.upkeep import PrinterUpkeep
    from agent.settings import Settings
    from agent.store import Store


@dataclass(frozen=True, slots=True)
class Book:
    """The fleet as of a moment. ``histories`` hold no point after it; printers out of service are in ``every`` only."""

    as_of: datetime
    settings: Settings
    every: tuple[Printer, ...]
    histories: tuple[PrinterHistory, ...]
    insights: Mapping[int, Insight]
    statuses: Mapping[int, Sequence[StatusPoint]]
    rows: Mapping[int, Mapping[int, str]]
    ledger: tuple[LedgerEntry, ...]
    terms: Mapping[int, Terms]

    @property
    def shelf(self) -> Shelf:
        """What the settings say about the shelf, and whom it serves."""
        from agent.insight.shelf import Shelf

        settings = self.settings
        printers = {one.id: one for one in self.every}
        return Shelf(settings.spares(), settings.places(), settings.plans(), printers, settings.zone)

    def upkeep(self, history: PrinterHistory) -> PrinterUpkeep:
        """The upkeep of one printer."""
        from agent.insight.scene import Ground
        from agent.insight.upkeep import upkeep

        number = history.printer.id
        points = self.statuses.get(number, ())
        ground = Ground(
            history,
            self.insights[number],
            points[-1] if points else None,
            self.rows.get(number, {}),
            self.settings.polling.status,
            self.terms[number].holidays,
        )
        return upkeep(ground, self.settings.plans(), self.as_of)


def read_book(store: Store, settings: Settings, as_of: datetime) -> Book:
    """Read every printer and look at it. Raises StoreError."""
    from agent.app.parts import terms
    from agent.insight.kin import Fleet, pool
    from agent.insight.printer import look, summarise

    every = store.printers(retired=True)
    watched = [one for one in every if one.retired is None or one.retired > as_of]
    histories = tuple(store.history(one.id, until=as_of) for one in watched)
    told = {one.printer.id: terms(settings, one) for one in histories}
    fleet = pool([summarise(one, Fleet(), as_of, told[one.printer.id]) for one in histories])
    insights = {one.printer.id: look(one, fleet, as_of, told[one.printer.id]) for one in histories}
    since = as_of - timedelta(days=366)
    latest = store.latest()
    return Book(
        as_of,
        settings,
        every,
        histories,
        insights,
        {one.printer.id: store.status_history(one.printer.id, since, as_of) for one in histories},
        {number: {supply.index: supply.key for supply in reading.supplies} for number, reading in latest.items()},
        store.ledger(until=as_of),
        told,
    )


def settings_or_usual(settings: Settings | None) -> Settings:
    """The settings, or what holds without a file."""
    from agent.settings import parse

    return parse("") if settings is None else settings
