"""``lowmark fitness``: whether everything is there that the agent needs."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl

if TYPE_CHECKING:
    from agent.app.finding import Finding
    from agent.app.selfcheck import Wishes


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("fitness")(fitness)


def fitness(
    settings: SettingsFile = None,
    store: StoreUrl = None,
    sample: Annotated[
        int, typer.Option("--sample", min=0, max=1000, help="How many printers to ask, spread over the fleet.")
    ] = 10,
    send_test: Annotated[bool, typer.Option("--send-test", help="Send a test message on every channel.")] = False,
    every: Annotated[bool, typer.Option("--all", help="Show also what is fine.")] = False,
    as_json: AsJson = False,
) -> None:
    """Look at settings, store, channels, clock, time zones, limits of the machine, and a sample of the printers.

    Says of each thing that is not fine what to do. Sends no message unless told to. Run it as the agent's user.
    Exit status 1 when something does not work, 2 when the settings cannot be used.

    \b
    Example:
      lowmark fitness --settings lowmark.yaml
      lowmark fitness --send-test --all
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.app.finding import WRONG
    from agent.app.selfcheck import Wishes
    from agent.cli.run import NO_SETTINGS
    from agent.cli.show import fail
    from agent.cli.wiring import find_settings

    file = find_settings(settings)
    if file is None:
        fail(NO_SETTINGS, 2)
    found = asyncio.run(_look(Wishes(file, store, sample, send_test)))
    if as_json:
        _emit(found)
    else:
        _show(found, every=every)
    wrong = [finding.area for finding in found if finding.verdict == WRONG]
    if wrong:
        raise typer.Exit(2 if "settings" in wrong else 1)


async def _look(wishes: Wishes) -> list[Finding]:
    from agent.app.selfcheck import look

    return [finding async for finding in look(wishes, lambda: datetime.now(UTC), time.monotonic)]


def _emit(found: Sequence[Finding]) -> None:
    from agent.app.finding import VERDICTS
    from agent.cli.show import emit

    rows = [
        {"area": one.area, "subject": one.subject, "verdict": one.verdict, "says": one.says, "do": one.do}
        for one in found
    ]
    counts = {verdict: sum(one.verdict == verdict for one in found) for verdict in VERDICTS}
    emit("fitness", {"at": datetime.now(UTC), "counts": counts, "findings": rows})


def _show(found: Sequence[Finding], *, every: bool) -> None:
    from agent.app.finding import FINE, LOOK, WRONG
    from agent.cli.show import console, plain, table

    shown = [one for one in found if every or one.verdict != FINE]
    order = {WRONG: 0, LOOK: 1, FINE: 2}
    rows = [
        (one.verdict, one.area, one.subject, one.says, one.do)
        for one in sorted(shown, key=lambda it: order[it.verdict])
    ]
    if rows:
        console.print(table(("verdict", "area", "what", "found", "what to do"), rows))
    counts = [(sum(one.verdict == verdict for one in found), verdict) for verdict in (FINE, LOOK, WRONG)]
    words = {FINE: "fine", LOOK: "to look at", WRONG: "wrong"}
    console.print(plain(", ".join(f"{count} {words[verdict]}" for count, verdict in counts) + "."))
