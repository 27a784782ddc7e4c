"""The commands: thin, one function each. ``main`` is what the program ``lowmark`` runs."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from importlib import import_module
from inspect import getdoc
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

AREAS = (
    "run",
    "demo",
    "read",
    "survey",
    "rehearse",
    "hands",
    "insight",
    "round",
    "letters",
    "upkeep",
    "service",
    "proofs",
    "symptom",
    "shelf",
    "yields",
    "history",
    "alarms",
    "transfer",
    "settings",
    "fitness",
    "backup",
    "people",
)
"""The modules of this package that bring commands."""
PANELS: dict[str, tuple[str, ...]] = {
    "The service": ("run", "sweep", "fitness"),
    "The day's work": ("round", "upkeep", "service", "proofs", "suggestions", "symptom", "shelf", "letters"),
    "What is known": ("alarms", "runout", "lives", "usage", "yields", "history", "ledger", "read"),
    "Setting up": ("settings", "survey", "people", "tokens"),
    "The history as files": ("export", "import", "backup", "restore"),
    "Trying it out": ("demo", "rehearse", "hands"),
}
"""The commands by what one wants, in the order in which ``lowmark --help`` lists them."""


class _ByPanel(TyperGroup):
    """Lists the commands in the order of PANELS; those that stand in none come last."""

    def list_commands(self, ctx: Any) -> list[str]:
        """The names of all commands."""
        order = [name for names in PANELS.values() for name in names]
        return sorted(super().list_commands(ctx), key=lambda name: order.index(name) if name in order else len(order))

    def invoke(self, ctx: Any) -> Any:
        """Run the command; what it cannot take is said in the words in which the settings are."""
        try:
            return super().invoke(ctx)
        except typer.BadParameter as wrong:
            details = getattr(wrong.__cause__, "errors", None)
            if details is not None:
                wrong.message = _expected(details()[0]) or wrong.message
            raise


def _expected(detail: Mapping[str, Any]) -> str | None:
    """What the library that checks options found, in words; None where it has better ones."""
    limits, kind = detail.get("ctx") or {}, str(detail["type"])
    if kind == "value_error":
        return str(detail["msg"]).removeprefix("Value error, ")
    wanted = {
        "greater_than_equal": f"at least {limits.get('ge')}",
        "less_than_equal": f"at most {limits.get('le')}",
        "int_parsing": "a whole number",
        "int_from_float": "a whole number",
        "float_parsing": "a number",
    }.get(kind)
    return None if wanted is None else f"found {detail['input']!s}, expected {wanted}"


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"lowmark {version('lowmark')}")
        raise typer.Exit


def build() -> typer.Typer:
    """Put the commands together. Nothing heavy is imported before a command runs."""
    app = typer.Typer(
        name="lowmark",
        cls=_ByPanel,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode="rich",
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_root)
    for area in AREAS:
        import_module(f"agent.cli.{area}").register(app)
    panels = {name: panel for panel, names in PANELS.items() for name in names}
    for command in app.registered_commands:
        command.rich_help_panel = panels.get(command.name or "")
    for group in app.registered_groups:
        group.rich_help_panel = panels.get(str(group.name), "")
    _let_flow(app)
    return app


def _let_flow(app: typer.Typer) -> None:
    """Have the sentences of every help end where the terminal does, not where a line of the source does."""
    for command in app.registered_commands:
        command.help = _flowing(command.help or getdoc(command.callback) or "")
    if app.registered_callback is not None and (told := getdoc(app.registered_callback.callback)):
        app.registered_callback.help = _flowing(told)
    for group in app.registered_groups:
        if group.typer_instance is not None:
            _let_flow(group.typer_instance)


def _flowing(text: str) -> str:
    parts = text.split("\n\n")
    return "\n\n".join(part if part.startswith("\b") else part.replace("\n", " ") for part in parts)


def _root(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, help="Print the version and leave.", callback=_version)
    ] = False,
) -> None:
    """Lowmark reads the printers of a network over SNMP and knows what they need next."""


def main() -> None:
    """Run one command; failures that a person can mend are said in a sentence, without a traceback."""
    from agent.cli.show import errors, plain
    from agent.model.failure import Failure

    try:
        build()()
    except Failure as failure:
        errors.print(plain(str(failure)), soft_wrap=True)
        sys.exit(failure.status)
    except KeyboardInterrupt:
        sys.exit(130)
