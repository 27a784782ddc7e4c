"""The commands: thin, one function each. ``main`` is what the program ``lowmark`` runs."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Annotated

import typer

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
"""The modules of this package that bring commands, in the order in which ``lowmark --help`` lists them."""


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"lowmark {version('lowmark')}")
        raise typer.Exit


def build() -> typer.Typer:
    """Put the commands together. Nothing heavy is imported before a command runs."""
    app = typer.Typer(
        name="lowmark",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode="rich",
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_root)
    for area in AREAS:
        import_module(f"agent.cli.{area}").register(app)
    return app


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
