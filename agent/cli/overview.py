"""The fleet in one table: each printer with its state and the supplies that need an eye."""

from __future__ import annotations

from collections.abc import Iterable

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from agent.model.alert_words import said_by
from agent.model.day_words import moment_words
from agent.model.fleet import PrinterView
from agent.model.reading import Mark, Supply
from agent.model.wording import called, clean, percent_words, spaced
from agent.model.zones import zone_of

LOW = 0.15
NEARLY_FULL = 0.10
ROOM_FOR_MODEL = 100


def remaining(supply: Supply) -> str:
    """What is left, in words: a percentage, or what the printer says instead of an amount."""
    if supply.fraction is not None:
        space = " space" if supply.is_receptacle else ""
        return f"{percent_words(supply.fraction)}{space}"
    if supply.level is Mark.SOME:
        return "some space" if supply.is_receptacle else "some"
    return "empty" if supply.level == 0 and not supply.is_receptacle else "unknown"


def state(view: PrinterView) -> Text:
    """How the printer does, in a word or two; the style only repeats what the words say."""
    if not view.reachable:
        return Text(f"silent since {moment_words(view.since.astimezone(zone_of(view.printer.place.zone)))}", "bold red")
    reading = view.reading
    if reading is None:
        return Text("not read yet")
    if reading.errors:
        return Text(", ".join(said_by(one) for one in sorted(reading.errors)), "yellow")
    return Text(spaced(clean(reading.printer_status or "unknown", 60)))


def named(supply: Supply) -> str:
    """What a technician calls it; what is of no kind that the standard knows is called as its printer calls it."""
    return called(supply.kind, supply.colorant, supply.description, supply.key)


def attention(view: PrinterView) -> list[str]:
    """What somebody should look at, the gravest first; empty when all is well."""
    if view.reading is None:
        return ["never read"]
    found = []
    for supply in view.reading.supplies:
        share = supply.fraction
        if supply.level == 0:
            found.append((0.0, f"{named(supply)} {'full' if supply.is_receptacle else 'empty'}"))
        elif share is not None and share < (NEARLY_FULL if supply.is_receptacle else LOW):
            found.append((share, f"{named(supply)} {remaining(supply)}"))
    return [text for _, text in sorted(found)]


def overview(views: Iterable[PrinterView], title: str | None = None, *, width: int = 80) -> Table:
    """The table itself, site by site; the model stands in it where ``width`` columns leave room for it."""
    wide = width >= ROOM_FOR_MODEL
    made = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False, header_style="bold")
    made.add_column("printer", no_wrap=True)
    made.add_column("room", overflow="fold", max_width=18 if wide else 14)
    if wide:
        made.add_column("model", overflow="fold", max_width=20)
    made.add_column("state", overflow="fold", min_width=14)
    made.add_column("count", justify="right", no_wrap=True)
    made.add_column("to look at", overflow="fold", min_width=18)
    site = None
    for view in views:
        printer, reading = view.printer, view.reading
        if printer.place.site != site:
            site = printer.place.site
            made.add_section()
            made.add_row(Text(site or "no site", "bold"))
        life = next((one for one in (reading.counters if reading else ()) if one.name in ("life", "total")), None)
        cells = [Text(printer.name), Text(printer.place.room), *([Text(printer.model)] if wide else [])]
        made.add_row(*cells, state(view), Text(f"{life.value:,}" if life else ""), Text(", ".join(attention(view))))
    return made
