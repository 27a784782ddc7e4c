"""``lowmark upkeep``: what is due at which printer, and what printer and ledger do not agree about."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.service import By, PrinterName, Remarks, desk, user
from agent.cli.show import console, emit, fail, plain, table
from agent.model.day_words import day_words, span_words
from agent.model.upkeep import DUE, FINE, NOT_KNOWN, NOT_LOGGED, OVERDUE, SOON, UpkeepItem

if TYPE_CHECKING:
    from agent.cli.fleetbook import Book
    from agent.model.fleet import PrinterHistory
    from agent.model.upkeep import PrinterUpkeep

WORDS = {OVERDUE: "OVERDUE", DUE: "due", SOON: "soon", NOT_KNOWN: "not known", FINE: "fine"}
_STYLES = {OVERDUE: "bold red", DUE: "red", SOON: "yellow", NOT_KNOWN: "", FINE: ""}


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    group = typer.Typer()
    group.callback(invoke_without_command=True)(show_upkeep)
    group.command("accept")(accept)
    app.add_typer(group, name="upkeep")


def show_upkeep(
    context: typer.Context,
    printer: Annotated[str | None, typer.Option("--printer", metavar="PRINTER", help="Only this printer.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Also what is fine.")] = False,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Work that is due by pages, by days, after an exchange, or because the printer says so.

    \b
    Example:
      lowmark upkeep
      lowmark upkeep --printer "Reading room" --all
      lowmark upkeep --json --at 2026-03-02T08:00:00+01:00
      lowmark upkeep accept "Reading room" kit --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    if context.invoked_subcommand is not None:
        return
    book, chosen = _book(settings, store, at, printer)
    found = [(history, book.upkeep(history)) for history in chosen]
    if as_json:
        emit("upkeep", as_data(book, found))
        return
    _print(book, found, every=every or printer is not None)


def accept(
    printer: PrinterName,
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="The upkeep plan that was done.", show_default=False)],
    by: By = None,
    remark: Remarks = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Log the service that a printer shows although nobody logged it: its part is new, its counter went back.

    \b
    Example:
      lowmark upkeep accept "Reading room" drum --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.insight.logbook import said
    from agent.insight.suggestions import name_of
    from agent.model.proof import Suggestion

    book, chosen = _book(settings, store, at, printer)
    history = chosen[0]
    open_ones = [one for one in book.upkeep(history).disagreements if one.kind == NOT_LOGGED]
    fitting = next((one for one in open_ones if one.plan == plan), None)
    if fitting is None:
        names = ", ".join(one.plan for one in open_ones)
        fail(
            f"nothing of {history.printer.name} waits to be accepted as {plan!r}; "
            + (f"what waits: {names}" if names else "lowmark upkeep shows what is due, lowmark service logs work"),
            2,
        )
    number = history.printer.id
    found = Suggestion(
        name_of(number, fitting.at, plan), number, fitting.kind, (plan,), fitting.at, fitting.count, fitting.text
    )
    with desk(settings, store) as (_, servicing):
        recorded = servicing.take_up(found, user(by), remarks=remark)
    console.print(plain(f"{history.printer.name}: {said(recorded.service)}"), soft_wrap=True)


# --- what the commands share --------------------------------------------------------------------------------------


def _book(
    settings: SettingsFile, store: StoreUrl, at: datetime | None, printer: str | None
) -> tuple[Book, list[PrinterHistory]]:
    from agent.cli.fleetbook import read_book, settings_or_usual
    from agent.cli.history import find
    from agent.cli.wiring import load_settings, open_store

    known = settings_or_usual(load_settings(settings))
    with open_store(store, settings) as opened:
        wanted = find(opened, printer) if printer is not None else None
        book = read_book(opened, known, at or datetime.now(UTC))
    chosen = [one for one in book.histories if wanted is None or one.printer.id == wanted.id]
    if wanted is not None and not chosen:
        fail(f"{wanted.name} was out of service by then; nothing is due there", 2)
    return book, chosen


# --- output -------------------------------------------------------------------------------------------------------


def cautions_of(item: UpkeepItem, history: PrinterHistory) -> tuple[str, ...]:
    """What to take care of: the plan's own words, and those for the parts that it touches."""
    from agent.model.cautions import for_supply, in_order

    kinds = {track.key: track.kind for track in history.supplies}
    found = list(item.cautions)
    for key in item.supplies:
        found += for_supply(kinds.get(key, ""))
    if item.needs and not item.supplies:
        found += for_supply("")
    return in_order(found)


def as_data(book: Book, found: Sequence[tuple[PrinterHistory, PrinterUpkeep]]) -> dict[str, Any]:
    """``lowmark upkeep --json``: see docs/json-upkeep.md."""
    from agent.web import shapes_history as shapes

    items, odd, notes = [], [], []
    for history, one in found:
        name = shapes.who(history.printer)
        items += [{**name, **shapes.item(item), "cautions": list(cautions_of(item, history))} for item in one.items]
        odd += [{**name, **shapes.disagreement(each)} for each in one.disagreements]
        notes += [{**name, "text": text} for text in one.notes]
    return {"as_of": book.as_of, "items": items, "disagreements": odd, "notes": notes}


def _when(item: UpkeepItem, today: date) -> str:
    if item.state == OVERDUE or item.expected is None:
        return "" if item.state == OVERDUE else (item.reason or "")
    low, mid, high = item.expected.p10, item.expected.p50, item.expected.p90
    return day_words(mid, today) + ("" if low == high else f" ({span_words(low, high, today)})")


def _print(book: Book, found: Sequence[tuple[PrinterHistory, PrinterUpkeep]], *, every: bool) -> None:
    from rich.text import Text

    shown = [
        (history, item) for history, one in found for item in one.items if every or item.state in (OVERDUE, DUE, SOON)
    ]
    order = list(WORDS)
    shown.sort(key=lambda pair: (order.index(pair[1].state), pair[0].printer.name, pair[1].plan))
    rows: list[list[object]] = [
        [
            Text(WORDS[item.state], _STYLES[item.state]),
            history.printer.name,
            item.what,
            "" if item.due_count is None else f"{item.due_count:,}",
            "" if item.left is None else f"{item.left:,}",
            _when(item, book.as_of),
            "; ".join(item.because),
        ]
        for history, item in shown
    ]
    if rows:
        headers = ("State", "Printer", "What", "Due at", "Left", "Expected", "Because")
        console.print(table(headers, rows, right=(3, 4), lead=3))
    else:
        console.print(plain("nothing is due" + ("" if every else "; --all shows all plans")), soft_wrap=True)
    for history, one in found:
        for odd in one.disagreements:
            console.print(plain(f"{history.printer.name}: {odd.text}"), soft_wrap=True)
        for note in one.notes:
            console.print(plain(f"{history.printer.name}: {note}"), soft_wrap=True)
    urgent = [(history, item) for history, item in shown if item.state in (OVERDUE, DUE)]
    lines = dict.fromkeys(line for history, item in urgent for line in cautions_of(item, history))
    if lines:
        console.print(plain("Take care (common practice; the maker's service manual comes first):"), soft_wrap=True)
        for line in lines:
            console.print(plain(f"  {line}"), soft_wrap=True)
