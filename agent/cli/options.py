"""The options that several commands share, so that each is called, explained and read from the environment once."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer


def moment(text: str | datetime) -> datetime:
    """Read an ISO 8601 moment that says its offset; raises typer.BadParameter in words that help."""
    if isinstance(text, datetime):
        return text
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no ISO 8601 moment; write e.g. 2026-03-02T08:00:00+01:00") from None
    if at.tzinfo is None:
        whole = text if len(text) > len("2026-03-02") else f"{at:%Y-%m-%d}T00:00:00"
        raise typer.BadParameter(f"{text!r} does not say its offset; write e.g. {whole}+01:00, or {whole}Z for UTC")
    return at


SettingsFile = Annotated[
    Path | None,
    typer.Option("--settings", "-s", envvar="LOWMARK_SETTINGS", metavar="FILE", help="The settings file (YAML)."),
]
StoreUrl = Annotated[
    str | None,
    typer.Option(
        "--store",
        envvar="LOWMARK_STORE",
        metavar="URL",
        help="Where the history is kept, e.g. sqlite:///lowmark.sqlite; wins over the settings file.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON of a documented, stable shape instead of a table.")]
At = Annotated[
    datetime | None,
    typer.Option("--at", parser=moment, metavar="MOMENT", help="As of this moment (ISO 8601 with offset); else now."),
]
Since = Annotated[
    datetime | None,
    typer.Option("--since", parser=moment, metavar="MOMENT", help="From this moment on (ISO 8601 with offset)."),
]
