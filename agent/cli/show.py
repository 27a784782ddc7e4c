"""How the commands print: one console, one kind of table, one kind of JSON, one way to fail."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any, NoReturn

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

console = Console(highlight=False)
errors = Console(stderr=True, highlight=False)


def plain(text: object) -> Text:
    """Any value as text that Rich will not take for markup: what a printer says is never an instruction."""
    return text if isinstance(text, Text) else Text("" if text is None else str(text))


def table(
    headers: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    title: str | None = None,
    right: Sequence[int] = (),
    whole: Sequence[int] = (),
) -> Table:
    """An aligned table. Columns count from 0.

    ``right``: columns whose cells are numbers and stand to the right; they are not broken either. ``whole``: further
    columns whose cells are never broken over lines, such as names to be copied and bars.
    """
    made = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for at, header in enumerate(headers):
        number = at in right
        made.add_column(header, justify="right" if number else "left", overflow="fold", no_wrap=number or at in whole)
    for row in rows:
        made.add_row(*(plain(cell) for cell in row))
    return made


def _value(thing: object) -> object:
    if isinstance(thing, datetime | date):
        return thing.isoformat()
    if isinstance(thing, Decimal):
        return str(thing)
    if isinstance(thing, frozenset | set):
        return sorted(thing)
    if isinstance(thing, Mapping):
        return dict(thing)
    raise TypeError(f"no JSON form for {type(thing).__name__}")


def emit(name: str, payload: Mapping[str, Any]) -> None:
    """Print ``payload`` as JSON with its format name first: ``{"format": "lowmark.<name>.v1", ...}``."""
    json.dump({"format": f"lowmark.{name}.v1", **payload}, sys.stdout, indent=2, ensure_ascii=False, default=_value)
    sys.stdout.write("\n")


def fail(message: str, code: int = 1) -> NoReturn:
    """Say on standard error what is wrong and what to do, and leave with ``code``."""
    errors.print(plain(message), soft_wrap=True)
    raise typer.Exit(code)
