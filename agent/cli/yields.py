"""``lowmark yields``: pages per cartridge against what is declared, what a page costs, jams and service calls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, plain, table
from agent.model.wording import percent_words, supply_words
from agent.model.yields import Cost, LifeYield, ModelYield, Rate, Yields

if TYPE_CHECKING:
    from agent.cli.fleetbook import Book


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("yields")(show_yields)


def show_yields(
    every: Annotated[bool, typer.Option("--lives", help="Also every life by itself.")] = False,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Pages per cartridge against the declared yield, cost per page, and jams and calls per 10,000 impressions.

    \b
    Example:
      lowmark yields
      lowmark yields --json --at 2026-03-02T08:00:00+01:00
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.fleetbook import read_book, settings_or_usual
    from agent.cli.wiring import load_settings, open_store

    known = settings_or_usual(load_settings(settings))
    with open_store(store, settings) as opened:
        book = read_book(opened, known, at or datetime.now(UTC))
    found = reckon(book)
    if as_json:
        emit("yields", as_data(found))
        return
    _print(found, every=every)


def reckon(book: Book) -> Yields:
    """The yields and costs of the fleet."""
    from agent.insight.costs import yields_of
    from agent.insight.yields import Witness

    witnesses = [Witness(one, book.insights[one.printer.id]) for one in book.histories]
    return yields_of(
        witnesses,
        book.shelf,
        book.as_of,
        currency=book.settings.shelf.currency,
        statuses=book.statuses,
        plans=book.settings.plans(),
    )


def as_data(found: Yields) -> dict[str, Any]:
    """``lowmark yields --json``: see docs/json-upkeep.md."""
    return {
        "as_of": found.as_of,
        "since": found.since,
        "currency": found.currency,
        "lives": [_life(one) for one in found.lives],
        "models": [{part.name: getattr(one, part.name) for part in fields(ModelYield)} for one in found.models],
        "printers": [
            {"printer_id": one.printer_id, "model": one.model, "site": one.site, **_cost(one.cost)}
            for one in found.printers
        ],
        "by_model": [_cost(one) for one in found.by_model],
        "by_site": [_cost(one) for one in found.by_site],
        "fleet": None if found.fleet is None else _cost(found.fleet),
        "notes": list(found.notes),
    }


def _life(one: LifeYield) -> dict[str, Any]:
    life = one.life
    return {
        "printer_id": one.printer_id,
        "printer": one.printer,
        "supply": life.supply,
        "number": life.number,
        "fitted": life.fitted,
        "removed": life.removed,
        "ended": life.ended,
        "left": life.left,
        "part": one.part,
        "declared": one.declared,
        "pages": one.pages,
        "whole": one.whole,
        "ratio": one.ratio,
        "coverage": one.coverage,
        "pages_lost": one.pages_lost,
        "money_lost": one.money_lost,
        "odds": one.odds,
        "text": one.text,
    }


def _cost(one: Cost) -> dict[str, Any]:
    made = {part.name: getattr(one, part.name) for part in fields(Cost)}
    return {**made, "jams": _rate(one.jams), "calls": _rate(one.calls)}


def _rate(one: Rate) -> dict[str, Any]:
    return {part.name: getattr(one, part.name) for part in fields(Rate)}


# --- output -------------------------------------------------------------------------------------------------------


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:,.0f}"


def _share(value: float | None) -> str:
    return "" if value is None else percent_words(value)


def _print(found: Yields, *, every: bool) -> None:
    rows = [
        (
            one.model,
            supply_words(one.supply),
            one.part or "",
            _number(one.declared),
            one.n,
            _number(one.mean),
            _number(one.sd),
            _number(one.figure),
            "" if one.coverage is None else f"{one.coverage:.1f} %",
            "" if one.figure is not None else one.reason,
        )
        for one in found.models
    ]
    headers = (
        *("Model", "Supply", "Part", "Declared", "n", "Mean", "s", "In declared style", "Coverage"),
        "Not told because",
    )
    if rows:
        console.print(table(headers, rows, title="Yields in pages", right=(3, 4, 5, 6, 7, 8)))
    else:
        console.print(plain("no supply has been read yet"), soft_wrap=True)
    if every:
        _print_lives(found.lives)
    for one in found.lives:
        if one.text:
            console.print(plain(one.text), soft_wrap=True)
    _print_costs("Cost per page, printer by printer", [one.cost for one in found.printers], found.currency)
    _print_costs("By model", found.by_model, found.currency)
    _print_costs("By site", [*found.by_site, *([found.fleet] if found.fleet is not None else [])], found.currency)
    for note in found.notes:
        console.print(plain(note), soft_wrap=True)


def _print_lives(lives: Sequence[LifeYield]) -> None:
    rows = [
        (
            one.printer,
            supply_words(one.life.supply),
            one.life.text,
            _number(one.whole),
            _share(one.ratio),
            "" if one.coverage is None else f"{one.coverage:.1f} %",
            _number(one.pages_lost),
            "" if one.money_lost is None else one.money_lost,
        )
        for one in lives
    ]
    headers = ("Printer", "Supply", "Life", "Whole", "Of declared", "Coverage", "Pages left in it", "Worth")
    console.print(table(headers, rows, title="Lives", right=(3, 4, 5, 6, 7)))


def _print_costs(title: str, costs: Sequence[Cost], currency: str) -> None:
    if not costs:
        return
    rows = []
    for one in costs:
        cost = "not known" if one.per_page is None else f"{one.per_page} ({one.low} .. {one.high})"
        gaps = []
        if one.missing:
            gaps.append(f"without {', '.join(map(supply_words, one.missing))}")
        if one.estimated:
            gaps.append(f"declared only: {', '.join(map(supply_words, one.estimated))}")
        lost = one.lost if one.lost > Decimal(0) else ""
        rows.append(
            (
                one.name or "no model known",
                f"{one.impressions:,}",
                cost,
                lost,
                _events(one.jams),
                _events(one.calls),
                "; ".join(gaps),
            )
        )
    headers = ("", "Impressions", f"{currency} a page (80 %)", "Thrown away", "Jams/10,000", "Calls/10,000", "But")
    console.print(table(headers, rows, title=title, right=(1, 2, 3, 4, 5)))


def _events(one: Rate) -> str:
    return "" if one.per_10000 is None else f"{one.per_10000:.2f} ({one.low:.2f} .. {one.high:.2f})"
