"""``lowmark export`` and ``lowmark import``: readings out of the store and into it."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any

import typer

from agent.cli.options import AsJson, At, SettingsFile, Since, StoreUrl
from agent.cli.show import emit, errors, fail, plain

if TYPE_CHECKING:
    from rich.progress import Progress

    from agent.model.fleet import Printer
    from agent.store import Store

_SHOWN = 100
"""So many bad rows are printed; the rest are counted."""


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("export")(export)
    app.command("import")(import_)


def export(
    csv_file: Annotated[
        str | None, typer.Option("--csv", metavar="FILE", help="Write CSV to FILE (- is standard output, as without).")
    ] = None,
    lines_file: Annotated[
        str | None, typer.Option("--jsonl", metavar="FILE", help="Write JSON lines to FILE (- is standard output).")
    ] = None,
    printer: Annotated[
        str | None, typer.Option("--printer", metavar="PRINTER", help="Only this printer (name, serial, address, id).")
    ] = None,
    since: Since = None,
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Write the readings in the store as CSV (which import reads) or JSON lines.

    A reading stands there when something changed, when it was last seen, and at least once a day.

    \b
    Example:
      lowmark export --since 2026-03-01T00:00:00+01:00 --csv march.csv
      lowmark export --jsonl - | head
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.history import find
    from agent.cli.wiring import open_store

    if csv_file is not None and lines_file is not None:
        raise typer.BadParameter("give --csv or --jsonl, not both", param_hint="--jsonl")
    with open_store(store, settings) as opened:
        printers = opened.printers(retired=True) if printer is None else (find(opened, printer),)
        with _target(lines_file or csv_file or "-") as target:
            if lines_file is not None:
                rows = _write_lines(opened, printers, since, at, target)
            else:
                rows = _write_csv(opened, printers, since, at, target)
    if target is not sys.stdout:
        errors.print(f"{_many(rows, 'row')} of {_many(len(printers), 'printer')} written")


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


@contextmanager
def _target(name: str) -> Iterator[IO[str]]:
    """Standard output, or a file that is there whole or not at all."""
    if name == "-":
        yield sys.stdout
        return
    path = Path(name)
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as target:
            yield target
        part.replace(path)
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror}", 2)
    finally:
        part.unlink(missing_ok=True)


def _write_csv(
    store: Store, printers: tuple[Printer, ...], since: datetime | None, until: datetime | None, target: IO[str]
) -> int:
    from agent.cli import csv_rows

    writer = csv.DictWriter(target, csv_rows.COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    rows = 0
    for printer in printers:
        for observation in store.observations(printer.id, since, until):
            for row in csv_rows.write(printer, observation):
                writer.writerow(row)
                rows += 1
    return rows


def _write_lines(
    store: Store, printers: tuple[Printer, ...], since: datetime | None, until: datetime | None, target: IO[str]
) -> int:
    from agent.web.shapes import plain as amount

    rows = 0
    for printer in printers:
        for observation in store.observations(printer.id, since, until):
            line: dict[str, Any] = {
                "at": observation.at.isoformat(),
                "printer": printer.name,
                "serial": printer.serial,
                "model": printer.model,
                "site": printer.place.site,
                "impressions": observation.impressions,
                "supplies": [
                    {
                        "supply": one.key,
                        "kind": one.kind,
                        "class": one.supply_class,
                        "colorant": one.colorant,
                        "unit": one.unit,
                        "capacity": amount(one.capacity),
                        "level": amount(one.level),
                    }
                    for one in observation.supplies
                ],
            }
            target.write(json.dumps(line, ensure_ascii=False) + "\n")
            rows += 1
    return rows


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="CSV with a header line; - is standard input.")],
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Take readings from elsewhere into the store, from CSV.

    Columns, in any order: at, printer, serial, model, site, supply, kind, colorant, unit, capacity, level, impressions.
    "at" is ISO 8601 with offset. "level" is what is left (of a waste receptacle: the space left): a whole number, or
    nothing, unknown or -2, some or -3, other or -1. The same rows twice change nothing. Every bad cell is named by its
    line and column, the good rows go in, and the exit status is 1.

    \b
    Example:
      lowmark import readings.csv --store sqlite:///lowmark.sqlite
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.importing import Import
    from agent.cli.wiring import open_store

    with (
        _source(file) as (source, size),
        open_store(store, settings, create=True) as opened,
        _progress(size) as progress,
    ):
        task = progress.add_task("importing", total=size)
        name = "standard input" if str(file) == "-" else str(file)
        run = Import(opened, name, _SHOWN)
        run.read(_lines(source, lambda done: progress.update(task, completed=done)))
    if as_json:
        emit("import", run.summary())
    else:
        for bad in run.bad:
            errors.print(plain(str(bad)), soft_wrap=True)
        if run.bad_rows > len(run.bad):
            errors.print(f"... and {_many(run.bad_rows - len(run.bad), 'more bad row')}")
        news = f"{_many(run.changed, 'change')} to the store" if run.changed else "nothing new to the store"
        taken = f"{_many(run.good_rows, 'row')} taken in, {run.bad_rows} bad"
        typer.echo(f"{taken}; {_many(run.new_printers, 'new printer')}; {news}")
    if run.latest is not None and run.latest > datetime.now(UTC):
        late = f"note: the latest row is of {run.latest.isoformat()}, which has not come yet"
        errors.print(plain(late), soft_wrap=True)
    if run.bad_rows:
        raise typer.Exit(1)


@contextmanager
def _source(file: Path) -> Iterator[tuple[IO[bytes], int | None]]:
    if str(file) == "-":
        yield sys.stdin.buffer, None
        return
    try:
        with file.open("rb") as source:
            yield source, os.fstat(source.fileno()).st_size
    except OSError as error:
        if error.filename != str(file):
            raise
        fail(f"{file} cannot be read: {error.strerror}", 2)


def _progress(size: int | None) -> Progress:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    return Progress(*columns, console=errors, transient=True, disable=size is None or not errors.is_terminal)


def _lines(source: IO[bytes], tell: Any) -> Iterator[str]:
    """The lines as text; bytes that are no UTF-8 come through as lone surrogates, so that their row can be named."""
    done = 0
    text = io.TextIOWrapper(source, encoding="utf-8-sig", errors="surrogateescape", newline="")
    for count, line in enumerate(text):
        done += len(line)
        if count % 2000 == 0:
            tell(done)
        yield line
    text.detach()
