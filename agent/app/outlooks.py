"""What rules about run-outs are judged by: the forecasts of ``Foresight``, the next round of a site, and the shelf."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from agent.alarms.outlook import Outlook, Outlooks, Spare
from agent.alarms.rules import RUN_OUT
from agent.app.rounds import round_terms
from agent.insight.shelf import Shelf
from agent.insight.walk import next_round, round_moment
from agent.model.fleet import Printer, PrinterView
from agent.model.insight import Insight, gists_of
from agent.model.shelf import ShelfState
from agent.model.zones import zone_of
from agent.settings import Settings


def wants_outlooks(settings: Settings) -> bool:
    """Whether any rule is about run-outs."""
    return any(rule.when == RUN_OUT for rule in settings.rules())


def outlooks(
    settings: Settings,
    insights: Mapping[int, Insight],
    views: Iterable[PrinterView],
    stock: tuple[Shelf, ShelfState] | None,
    now: datetime,
) -> Outlooks:
    """The outlook of every printer that a run-out rule covers and that was reckoned. ``stock`` None: not looked at.

    Raises UnknownCalendar.
    """
    rules = [rule for rule in settings.rules() if rule.when == RUN_OUT]
    terms = round_terms(settings)
    made = {}
    for view in views:
        printer = view.printer
        insight = insights.get(printer.id)
        if insight is None or not any(rule.covers(printer) for rule in rules):
            continue
        zone = printer.place.zone
        day = next_round(terms.rhythm_of(printer.place.site), now.astimezone(zone_of(zone)).date())
        spares = {}
        if stock is not None:
            keys = [one.supply for one in gists_of(insight.forecasts)]
            spares = {key: found for key in keys if (found := spare_of(*stock, printer, key)) is not None}
        at = None if day is None else round_moment(day, zone)
        made[printer.id] = Outlook(insight.forecasts, day, at, spares)
    return made


def spare_of(shelf: Shelf, state: ShelfState, printer: Printer, supply: str) -> Spare | None:
    """What there is to put in; where several parts fit, what there is of all of them together."""
    fitting = [part.name for part in shelf.fitting(printer.model, supply)]
    if not fitting:
        return None
    counted = [name for name in fitting if state.is_counted(name) or state.on_hand(name)]
    lies = [one for one in state.stock if one.part in fitting and one.count]
    due = [one.expected for one in state.orders if one.part in fitting and one.expected is not None]
    zone = zone_of(printer.place.zone)
    return Spare(
        " or ".join(fitting),
        sum(state.on_hand(name) for name in fitting) if counted else None,
        ", ".join(dict.fromkeys(one.place for one in lies)),
        sum(state.on_order(name) for name in fitting),
        min(due).astimezone(zone).date() if due else None,
    )
