"""The fleet in one table: each printer with its state and the supplies that need an eye."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.table import Table
from rich.text import Text

from agent.cli.show import table
from agent.model.fleet import PrinterView
from agent.model.reading import Mark, Supply

LOW = 0.15
NEARLY_FULL = 0.10


def lowest(supplies: Sequence[Supply]) -> Supply | None:
    """The supply with the least left, of those whose share is known."""
    known = [one for one in supplies if one.fraction is not None]
    return min(known, key=lambda one: one.fraction or 0.0, default=None)


def remaining(supply: Supply) -> str:
    """What is left, in words: a percentage, or what the printer says instead of an amount."""
    if supply.fraction is not None:
        space = " space" if supply.is_receptacle else ""
        return f"{supply.fraction:.0%}{space}"
    if supply.level is Mark.SOME:
        return "some space" if supply.is_receptacle else "some"
    return "empty" if supply.level == 0 and not supply.is_receptacle else "unknown"


def state(view: PrinterView) -> Text:
    """How the printer does, in a word or two; the style only repeats what the words say."""
    if not view.reachable:
        return Text(f"silent since {view.since:%d %b %H:%M}", "bold red")
    reading = view.reading
    if reading is None:
        return Text("not read yet")
    if reading.errors:
        return Text(", ".join(sorted(reading.errors)), "yellow")
    return Text(reading.printer_status or "unknown")


def attention(view: PrinterView) -> list[str]:
    """What somebody should look at, the gravest first; empty when all is well."""
    if view.reading is None:
        return ["never read"]
    found = []
    for supply in view.reading.supplies:
        share = supply.fraction
        if supply.level == 0:
            found.append((0.0, f"{supply.key} {'full' if supply.is_receptacle else 'empty'}"))
        elif share is not None and share < (NEARLY_FULL if supply.is_receptacle else LOW):
            found.append((share, f"{supply.key} {remaining(supply)}"))
    return [text for _, text in sorted(found)]


def overview(views: Iterable[PrinterView], title: str | None = None) -> Table:
    """The table itself."""
    rows: list[Sequence[object]] = []
    for view in views:
        printer, reading = view.printer, view.reading
        least = lowest(reading.supplies) if reading is not None else None
        life = next((one for one in (reading.counters if reading else ()) if one.name in ("life", "total")), None)
        rows.append(
            (
                printer.name,
                str(printer.place),
                printer.model,
                state(view),
                f"{least.key} {remaining(least)}" if least is not None else "",
                f"{life.value:,}" if life is not None else "",
                ", ".join(attention(view)),
            )
        )
    headers = ("printer", "place", "model", "state", "lowest supply", "count", "to look at")
    return table(headers, rows, title=title, right=(5,))
