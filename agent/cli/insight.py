"""``lowmark runout``, ``lowmark lives`` and ``lowmark usage``: what the history says, as of any moment."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, fail, plain, table
from agent.model.day_words import day_words, span_words
from agent.model.dregs import dregs_words, shows_nothing
from agent.model.wording import part, percent_words, supply_words
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from rich.text import Text

    from agent.cli.fleetbook import Book
    from agent.insight.lasting import Lasting
    from agent.model.fleet import Printer, PrinterHistory
    from agent.model.insight import Forecast, Life, Usage

OnePrinter = Annotated[
    str | None,
    typer.Option("--printer", "-p", metavar="PRINTER", help="Only this one: name, serial number, address, MAC or id."),
]
AsPlot = Annotated[bool, typer.Option("--plot", help="Draw it in the terminal; for one printer (--printer).")]
ImageFile = Annotated[
    Path | None,
    typer.Option(
        "--image", metavar="FILE", help="Draw it into a .png, .svg or .pdf file; for one printer (--printer)."
    ),
]
OneSite = Annotated[str | None, typer.Option("--site", metavar="SITE", help="Only the printers of this site.")]
_BARS = " \N{LOWER ONE EIGHTH BLOCK}▂▃▄▅▆▇\N{FULL BLOCK}"
_ASCII = "0123456789"
_HIGH, _SOME = 0.5, 0.1
_FAR = date.max


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("runout")(runout)
    app.command("lives")(lives)
    app.command("usage")(usage)


def runout(  # noqa: PLR0913 - each is an option of the command
    printer: OnePrinter = None,
    site: OneSite = None,
    at: At = None,
    as_json: AsJson = False,
    plot: AsPlot = False,
    image: ImageFile = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """When each supply will be empty (each receptacle full), and how sure that is.

    Days are the site's own. The range holds the day with a chance of about 80 %. The mark !! stands for a chance of
    at least a half within 7 days, ! for at least a tenth.

    \b
    Example:
      lowmark runout
      lowmark runout --printer desk-1 --plot
      lowmark runout --site "Main building" --at 2026-03-02T08:00:00+01:00 --json
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _only_one_printer(printer, plot=plot, image=image, as_json=as_json)
    book, chosen = _book(settings, store, at, printer, site)
    if plot or image is not None:
        _draw("levels", book, chosen, plot=plot, image=image)
        return
    found = [(one.printer, forecast) for one in chosen for forecast in book.insights[one.printer.id].forecasts]
    if as_json:
        from agent.web import shapes_history as shapes

        notes = [
            {"printer": one.printer.name, "printer_id": one.printer.id, "subject": note.subject, "text": note.text}
            for one in chosen
            for note in book.insights[one.printer.id].notes
        ]
        emit(
            "runout",
            {
                "as_of": book.as_of,
                "items": [{**shapes.who(one), **shapes.forecast(due)} for one, due in found],
                "notes": notes,
            },
        )
        return
    if not found:
        console.print("No supply has been read by then.")
        return
    found.sort(key=lambda one: (one[1].empty_dates.p50 if one[1].empty_dates else _FAR, one[0].name, one[1].supply))
    dry = {
        (number, life.supply)
        for number, insight in book.insights.items()
        for life in insight.lives
        if shows_nothing(life)
    }
    rows = [_runout_row(printer, one, shows_0=(printer.id, one.supply) in dry) for printer, one in found]
    headers = ("", "Printer", "Site", "Supply", "Left", "Empty on", "Range", "7 days", "14 days", "Rests on")
    console.print(table(headers, rows, title=f"Run-out as of {_moment(book.as_of, chosen)}", right=(4, 7, 8), lead=6))


