"""The shelf reckoned and shown: as tables and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from agent.cli.show import console, plain, table
from agent.model.shelf import Advice, Need, ShelfState

if TYPE_CHECKING:
    from agent.cli.fleetbook import Book
    from agent.insight.shelf import Shelf


def reckon(book: Book) -> tuple[Shelf, ShelfState, tuple[Advice, ...]]:
    """The shelf, its state, and what to order."""
    from agent.insight.orders import User, advise
    from agent.insight.shelf import state as shelf_state

    shelf = book.shelf
    state, taken = shelf_state(shelf, book.ledger, book.as_of)
    users = [User(one.printer, book.insights[one.printer.id], book.upkeep(one)) for one in book.histories]
    return shelf, state, advise(shelf, state, taken, users, book.settings.zone)


# --- output -------------------------------------------------------------------------------------------------------


def fitting(book: Book, shelf: Shelf, part: str) -> list[dict[str, Any]]:
    """The printers that a part fits, with the supplies whose place it takes there."""
    one = shelf.part(part)
    made = []
    for history in book.histories if one is not None else ():
        keys = list(dict.fromkeys(track.key for track in history.supplies))
        serves = [key for key in keys if one is not None and one.serves(history.printer.model, key)]
        if serves:
            made.append({"printer_id": history.printer.id, "printer": history.printer.name, "supplies": serves})
    return made


def as_data(book: Book, shelf: Shelf, state: ShelfState, advice: Sequence[Advice]) -> dict[str, Any]:
    """``lowmark shelf --json``: see docs/json-upkeep.md."""
    return {
        "as_of": book.as_of,
        "currency": book.settings.shelf.currency,
        "service_level": book.settings.shelf.service_level,
        "stock": [
            {"part": one.part, "place": one.place, "count": one.count, "counted": one.counted} for one in state.stock
        ],
        "parts": [
            {
                "part": part.name,
                "description": part.description,
                "models": list(part.models),
                "supplies": list(part.supplies),
                "price": part.price,
                "declared_yield": part.declared_yield,
                "fits": fitting(book, shelf, part.name),
            }
            for part in shelf.parts
        ],
        "orders": [
            {"part": one.part, "count": one.count, "at": one.at, "who": one.who, "expected": one.expected}
            for one in state.orders
        ],
        "advice": [_advice_data(one) for one in advice],
        "remarks": [{"part": one.part, "text": one.text} for one in state.remarks],
    }


def _advice_data(one: Advice) -> dict[str, Any]:
    demand = one.demand
    return {
        "part": one.part,
        "order": one.order,
        "by": one.by,
        "on_hand": one.on_hand,
        "on_order": one.on_order,
        "up_to": one.up_to,
        "demand": None if demand is None else dict(zip(("mean", "p10", "p50", "p90"), demand, strict=True)),
        "stock_out": one.stock_out,
        "method": one.method,
        "reason": one.reason,
        "cost": one.cost,
        "because": [_need_data(need) for need in one.because],
    }


def _need_data(need: Need) -> dict[str, Any]:
    names = ("printer_id", "printer", "supply", "within", "expected", "run_out", "basis")
    return {name: getattr(need, name) for name in names}


def _nothing() -> NoReturn:
    console.print(
        plain("no part is known: list them in the settings under parts, or count one in with lowmark shelf in"),
        soft_wrap=True,
    )
    raise typer.Exit(0)


def show(book: Book, shelf: Shelf, state: ShelfState, advice: Sequence[Advice]) -> None:
    """Print the shelf."""
    if not shelf.parts and not state.stock:
        _nothing()
    rows = []
    for name in dict.fromkeys([*(part.name for part in shelf.parts), *(one.part for one in state.stock)]):
        part = shelf.part(name)
        lying = [one for one in state.stock if one.part == name]
        where = ", ".join(f"{one.place} {one.count}" for one in lying) or "never counted"
        coming = state.on_order(name)
        users = len(fitting(book, shelf, name))
        fits = f"{', '.join(part.supplies) or 'plans'} in {', '.join(part.models)} ({users})" if part else ""
        rows.append((name, part.description if part else "", where, state.on_hand(name), coming or "", fits))
    console.print(
        table(("Part", "What", "Where", "On hand", "On order", "Fits (printers)"), rows, title="Shelf", right=(3, 4))
    )
    _print_advice(book, advice)
    for order in state.orders:
        due = f", expected {order.expected:%Y-%m-%d}" if order.expected is not None else ""
        text = f"on order: {order.count} {order.part}, since {order.at:%Y-%m-%d} by {order.who}{due}"
        console.print(plain(text), soft_wrap=True)
    for remark in state.remarks:
        console.print(plain(remark.text), soft_wrap=True)


def _print_advice(book: Book, advice: Sequence[Advice]) -> None:
    if not advice:
        return
    rows = []
    for one in sorted(advice, key=lambda each: (each.order == 0, each.by is None, each.by, each.part)):
        demand = "" if one.demand is None else f"{one.demand[2]} ({one.demand[1]} .. {one.demand[3]})"
        cost = f"{one.cost} {book.settings.shelf.currency}" if one.cost is not None and one.order else ""
        risk = "" if one.stock_out is None else f"{one.stock_out:.1%}"
        named = "; ".join(
            f"{need.printer} {need.supply} {need.within:.0%}" + (f", {need.run_out}" if need.run_out else "")
            for need in one.because[:3]
        )
        more = f" and {len(one.because) - 3} more" if len(one.because) > 3 else ""
        why = named + more if one.method == "forecasts" else one.reason
        rows.append((one.part, one.order or "nothing", one.by or "", cost, demand, risk, why))
    level = book.settings.shelf.service_level
    headers = ("Part", "Order", "By", "Cost", "Asked for (P10 .. P90)", "Stock-out if not", "Because of")
    console.print(table(headers, rows, title=f"Orders (enough with a chance of {level:.0%})", right=(1, 3, 4, 5)))
