"""``lowmark history PRINTER`` and ``lowmark ledger``: what was, and what was done or noticed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from agent.cli.options import AsJson, At, SettingsFile, Since, StoreUrl
from agent.cli.show import console, emit, errors, fail, plain, table
from agent.model.day_words import moment_words
from agent.model.fleet import ContactRun, CounterTrack, LevelPoint, Printer, PrinterHistory, SupplyTrack
from agent.model.reading import Mark
from agent.model.wording import spaced, subjects_in_words, supply_words
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.store import Store

_BARS = "\N{LOWER ONE EIGHTH BLOCK}▂▃▄▅▆▇\N{FULL BLOCK}"
_DIGITS = "01234567"
_SOME = "~"
_UNKNOWN = "?"
_WIDEST, _NARROWEST = 40, 10
_BETWEEN = 12
_BELOW = 13
"""What the table puts between and beside its four columns."""

_LEDGER_SHOWN = 200


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("history")(history)
    app.command("ledger")(ledger)


def history(
    printer: Annotated[str, typer.Argument(metavar="PRINTER", help="Its name, serial number, address, MAC or id.")],
    since: Since = None,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The supplies and counters of one printer over time.

    In the plots every column is an equal share of the time; ~ stands for "some is left", ? for an unknown level.

    \b
    Example:
      lowmark history desk-1
      lowmark history TG00001 --since 2026-03-01T00:00:00+01:00 --json
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.wiring import open_store

    with open_store(store, settings) as opened:
        found = find(opened, printer)
        told = opened.history(found.id, since, at)
    until = at or datetime.now(UTC)
    if as_json:
        from agent.web import shapes

        emit("history", {"since": since, "until": until, **shapes.history(told)})
        return
    _print(told, since, until)


def find(store: Store, text: str) -> Printer:
    """The printer that ``text`` means; leaves with status 2 and what might have been meant when there is none."""
    import difflib

    found = store.find_printers(text)
    if not found:
        names = [one.name for one in store.printers(retired=True)]
        near = difflib.get_close_matches(text, names, 3)
        hint = f"did you mean {' or '.join(near)}?" if near else f"the store has {len(names)} printers"
        fail(f"There is no printer {text!r}; {hint}", 2)
    if len(found) > 1:
        others = ", ".join(f"{one.id} ({one.name}, {one.serial or one.address or 'no serial'})" for one in found[1:6])
        errors.print(plain(f"{text!r} may also mean {others}; this is {found[0].id}"), soft_wrap=True)
    return found[0]


@dataclass(frozen=True, slots=True)
class Stretch:
    """The time that a plot shows, and how many columns it has for it."""

    begin: datetime
    end: datetime
    columns: int


# --- the table --------------------------------------------------------------------------------------------------


def _print(told: PrinterHistory, since: datetime | None, until: datetime) -> None:
    zone = zone_of(told.printer.place.zone)
    title = ", ".join(part for part in (told.printer.name, told.printer.model, str(told.printer.place)) if part)
    console.print(plain(title), style="bold", soft_wrap=True)
    console.print(plain(_contact_line(told.contacts, until, zone)), soft_wrap=True)
    moments = [track.points[0].at for track in told.supplies] + [track.points[0].at for track in told.counters]
    if not moments:
        console.print("No level or counter is known in this time.")
        return
    begin = max(min(moments), since) if since is not None else min(moments)
    # After the last answer nothing is known, and a plot that goes on would say otherwise.
    end = max((run.last for run in told.contacts if run.reachable), default=until)
    end = max(begin, min(end, until))
    texts = [
        (supply_words(track.key), _level_text(track.points[0], track), _level_text(track.points[-1], track))
        for track in told.supplies
    ]
    texts += [
        (f"{track.name} ({track.unit})", f"{track.points[0].value:,}", f"{track.points[-1].value:,}")
        for track in told.counters
    ]
    taken = sum(max(len(row[column]) for row in texts) for column in range(3))
    beside = console.width - taken - _BETWEEN
    # Where there is no room beside the numbers the plots stand below them.
    columns = beside if beside >= _NARROWEST else max(_NARROWEST, console.width - _BELOW)
    stretch = Stretch(begin, end, min(_WIDEST, columns))
    plots = [_levels(track, stretch) for track in told.supplies] + [_counts(track, stretch) for track in told.counters]
    console.print(plain(f"From {_clock(begin, zone, until)} to {_clock(end, zone, until)}:"), soft_wrap=True)
    rows = [(*row, plot) for row, plot in zip(texts, plots, strict=True)]
    console.print(table(("what", "first", "last", "course"), rows, right=(1, 2), whole=(3,)))
    if told.ledger:
        count = len(told.ledger)
        console.print(plain(f"{count} ledger entries: lowmark ledger --printer {told.printer.id}"), soft_wrap=True)


def _clock(at: datetime, zone: ZoneInfo, today: datetime) -> str:
    return moment_words(at.astimezone(zone), today.astimezone(zone))


def _contact_line(contacts: Sequence[ContactRun], until: datetime, zone: ZoneInfo) -> str:
    if not contacts:
        return "Never asked in this time."
    last = contacts[-1]
    silences = sum(not run.reachable for run in contacts)
    seen = max((run.last for run in contacts if run.reachable), default=None)
    if last.reachable:
        line = f"Answered last at {_clock(last.last, zone, until)}"
    elif seen is None:
        line = f"Silent since {_clock(last.first, zone, until)}"
    else:
        line = f"Silent since {_clock(last.first, zone, until)}, answered last at {_clock(seen, zone, until)}"
    before = silences - (not last.reachable)
    return f"{line}; silent {'once' if before == 1 else f'{before} times'} before." if before else f"{line}."


def _level_text(point: LevelPoint, track: SupplyTrack) -> str:
    level, capacity = point.level, point.capacity
    if isinstance(level, Mark):
        return {Mark.SOME: "some left", Mark.UNKNOWN: "unknown", Mark.OTHER: "no limit"}[level]
    if track.unit == "percent" and (isinstance(capacity, Mark) or capacity == 100):
        return f"{level} %"
    if isinstance(capacity, Mark):
        return f"{level:,} {track.unit}"
    return f"{level:,} of {capacity:,} {track.unit}"


def _levels(track: SupplyTrack, stretch: Stretch) -> str:
    highest = max((point.level for point in track.points if isinstance(point.level, int)), default=0)

    def cell(point: LevelPoint) -> str:
        if isinstance(point.level, Mark):
            return _SOME if point.level is Mark.SOME else _UNKNOWN
        if isinstance(point.capacity, int) and point.capacity > 0:
            return bar(point.level / point.capacity)
        return bar(point.level / 100 if track.unit == "percent" else point.level / (highest or 1))

    return _plot(track.points, cell, stretch)


def _counts(track: CounterTrack, stretch: Stretch) -> str:
    values = [point.value for point in track.points]
    low, high = min(values), max(values)
    return _plot(track.points, lambda point: bar((point.value - low) / ((high - low) or 1)), stretch)


def bar(fraction: float) -> str:
    """One bar of a plot, 0 to 1; digits 0 to 7 where the terminal's encoding has no bars."""
    bars = _BARS if (console.encoding or "").lower().startswith("utf") else _DIGITS
    return bars[min(7, max(0, int(fraction * 8)))]


