"""What printers show to have been done although nobody logged it, looked up and kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime

from agent.app.evidence import SERVICE_KINDS, look_at
from agent.app.told import Told, by_printer
from agent.insight.deeds import KINDS, SAME, swaps
from agent.insight.logbook import services_in
from agent.insight.meter import NAMES
from agent.insight.suggestions import KEPT, suggest
from agent.model.fleet import LedgerEntry
from agent.model.grain import Grain
from agent.model.insight import Insight
from agent.model.proof import Suggestion
from agent.model.shelf import names_supply
from agent.model.upkeep import NOT_LOGGED, PrinterUpkeep
from agent.settings import Settings
from agent.store import Store

Known = Callable[[], tuple[Mapping[int, Insight], Mapping[int, PrinterUpkeep]]]


class Suggesting:
    """Over one store. ``known``: what was reckoned of the fleet already, if anything was. ``told``: its ledger.

    Raises StoreError.
    """

    def __init__(
        self,
        store: Store,
        settings: Callable[[], Settings],
        clock: Callable[[], datetime],
        told: Told,
        known: Known | None = None,
    ) -> None:
        self._store = store
        self._settings = settings
        self._clock = clock
        self._told = told
        self._known = known
        self._suggested: dict[
            int, tuple[Insight, PrinterUpkeep, tuple[date, tuple[int | None, ...]], tuple[Suggestion, ...]]
        ] = {}

    def suggestions(self, printer_id: int | None = None, at: datetime | None = None) -> tuple[Suggestion, ...]:
        """What printers show to have been done although nobody logged it."""
        as_of = at or self._clock()
        known = self._known is not None and at is None
        insights, upkeeps = self._known() if self._known is not None and known else ({}, {})
        told: Mapping[int, Sequence[LedgerEntry]]
        if printer_id is None and known:
            told = self._told.by_printer(as_of)
        else:
            told = by_printer(self._store.ledger(printer_id, as_of - 3 * KEPT, as_of, KINDS | SERVICE_KINDS))
        reckoned = insights.keys() & upkeeps.keys()
        numbers = {printer_id} if printer_id is not None else set(reckoned)
        if printer_id is None and not (known and told.keys() <= reckoned):
            # Who is not reckoned yet is worth a look where something was seen.
            numbers |= {one.id for one in self._store.printers() if one.id in told or not known}
        made: list[Suggestion] = []
        for number in sorted(numbers):
            found = (insights[number], upkeeps[number]) if number in reckoned else None
            made += self._suggest_again(number, told.get(number, ()), as_of, found)
        return tuple(sorted(made, key=lambda one: (one.at, one.id)))

    def _suggest_again(
        self,
        printer_id: int,
        told: Sequence[LedgerEntry],
        as_of: datetime,
        found: tuple[Insight, PrinterUpkeep] | None,
    ) -> tuple[Suggestion, ...]:
        """What is suggested of a printer, kept as long as what it rests on is the same."""
        if found is None:
            return self._suggest(printer_id, told, as_of, None)
        said = (as_of.date(), tuple(one.id for one in told))
        kept = self._suggested.get(printer_id)
        if kept is None or kept[0] is not found[0] or kept[1] is not found[1] or kept[2] != said:
            kept = (*found, said, self._suggest(printer_id, told, as_of, found))
            self._suggested[printer_id] = kept
        return kept[3]

    def _suggest(
        self,
        printer_id: int,
        told: Sequence[LedgerEntry],
        as_of: datetime,
        found: tuple[Insight, PrinterUpkeep] | None,
    ) -> tuple[Suggestion, ...]:
        plans = self._settings().plans()
        insight, due = found or look_at(self._store, self._settings(), printer_id, as_of)
        lives = ((printer_id, life) for life in insight.lives)
        seen = swaps(told, as_of, lives, plans=tuple(plan.name for plan in plans))
        fresh = services_in(told, as_of)

        def logged(plan: str, supply: str, at: datetime) -> bool:
            names = {plan, *supply.split(", ")}
            return any(
                one.holds and one.at >= at - SAME and any(deed.subject in names for deed in one.deeds) for one in fresh
            )

        open_ones = [
            one for one in due.disagreements if one.kind == NOT_LOGGED and not logged(one.plan, one.supply, one.at)
        ]
        renewed = {plan.name: plan.renews for plan in plans}
        done = [(deed.subject, one.at) for one in fresh if one.holds for deed in one.deeds if deed.subject in renewed]
        seen = [
            one
            for one in seen
            if not any(names_supply(one.supply, renewed[name]) and abs(at - one.at) <= KEPT for name, at in done)
        ]
        counts: list[tuple[datetime, int]] = []
        zone = "UTC"
        if moments := [one.at for one in seen if not one.logged and as_of - one.at <= KEPT]:
            outline = self._store.outline(printer_id, as_of - KEPT, as_of, Grain((), (moments,), NAMES, 0))
            zone = outline.printer.place.zone
            counts = [
                (point.at, point.value) for track in outline.counters if track.name in NAMES for point in track.points
            ]
        return suggest(seen, open_ones, plans, as_of, counts, zone)
