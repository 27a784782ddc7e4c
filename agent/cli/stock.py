"""The shelf reckoned and shown as tables."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NoReturn

import typer

from agent.cli.show import console, plain, table
from agent.model.day_words import day_words
from agent.model.shelf import SparePart
from agent.model.stocktaking import Fit, Stocktaking
from agent.model.wording import percent_words, supply_words
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.cli.fleetbook import Book


def reckon(book: Book) -> Stocktaking:
    """The shelf, its state, and what to order."""
    from agent.insight.orders import User, advise
    from agent.insight.shelf import state as shelf_state

    shelf, settings = book.shelf, book.settings
    state, taken = shelf_state(shelf, book.ledger, book.as_of)
    users = [User(one.printer, book.insights[one.printer.id], book.upkeep(one)) for one in book.histories]
    return Stocktaking(
        state,
        tuple(shelf.parts),
        tuple(shelf.places),
        advise(shelf, state, taken, users, settings.zone),
        {part.name: _fits(book, part) for part in shelf.parts},
        settings.shelf.currency,
        settings.shelf.service_level,
        settings.zone,
    )


def _fits(book: Book, part: SparePart) -> tuple[Fit, ...]:
    """The printers that a part fits, with the supplies whose place it takes there."""
    made = []
    for history in book.histories:
        keys = dict.fromkeys(track.key for track in history.supplies)
        serves = tuple(key for key in keys if part.serves(history.printer.model, key))
        if serves:
            made.append(Fit(history.printer.id, history.printer.name, serves))
    return tuple(made)


def _fitting(part: SparePart) -> str:
    """``black toner in Tallgrass M40``; patterns of the settings as a person reads them."""
    supplies = ", ".join(one if "*" in one else supply_words(one) for one in part.supplies) or "plans"
    return f"{supplies} in {', '.join(one.strip('*') or 'any model' for one in part.models)}"


def _day(day: date | None, today: date) -> str:
    return "" if day is None else day_words(day, today)


# --- output -------------------------------------------------------------------------------------------------------


def _nothing() -> NoReturn:
    console.print(
        plain("no part is known: list them in the settings under parts, or count one in with lowmark shelf in"),
        soft_wrap=True,
    )
    raise typer.Exit(0)


def show(taking: Stocktaking) -> None:
    """Print the shelf."""
    state, parts = taking.state, {part.name: part for part in taking.parts}
    if not parts and not state.stock:
        _nothing()
    rows = []
    for name in dict.fromkeys([*parts, *(one.part for one in state.stock)]):
        part = parts.get(name)
        lying = [one for one in state.stock if one.part == name]
        where = ", ".join(f"{one.place} {one.count}" for one in lying) or "never counted"
        coming = state.on_order(name)
        users = len(taking.fits.get(name, ()))
        fits = f"{_fitting(part)} ({users})" if part else ""
        rows.append((name, part.description if part else "", where, state.on_hand(name), coming or "", fits))
    console.print(
        table(("Part", "What", "Where", "On hand", "On order", "Fits (printers)"), rows, title="Shelf", right=(3, 4))
    )
    _print_advice(taking)
    there = zone_of(taking.zone)
    today = state.as_of.astimezone(there)
    for order in state.orders:
        due = f", expected {day_words(order.expected.astimezone(there), today)}" if order.expected is not None else ""
        since = day_words(order.at.astimezone(there), today)
        text = f"on order: {order.count} {order.part}, since {since} by {order.who}{due}"
        console.print(plain(text), soft_wrap=True)
    for remark in state.remarks:
        console.print(plain(remark.text), soft_wrap=True)


def _print_advice(taking: Stocktaking) -> None:
    if not taking.advice:
        return
    rows, today = [], taking.state.as_of
    for one in sorted(taking.advice, key=lambda each: (each.order == 0, each.by is None, each.by, each.part)):
        demand = "" if one.demand is None else f"{one.demand[2]} ({one.demand[1]} .. {one.demand[3]})"
        cost = f"{one.cost} {taking.currency}" if one.cost is not None and one.order else ""
        risk = "" if one.stock_out is None else f"{one.stock_out * 100:.1f} %"
        named = "; ".join(
            f"{need.printer} {supply_words(need.supply)} {percent_words(need.within)}"
            + (f", {day_words(need.run_out, taking.state.as_of)}" if need.run_out else "")
            for need in one.because[:3]
        )
        more = f" and {len(one.because) - 3} more" if len(one.because) > 3 else ""
        why = named + more if one.method == "forecasts" else one.reason
        rows.append(
            (one.part, one.order or "nothing", day_words(one.by, today) if one.by else "", cost, demand, risk, why)
        )
    headers = ("Part", "Order", "By", "Cost", "Asked for (P10 .. P90)", "Stock-out if not", "Because of")
    console.print(
        table(
            headers,
            rows,
            title=f"Orders (enough with a chance of {percent_words(taking.level)})",
            right=(1, 3, 4, 5),
            lead=1,
        )
    )