def _plot(points: Sequence[Any], cell: Callable[[Any], str], stretch: Stretch) -> str:
    """A step function as text: the value at the end of each of equal shares of the time."""
    share = (stretch.end - stretch.begin) / stretch.columns
    if share <= timedelta(0):
        return cell(points[-1])
    drawn = []
    here = -1
    for column in range(1, stretch.columns + 1):
        at = stretch.begin + column * share if column < stretch.columns else stretch.end
        while here + 1 < len(points) and points[here + 1].at <= at:
            here += 1
        drawn.append(cell(points[here]) if here >= 0 else " ")
    return "".join(drawn)


# --- the ledger -------------------------------------------------------------------------------------------------


_LOOKED_AT = 5_000
"""So many of the latest entries are asked which kinds there are."""


def _kind(word: str) -> str:
    """The kind as it is stored, of the word in which the table shows it: ``swap seen`` -> ``swapSeen``."""
    first, *rest = word.split() or [""]
    return first + "".join(part[:1].upper() + part[1:] for part in rest)


def ledger(  # noqa: PLR0913 - each is an option of the command
    printer: Annotated[
        str | None,
        typer.Option("--printer", metavar="PRINTER", help="Only of this printer (name, serial, address, id)."),
    ] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option(
            "--kind", metavar="WORD", help="Only entries of this kind, as JSON or the table call it; again for more."
        ),
    ] = None,
    limit: Annotated[int, typer.Option("--limit", min=1, help="At most so many, the latest.")] = _LEDGER_SHOWN,
    since: Since = None,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """What was done or noticed: swaps, services, counter resets, alarms. Entries are never changed.

    \b
    Example:
      lowmark ledger --printer desk-1 --since 2026-03-01T00:00:00+01:00
      lowmark ledger --kind counterReset --kind moved --json
      lowmark ledger --kind "swap seen"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.wiring import open_store

    with open_store(store, settings) as opened:
        printer_id = None if printer is None else find(opened, printer).id
        kinds = [_kind(word) for word in kind or ()]
        entries = opened.ledger(printer_id, since, at, kinds or None, limit)
        known = (
            {one.kind for one in opened.ledger(None, None, at, None, _LOOKED_AT)} if kinds and not entries else set()
        )
        printers = {one.id: one for one in opened.printers(retired=True)}
    if as_json:
        from agent.web import shapes

        emit("ledger", {"since": since, "until": at, "entries": shapes.entries(entries, printers)})
        return
    if not entries:
        strange = [spaced(one) for one in kinds if one not in known]
        has = f" It has: {', '.join(sorted(map(spaced, known)))}." if strange and known else ""
        console.print(plain(f"The ledger has no such entry.{has}"), soft_wrap=True)
        return
    rows = []
    for entry in entries:
        owner = None if entry.printer_id is None else printers.get(entry.printer_id)
        clock = _clock(
            entry.at, ZoneInfo("UTC") if owner is None else zone_of(owner.place.zone), at or datetime.now(UTC)
        )
        about = subjects_in_words(entry.subject)
        rows.append((clock, "" if owner is None else owner.name, spaced(entry.kind), about, entry.text, entry.who))
    console.print(table(("at", "printer", "kind", "about", "what", "who"), rows, whole=(0,), lead=3))
    if len(entries) == limit:
        console.print(f"The latest {limit}; --limit shows more.")
