"""``lowmark backup`` and ``lowmark restore``: copies of the history, made while the agent runs."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl

if TYPE_CHECKING:
    from agent.store.backup import Copied


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("backup")(backup)
    app.command("restore")(restore)


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The copy to make.", show_default=False)],
    settings: SettingsFile = None,
    store: StoreUrl = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite FILE once the new copy is sound.")] = False,
    as_json: AsJson = False,
) -> None:
    """Copy the history into FILE while the agent runs, and read the copy back.

    FILE appears only when it holds exactly what the history held at one moment. For PostgreSQL: pg_dump.

    \b
    Example:
      lowmark backup lowmark-monday.sqlite --replace
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.wiring import store_url
    from agent.store.backup import back_up

    done = back_up(store_url(store, settings), file, replace=replace)
    if as_json:
        _emit("backup", done)
        return
    _say(f"{done.file}: {_words(done)}, read back and the same.")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A copy by lowmark backup.", show_default=False)],
    settings: SettingsFile = None,
    store: StoreUrl = None,
    online: Annotated[
        bool, typer.Option("--online", help="Also while the agent has the history open; start it again afterwards.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Put the copy FILE in the place of the history, and read it back. What was there is kept beside it.

    For PostgreSQL: pg_restore.

    \b
    Example:
      systemctl stop lowmark
      lowmark restore lowmark-monday.sqlite --settings /etc/lowmark/lowmark.yaml
      systemctl start lowmark
    """  # noqa: D301
    from agent.cli.wiring import store_url
    from agent.store.backup import restore as put_back

    done = put_back(store_url(store, settings), file, datetime.now(UTC), online=online)
    if as_json:
        _emit("restore", done)
        return
    _say(f"{done.file}: {_words(done)}, read back and the same.")
    if done.aside is not None:
        _say(f"What was there before is kept in {done.aside}")
    if online:
        _say("Start the agent again now: it remembers what the former history held.")


def _words(done: Copied) -> str:
    return f"{done.content.rows:,} rows, {done.content.octets / 1e6:,.1f} MB"


def _emit(name: str, done: Copied) -> None:
    from agent.cli.show import emit

    emit(
        name,
        {
            "file": str(done.file),
            "rows": done.content.rows,
            "octets": done.content.octets,
            "step": done.content.step,
            "digest": done.content.digest,
            "aside": None if done.aside is None else str(done.aside),
        },
    )


def _say(text: str) -> None:
    from agent.cli.show import console, plain

    console.print(plain(text), soft_wrap=True)
