"""A printer that is read every morning, in CSV: 100 pages a workday, and a new cartridge whenever the last is empty."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import typer
from typer.testing import CliRunner

from agent.cli import insight, transfer


def mornings(first: datetime, days: range, lasts: int) -> Iterator[tuple[str, int, int]]:
    """Of each of these days after the first morning: the moment, the page count, and the pages that are left."""
    count, left = 1_000, lasts
    for day in days:
        at = first + timedelta(days=day)
        yield at.isoformat(), count, left
        if at.weekday() < 5:
            left = left if left > 0 else lasts
            count, left = count + 100, left - 100


def program() -> typer.Typer:
    """The commands that take such a file in, and that tell what follows from it."""
    made = typer.Typer(pretty_exceptions_enable=False)
    insight.register(made)
    transfer.register(made)
    return made


def taken_in(folder: Path, rows: Iterable[Sequence[object]]) -> str:
    """The URL of a history in this folder that holds these rows, the header first."""
    path, url = folder / "readings.csv", f"sqlite:///{folder / 'history.sqlite'}"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    done = CliRunner().invoke(program(), ["import", str(path), "--store", url])
    assert done.exit_code == 0, done.output
    return url
