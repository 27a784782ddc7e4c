"""``lowmark rehearse``: a simulated fleet on loopback, to try everything out without a printer."""

from __future__ import annotations

import signal
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson
from agent.model.wording import percent_words, supply_words

if TYPE_CHECKING:
    from agent.rehearsal.fleet import Fleet
    from agent.rehearsal.truth import Deed
    from agent.rehearsal.wear import Worn

_WORN_IN = timedelta(days=14)  # so that the printers have something to show from the first moment
_WORDS = {
    "swap": "new {subject}, {left} was left",
    "counterReset": "counter of {subject} reset",
    "ranDry": "{subject} used up",
    "jam": "paper jam",
    "cleared": "jam cleared",
    "off": "switched off",
    "on": "switched on",
    "exchanged": "exchanged",
    "moved": "moved to {subject}",
    "lifeReset": "life counter reset",
    "levelSet": "{subject} is at {left} now",
}


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("rehearse")(rehearse)


def rehearse(  # noqa: PLR0913 - one for each option
    printers: Annotated[int, typer.Option("--printers", min=1, max=2_000, help="How many printers.")] = 30,
    seed: Annotated[int, typer.Option("--seed", help="Another number, another fleet.")] = 1,
    speed: Annotated[float, typer.Option("--speed", min=0.01, max=10_000, help="How much faster time runs.")] = 60.0,
    port: Annotated[int, typer.Option("--port", min=1, max=65_535, help="The UDP port of every printer.")] = 1161,
    write: Annotated[
        Path | None, typer.Option("--write-settings", metavar="FILE", help="Write settings for `lowmark run` here.")
    ] = None,
    staff: Annotated[
        bool, typer.Option("--staff/--no-staff", help="Simulated people fit supplies; without, only lowmark hands do.")
    ] = True,
    scenes: Annotated[bool, typer.Option("--scenes/--no-scenes", help="A few events in the first minutes.")] = True,
    seconds: Annotated[float | None, typer.Option("--seconds", min=0, help="End by itself after so long.")] = None,
    as_json: AsJson = False,
) -> None:
    """Start simulated printers that answer real SNMP on loopback, and wear like real ones, until Ctrl-C.

    \b
    Example:
      lowmark rehearse --printers 30 --speed 60 --write-settings rehearsal.yaml
      lowmark run --settings rehearsal.yaml          # in another terminal
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.hands import let_in
    from agent.rehearsal.clock import SimClock
    from agent.rehearsal.fleet import Fleet, own_addresses, own_ports
    from agent.rehearsal.hands import Hands
    from agent.rehearsal.paper import RULES, write_settings
    from agent.rehearsal.serve import Rehearsal, loopback_answers_everywhere, usual_scenes

    now = datetime.now(UTC)
    if loopback_answers_everywhere():
        addresses = own_addresses(printers, port)
    elif port + printers <= 65_536:
        addresses = own_ports(printers, port)
    else:
        raise typer.BadParameter(f"{printers} printers need the ports from {port} on; choose a lower one")
    fleet = Fleet(seed, printers, start=now - _WORN_IN, addresses=addresses)
    ended = threading.Event()
    before = {number: signal.signal(number, lambda *_: ended.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    clock = SimClock(lambda: datetime.now(UTC), now, speed)
    rehearsal = Rehearsal(fleet, clock, told=None if as_json else _tell)
    if scenes:
        rehearsal.stage(usual_scenes(rehearsal))
    if not staff:
        rehearsal.untended()
    try:
        if write is not None:
            write_settings(fleet, write, alarms=RULES)
        with rehearsal, let_in(Hands(rehearsal)):
            _show(fleet, write, as_json=as_json)
            ended.wait(seconds)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _version(worn: Worn) -> str:
    from agent.model.wire import Community

    given = worn.kind.credentials
    return f"v{given.version}" if isinstance(given, Community) else f"v3 {given.auth} {given.priv}"


def _show(fleet: Fleet, written: Path | None, *, as_json: bool) -> None:
    from agent.cli.show import console, emit, table

    rows = [
        {
            "name": worn.who.name,
            "kind": worn.kind.name,
            "model": worn.kind.title,
            "serial": worn.who.serial,
            "address": f"{worn.who.host}:{worn.who.port}",
            "device": worn.who.device_index,
            "snmp": _version(worn),
        }
        for worn in fleet.printers
    ]
    if as_json:
        emit("rehearse", {"printers": rows, "settings": str(written) if written else None})
        return
    headers = ("name", "kind", "address", "device", "SNMP")
    keys = ("name", "kind", "address", "device", "snmp")
    console.print(table(headers, [[row[key] for key in keys] for row in rows], title=fleet.organisation, right=(3,)))
    if written is not None:
        console.print(f"Settings written. Read the fleet with: lowmark run --settings {written}", markup=False)
    else:
        console.print("Add --write-settings FILE for settings that are ready for lowmark run.")
    console.print(
        f"Their technician is you: lowmark hands {fleet.printers[0].who.name} --fit toner:black", markup=False
    )
    console.print("Simulated printers are answering. Ctrl-C ends the rehearsal.")


def describe(deed: Deed) -> str:
    """What happened, in words; empty where there is nothing to say."""
    words = _WORDS.get(deed.kind)
    return "" if words is None else words.format(subject=supply_words(deed.subject), **_shares(deed))


def _shares(deed: Deed) -> dict[str, str]:
    left = deed.data.get("left")
    return {"left": percent_words(left)} if isinstance(left, int | float) else {}


def _tell(deed: Deed) -> None:
    from agent.cli.show import console

    if text := describe(deed):
        console.print(f"{deed.at:%a %H:%M}  {deed.printer}  {text}", markup=False)
