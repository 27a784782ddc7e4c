"""``lowmark settings``: check a settings file, print an example, print the schema for editors."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson
from agent.cli.show import console, emit, errors, fail, plain, table

if TYPE_CHECKING:
    from agent.settings import Settings, SettingsErrors

_File = Annotated[
    Path | None,
    typer.Argument(envvar="LOWMARK_SETTINGS", metavar="FILE", help="The settings file (YAML).", show_default=False),
]

_HELP = """Check the settings file, or begin one.

\b
Example:
  lowmark settings example > lowmark.yaml
  lowmark settings check lowmark.yaml
"""
_CHECK_EPILOG = "\b\nExample:\n  lowmark settings check lowmark.yaml"
_EXAMPLE_EPILOG = "\b\nExample:\n  lowmark settings example > lowmark.yaml"
_SCHEMA_EPILOG = "\b\nExample:\n  lowmark settings schema > lowmark.schema.json"


def register(app: typer.Typer) -> None:
    """Put the commands of this area under ``lowmark settings``."""
    group = typer.Typer(help=_HELP, no_args_is_help=True)
    group.command("check", epilog=_CHECK_EPILOG)(check)
    group.command("example", epilog=_EXAMPLE_EPILOG)(example)
    group.command("schema", epilog=_SCHEMA_EPILOG)(schema)
    app.add_typer(group, name="settings")


def check(file: _File = None, as_json: AsJson = False) -> None:
    """Say everything that is wrong with FILE, each with its line, or what it asks for. Sends nothing anywhere."""
    from agent.settings import SettingsErrors, beyond, load

    if file is None:
        fail("which file? Give it after the command, or in LOWMARK_SETTINGS", code=2)
    settings, wrong = None, beyond(file)
    try:
        settings = load(file)
    except SettingsErrors as found:
        wrong = (*found.errors, *wrong)
    if settings is None or wrong:
        _wrong(file, SettingsErrors(wrong), as_json=as_json)
        raise typer.Exit(2)
    _right(file, settings, as_json=as_json)


def example() -> None:
    """Print a settings file with every key explained."""
    from agent.settings import example as text

    sys.stdout.write(text())


def schema() -> None:
    """Print the JSON Schema of the settings file, which editors use to check and complete it."""
    from agent.settings import json_schema

    json.dump(json_schema(), sys.stdout, indent=2)
    sys.stdout.write("\n")


def _wrong(file: Path, wrong: SettingsErrors, *, as_json: bool) -> None:
    if as_json:
        rows = [
            {name: getattr(error, name) for name in ("line", "column", "key", "found", "expected", "hint")}
            for error in wrong.errors
        ]
        emit("settings-check", {"file": str(file), "valid": False, "errors": rows, "notices": []})
        return
    for error in wrong.errors:
        errors.print(plain(error), soft_wrap=True)
    count = len(wrong.errors)
    errors.print(plain(f"{count} thing{'' if count == 1 else 's'} to mend in {file}"), soft_wrap=True)


def _right(file: Path, settings: Settings, *, as_json: bool) -> None:
    from agent.settings import notices

    found = notices(settings)
    targets = settings.targets()
    listed = sum(target.listed for target in targets)
    if as_json:
        counts = {
            "addresses_listed": listed,
            "addresses_from_ranges": len(targets) - listed,
            "sites": len(settings.sites),
            "credentials": len(settings.credentials),
            "alarms": len(settings.alarms),
            "channels": len(settings.channels),
        }
        payload = {"file": str(file), "valid": True, "errors": [], "notices": list(found), "counts": counts}
        emit("settings-check", payload)
        return
    rows = [
        ("store", settings.store.url),
        ("listens on", settings.listen.address),
        ("printers", f"{listed} listed, {len(targets) - listed} addresses in ranges"),
        ("sites", ", ".join(f"{name} ({site.zone})" for name, site in settings.sites.items()) or "none"),
        ("alarm rules", ", ".join(alarm.name for alarm in settings.alarms) or "none"),
        ("channels", ", ".join(f"{channel.name} ({channel.kind})" for channel in settings.channels) or "none"),
    ]
    console.print(plain(f"{file} is fine."), soft_wrap=True)
    console.print(table(("setting", "value"), rows))
    for notice in found:
        console.print(plain(f"note: {notice}"), soft_wrap=True)