def lives(  # noqa: PLR0913 - each is an option of the command
    printer: OnePrinter = None,
    site: OneSite = None,
    at: At = None,
    as_json: AsJson = False,
    plot: AsPlot = False,
    image: ImageFile = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The lives of all supplies: fitted, removed, how many impressions, how they ended, how sure that is.

    \b
    Example:
      lowmark lives --printer desk-1
      lowmark lives --printer desk-1 --image lives.svg
      lowmark lives --json --at 2026-03-02T08:00:00+01:00
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.insight.lasting import lasting

    _only_one_printer(printer, plot=plot, image=image, as_json=as_json)
    book, chosen = _book(settings, store, at, printer, site)
    if plot or image is not None:
        _draw("lives", book, chosen, plot=plot, image=image)
        return
    found = [(one.printer, life) for one in chosen for life in book.insights[one.printer.id].lives]
    kinds = lasting(chosen, book.insights)
    if as_json:
        from agent.web import shapes_history as shapes

        emit(
            "lives",
            {
                "as_of": book.as_of,
                "items": [{**shapes.who(one), **shapes.life(seen)} for one, seen in found],
                "kinds": [shapes.lasting(one) for one in kinds],
            },
        )
        return
    if not found:
        console.print("No life has been seen by then.")
        return
    headers = ("Printer", "Supply", "No.", "Fitted", "Removed", "Impressions", "From", "To", "Ended", "Sure")
    rows = [_life_row(*one, book.as_of) for one in found]
    console.print(
        table(headers, rows, title=f"Lives as of {_moment(book.as_of, chosen)}", right=(2, 5, 6, 7, 9), whole=(3, 4, 8))
    )
    if kinds:
        columns = ("Model", "Supply", "Lives", "Ran dry", "Half reach", "9 in 10 reach")
        title = "How long they last, in impressions (Kaplan-Meier; lives that did not run dry are censored)"
        console.print(table(columns, [_lasting_row(one) for one in kinds], title=title, right=(2, 3, 4, 5)))


def usage(  # noqa: PLR0913 - each is an option of the command
    printer: OnePrinter = None,
    site: OneSite = None,
    at: At = None,
    as_json: AsJson = False,
    plot: AsPlot = False,
    image: ImageFile = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """How much each printer prints: an ordinary workday, the week's shape, months' ends, the trend.

    \b
    Example:
      lowmark usage
      lowmark usage --printer desk-1 --plot
      lowmark usage --printer desk-1 --json
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _only_one_printer(printer, plot=plot, image=image, as_json=as_json)
    book, chosen = _book(settings, store, at, printer, site)
    if plot or image is not None:
        _draw("use", book, chosen, plot=plot, image=image)
        return
    found = [(one.printer, use) for one in chosen for use in book.insights[one.printer.id].usage]
    if as_json:
        from agent.web import shapes_history as shapes

        emit("usage", {"as_of": book.as_of, "items": [{**shapes.who(one), **shapes.usage(use)} for one, use in found]})
        return
    if not found:
        console.print("No counter has been read by then.")
        return
    headers = ("Printer", "Counter", "A workday", "80 % range", "A week", "Varies", "Mo-Su", "Month's end", "60 days")
    rows = [_usage_row(*one) for one in found]
    console.print(
        table(headers, rows, title=f"Use as of {_moment(book.as_of, chosen)}", right=(2, 4, 5, 7, 8), whole=(3, 6))
    )


# --- tables -------------------------------------------------------------------------------------------------------


def _book(
    settings: SettingsFile, store: StoreUrl, at: datetime | None, printer: str | None, site: str | None
) -> tuple[Book, list[PrinterHistory]]:
    from agent.cli.fleetbook import read_book, settings_or_usual
    from agent.cli.history import find
    from agent.cli.wiring import load_settings, open_store

    known = settings_or_usual(load_settings(settings))
    with open_store(store, settings) as opened:
        wanted = find(opened, printer) if printer is not None else None
        book = read_book(opened, known, at or datetime.now(UTC))
    chosen = [
        one
        for one in book.histories
        if (wanted is None or one.printer.id == wanted.id) and (site is None or one.printer.place.site == site)
    ]
    if site is not None and not chosen:
        sites = sorted({one.printer.place.site for one in book.histories if one.printer.place.site})
        fail(f"no printer stands at {site!r}; " + (f"sites: {', '.join(sites)}" if sites else "no site is known"), 2)
    return book, chosen


def _only_one_printer(printer: str | None, *, plot: bool, image: Path | None, as_json: bool) -> None:
    if not plot and image is None:
        return
    if as_json:
        fail("--json gives numbers; --plot and --image draw: choose one", 2)
    if printer is None:
        fail("a plot shows one printer: say which with --printer", 2)


def _draw(what: str, book: Book, chosen: list[PrinterHistory], *, plot: bool, image: Path | None) -> None:
    from agent.cli import plots

    pictures: list[plots.Picture] = []
    for one in chosen:
        insight = book.insights[one.printer.id]
        if what == "levels":
            pictures += plots.levels(one, insight, book.as_of)
        elif what == "lives":
            pictures += plots.lives(one, insight)
        else:
            pictures += plots.use(one, insight, book.as_of)
    if not pictures:
        console.print("There is nothing to draw by then.")
        return
    if plot:
        ascii_only = not (console.encoding or "").lower().startswith("utf")
        for row in plots.as_text(pictures, console.width, ascii_only=ascii_only).splitlines():
            console.print(plain(row.rstrip()), no_wrap=True, crop=True)
    if image is not None:
        plots.save(pictures, image)
        console.print(plain(f"Written to {image}."))


def _moment(at: datetime, chosen: Iterable[PrinterHistory]) -> str:
    first = next(iter(chosen), None)
    return _clock(at.astimezone(zone_of(first.printer.place.zone) if first else UTC))


def _clock(at: datetime) -> str:
    return f"{day_words(at)} {at.year}, {at:%H:%M %Z}"


def _percent(share: float | None) -> str:
    return "" if share is None else percent_words(share)


def _change(factor: float) -> str:
    return f"{(factor - 1) * 100:+.0f} %"


def _chance(chance: Mapping[int, float], days: int) -> str:
    value = chance.get(days)
    if value is None:
        return ""
    return "<1 %" if value < 0.01 else ">99 %" if value > 0.99 else percent_words(value)


def _runout_row(printer: Printer, one: Forecast, *, shows_0: bool) -> list[Text]:
    soon = one.chance.get(7, 0.0)
    mark, style = ("!!", "bold red") if soon >= _HIGH else ("!", "yellow") if soon >= _SOME else ("", "")
    dates = one.empty_dates
    told = [
        mark,
        printer.name,
        printer.place.site,
        supply_words(one.supply),
        _percent(one.level),
        day_words(dates.p50, one.as_of) if dates else "",
        span_words(dates.p10, dates.p90, one.as_of) if dates else "",
        _chance(one.chance, 7),
        _chance(one.chance, 14),
        one.reason or "; ".join(filter(None, (dregs_words(one) if shows_0 else "", *one.basis))),
    ]
    cells = [plain(text) for text in told]
    for cell in cells[:6] if style else []:
        cell.stylize(style)
    if one.reason:
        cells[-1].stylize("dim")
    return cells


def _life_row(printer: Printer, one: Life, as_of: datetime) -> list[str]:
    zone = zone_of(printer.place.zone)
    words = {"ranDry": "ran dry", "swappedEarly": "swapped early", "stillIn": "still in", "unknown": "not known"}
    return [
        printer.name,
        supply_words(one.supply),
        str(one.number),
        day_words(one.fitted.astimezone(zone), as_of) if one.fitted else "before",
        day_words(one.removed.astimezone(zone), as_of) if one.removed else "",
        f"{one.impressions:,}" if one.impressions is not None else "",
        _percent(one.start_level) + (" used" if one.used_before else ""),
        _percent(one.end_level),
        words[one.ended],
        _percent(one.sure),
    ]


def _lasting_row(one: Lasting) -> list[str]:
    return [
        one.model,
        part(one.kind, one.colorant),
        str(one.lives),
        str(one.dry),
        f"{one.half:,.0f}" if one.half is not None else "too few",
        f"{one.tenth:,.0f}" if one.tenth is not None else "too few",
    ]


def _usage_row(printer: Printer, one: Usage) -> list[str]:
    if one.per_workday is None:
        return [printer.name, one.counter, "", one.reason, "", "", "", "", ""]
    return [
        printer.name,
        one.counter,
        f"{one.per_workday:,.0f}",
        f"{one.low:,.0f} to {one.high:,.0f}",
        f"{one.per_week:,.0f}" if one.per_week is not None else "",
        _percent(one.variation),
        _week(one.weekday),
        _change(one.month_end),
        _change(one.trend) if one.trend is not None else "",
    ]


def _week(factors: Iterable[float]) -> str:
    """Seven signs, Monday to Sunday; digits where the terminal has no block characters."""
    marks = _BARS if (console.encoding or "").lower().startswith("utf") else _ASCII
    most = len(marks) - 1
    return "".join(marks[min(most, max(0, round(factor / 1.5 * most)))] for factor in factors)
