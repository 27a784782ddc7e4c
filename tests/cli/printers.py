"""The commands read and survey, run as a user would, and a rehearsal for them to read."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import typer
from typer.testing import CliRunner

from agent.cli import read, survey
from agent.model.failure import Failure
from agent.rehearsal.clock import SimClock
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.rehearsal.serve import Rehearsal

TUESDAY = datetime(2026, 3, 3, 10, 30, tzinfo=UTC)


@dataclass
class Outcome:
    out: str
    err: str
    status: int

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def run(*args: str, env: Mapping[str, str] | None = None, stdin: str | None = None) -> Outcome:
    """Run a command; a Failure becomes a sentence and a status, as ``agent.cli.main`` does it."""
    app = typer.Typer(rich_markup_mode="rich", pretty_exceptions_enable=False)
    read.register(app)
    survey.register(app)
    result = CliRunner().invoke(app, list(args), env={"COLUMNS": "160", **(env or {})}, input=stdin)
    failure = result.exception
    if isinstance(failure, Failure):
        return Outcome(result.stdout, result.stderr + str(failure), failure.status)
    if failure is not None and not isinstance(failure, SystemExit):
        raise failure
    return Outcome(result.stdout, " ".join(result.stderr.split()), result.exit_code)


def free_port(host: str = "127.0.0.1") -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind((host, 0))
        return int(one.getsockname()[1])


@contextlib.contextmanager
def fleet(size: int = 16) -> Iterator[Rehearsal]:
    """One printer of each kind and some more, all switched on."""
    made = Fleet(7, size, start=TUESDAY - timedelta(hours=1), addresses=own_addresses(size, free_port("127.77.0.1")))
    made.advance(TUESDAY)
    for one in made.printers:
        one.switch(on=True)
        one.clear()
    with Rehearsal(made, SimClock(lambda: datetime.now(UTC), TUESDAY)) as running:
        yield running


def address(rehearsal: Rehearsal, name: str) -> str:
    who = rehearsal.fleet.by_name[name].who
    return f"{who.host}:{who.port}"


def cells(rehearsal: Rehearsal, name: str) -> Mapping[str, Any]:
    """What the printer answers, raw."""
    return rehearsal.fleet.cells(rehearsal.fleet.by_name[name], rehearsal.clock.now())
