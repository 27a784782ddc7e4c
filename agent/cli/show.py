"""How the commands print: one console, one kind of table, one kind of JSON, one way to fail."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any, NoReturn

import typer
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from agent.cli.listing import Listing, glued


class _Terminal(Console):
    """Sentences, printed with ``soft_wrap``, end their lines at words where somebody reads them at a known width.

    Into a pipe or a file they go as one line each. A word, such as a path to be copied, is never broken.
    """

    def print(self, *objects: Any, soft_wrap: bool | None = None, **more: Any) -> None:
        """As Rich prints."""
        if not soft_wrap or not (self.is_terminal or "COLUMNS" in os.environ):
            super().print(*objects, soft_wrap=soft_wrap, **more)
            return
        texts = [one for one in objects if isinstance(one, Text)]
        if any(len(word) > self.width for text in texts for word in text.plain.split()):
            super().print(*objects, soft_wrap=True, **more)
            return
        if len(objects) == len(texts) == 1 and (indent := len(texts[0].plain) - len(texts[0].plain.lstrip(" "))):
            objects = (Padding(texts[0][indent:], (0, 0, 0, indent)),)
        super().print(*objects, soft_wrap=False, **more)


console = _Terminal(highlight=False)
errors = _Terminal(stderr=True, highlight=False)


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
    lead: int = 2,
) -> Listing:
    """An aligned table; where the terminal has no room for it, rows with what did not fit below them.

    Columns count from 0. ``right``: columns whose cells are numbers and stand to the right; they are not broken either.
    ``whole``: further columns whose cells are never broken over lines, such as names to be copied and bars. ``lead``:
    so many columns, from the left, say what a row is about.
    """
    return Listing(
        # As a sentence begins, in every table; a single letter is a sign of its trade (n, s).
        tuple(header[:1].upper() + header[1:] if len(header) > 1 else header for header in headers),
        tuple(tuple(glued(plain(cell)) for cell in row) for row in rows),
        title,
        frozenset(right),
        frozenset((*right, *whole)),
        lead,
    )


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
