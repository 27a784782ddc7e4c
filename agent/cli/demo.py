"""``lowmark demo``: the agent on a simulated fleet with a past, so that there is something to see at once."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from agent.app.service import Service
    from agent.model.reading import Reading
    from agent.rehearsal.fleet import Fleet
    from agent.rehearsal.hands import Hands
    from agent.rehearsal.serve import Rehearsal
    from agent.rehearsal.truth import Deed
    from agent.rehearsal.wear import Worn
    from agent.store import Store
    from agent.sweep.work import Report

METRICS_PORT = 9633
BATCH = 2_000
LONGEST_MESSAGE = 64 * 1024
COMMANDS = (
    ("round", "the same round"),
    ("runout", "when which supply runs out"),
    ("upkeep", "cleaning, calibration, kits"),
    ("alarms", "what stands"),
    ("history {name}", "what was seen of a printer"),
    ("read {address}", "all that a printer says now"),
    ("ledger", "what was done, and noticed"),
    ("hands {name} --fit toner:black", "fit a toner at a simulated printer"),
    ("service {name} --did toner:black", "say that it was done"),
    ("proofs", "whether it worked"),
)
"""What else there is to try, and what it shows."""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("demo")(demo)


def demo(
    printers: Annotated[int, typer.Option("--printers", min=1, max=500, help="How many printers.")] = 30,
    days: Annotated[int, typer.Option("--days", min=1, max=800, help="How many days of history to begin with.")] = 120,
    seed: Annotated[int, typer.Option("--seed", help="Another number, another fleet.")] = 1,
    speed: Annotated[float, typer.Option("--speed", min=0.01, max=10_000, help="How much faster time runs.")] = 60.0,
    port: Annotated[int, typer.Option("--port", min=1, max=65_535, help="The UDP port of every printer.")] = 1161,
    seconds: Annotated[float | None, typer.Option("--seconds", min=0, help="End by itself after so long.")] = None,
) -> None:
    """The main job on a simulated fleet: real SNMP on loopback, history, metrics, alarms. Ctrl-C ends and cleans up.

    \b
    Example:
      lowmark demo
      lowmark demo --printers 60 --days 30
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.app.logs import set_up

    set_up("error", form="text")
    with tempfile.TemporaryDirectory(prefix="lowmark-demo-") as folder:
        Demo(Path(folder), printers, days, seed, speed, port).play(seconds)


class Demo:
    """One demo in one folder."""

    def __init__(self, folder: Path, printers: int, days: int, seed: int, speed: float, port: int) -> None:
        from agent.rehearsal.fleet import Fleet, own_addresses, own_ports
        from agent.rehearsal.serve import loopback_answers_everywhere

        self.folder = folder
        self.days = days
        self.speed = speed
        self.shown = False
        self.early: list[dict[str, Any]] = []
        make = own_addresses if loopback_answers_everywhere() else own_ports
        began = datetime.now(UTC)
        self.fleet: Fleet = Fleet(seed, printers, start=began - timedelta(days=days), addresses=make(printers, port))

    def play(self, seconds: float | None) -> None:
        """All of it, until Ctrl-C or until ``seconds`` are over."""
        from agent.app.loop import run as run_loop
        from agent.cli.hands import let_in
        from agent.rehearsal.clock import SimClock
        from agent.rehearsal.hands import Hands
        from agent.rehearsal.serve import Rehearsal, usual_scenes
        from agent.store import Store

        with desk(self._told) as url, Store.open(f"sqlite:///{self.folder / 'demo.sqlite'}") as store:
            settings = self._write_settings(url)
            self._remember(store)
            clock = SimClock(lambda: datetime.now(UTC), datetime.now(UTC), self.speed)
            rehearsal = Rehearsal(self.fleet, clock, told=self._happened)
            # Whoever watches does the work from now on; nobody else fits supplies.
            rehearsal.stage([scene for scene in usual_scenes(rehearsal) if "new toner" not in scene.text])
            rehearsal.untended()
            hands = Hands(rehearsal)
            with rehearsal, let_in(hands):
                run_loop(self._run(settings, store, seconds, rehearsal, hands))

    # --- before ---------------------------------------------------------------------------------------------------

    def _write_settings(self, desk_url: str) -> Path:
        import yaml

        from agent.rehearsal import stores
        from agent.rehearsal.paper import RULES, write_settings

        path = self.folder / "demo.yaml"
        write_settings(self.fleet, path, store=f"sqlite:///{self.folder / 'demo.sqlite'}")
        text = path.read_text("utf-8")
        more: dict[str, Any] = {
            **stores.settings(self.fleet),
            "listen": {"address": f"127.0.0.1:{free_port(METRICS_PORT)}"},
            "servicing": {"prove_within": "3m"},
            "channels": [{"name": "desk", "kind": "webhook", "url": desk_url}],
            "alarms": [dict(rule) for rule in RULES],
        }
        path.write_text(text + "\n" + yaml.safe_dump(more, sort_keys=False), "utf-8")
        return path

    def _remember(self, store: Store) -> None:
        """Write the fleet's past into the store, as if the agent had been there."""
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

        from agent.app.parts import packaged_oddities
        from agent.cli.show import errors
        from agent.rehearsal.logbook import logged
        from agent.rehearsal.past import contacts, thinned
        from agent.rehearsal.stores import counted

        until = datetime.now(UTC)
        span = (until - self.fleet.start).total_seconds()
        columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
        with Progress(*columns, console=errors, transient=True) as bar:
            task = bar.add_task(f"Making up {self.days} days of history", total=span)
            seen = thinned(self.fleet.history(until))
            made = contacts(seen, lambda worn, reading: _enlist(store, worn, reading), packaged_oddities())
            while some := list(islice(made, BATCH)):
                store.record(some)
                bar.update(task, completed=(some[-1].at - self.fleet.start).total_seconds())
        ids = {printer.name: printer.id for printer in store.printers()}
        store.append_ledger(logged(self.fleet, ids, until))
        store.append_ledger(counted(self.fleet, until))

    # --- while it runs --------------------------------------------------------------------------------------------

    async def _run(
        self, settings_file: Path, store: Store, seconds: float | None, rehearsal: Rehearsal, hands: Hands
    ) -> None:
        from agent.app.service import Clocks, Service
        from agent.app.sole import AGENT, sole
        from agent.settings import load

        clocks = Clocks(lambda: datetime.now(UTC), time.monotonic)
        service = Service(load(settings_file), settings_file, store, clocks)
        service.notice = lambda report: self._swept(service, report)
        service.hands = hands
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, service.end)
        if seconds is not None:
            loop.call_later(seconds, service.end)
        with sole(store, AGENT):
            await service.run()
        _say(f"\nEnded. {sum(rehearsal.asked.values()):,} SNMP requests were answered, {rehearsal.sets} of them SET.")

    def _swept(self, service: Service, report: Report) -> None:
        if self.shown:
            return
        from agent.cli.overview import overview
        from agent.cli.show import console

        views = sorted(service.sweep.fleet.views_of(), key=lambda view: (view.printer.place.site, view.printer.name))
        read = f"{report.printers} of {len(self.fleet.printers)} printers read over SNMP in {report.seconds:.1f} s"
        organisation = f"{self.fleet.organisation}: {read}"
        console.print(overview(views, organisation, width=console.width))
        address = service.server.address if service.server is not None else ""
        self._say_what_else(address)
        _say("\nNobody tends these printers but you. Open this in a browser:\n")
        _say(f"  http://{address}/\n")
        _say("It shows today's round: which printer to go to, what to carry, and why now. Try it:")
        _say("  1. Open a job, and press 'Do this at the simulated printer': that stands for the walk.")
        _say("  2. Say on the same page who you are, and that it is done.")
        _say("  3. See Lowmark read the printer and prove it. The part has left the shelf, the job the round.")
        _say(f"\nTheir time runs {self.speed:g} times faster. What happens now (Ctrl-C ends):\n")
        self.shown = True
        self._told(self.early)

    def _say_what_else(self, address: str) -> None:
        _say(f"Pages       http://{address}/")
        _say(f"Metrics     http://{address}/metrics")
        _say(f"Health      http://{address}/readyz")
        _say("In another terminal, while this runs:")
        _say(f"  export LOWMARK_STORE=sqlite:///{self.folder / 'demo.sqlite'}")
        _say(f"  export LOWMARK_SETTINGS={self.folder / 'demo.yaml'}")
        who = self.fleet.printers[0].who
        for command, words in COMMANDS:
            typed = command.format(name=who.name, address=f"{who.host}:{who.port}")
            _say(f"  lowmark {typed:<35} {words}")

    def _happened(self, deed: Deed) -> None:
        from agent.cli.rehearse import describe

        words = describe(deed)
        if words and self.shown:
            _say(f"  printer  {deed.printer}: {words}")

    def _told(self, messages: Iterable[dict[str, Any]]) -> None:
        if not self.shown:
            self.early += messages
            return
        for one in messages:
            facts = one.get("facts", {})
            printer = facts.get("printer", "lowmark")
            _say(f"  alarm    {printer}: {one.get('text', '')} [{one.get('severity')}, {one.get('kind')}]")


def _say(text: str) -> None:
    from agent.cli.show import console, plain

    console.print(plain(text), soft_wrap=True)


def _enlist(store: Store, worn: Worn, reading: Reading) -> int:
    from agent.model.fleet import Printer

    printer = Printer(
        id=0,
        name=worn.who.name,
        address=reading.address,
        device_index=reading.device_index,
        serial=reading.serial,
        mac=reading.mac,
        model=reading.model,
        place=worn.who.place,
        tags=("colour" if len(worn.kind.colours) > 1 else "mono",),
        first_seen=reading.at,
    )
    return store.save_printer(printer).id


def free_port(wanted: int) -> int:
    """``wanted`` if nobody listens there, else any free port of 127.0.0.1."""
    for port in (wanted, 0):
        with socket.socket() as trial:
            try:
                trial.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(trial.getsockname()[1])
    raise OSError("no free port on 127.0.0.1")


@contextmanager
def desk(told: Any) -> Iterator[str]:
    """Somebody to tell: a web server on loopback that takes the agent's messages. Gives its URL."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(LONGEST_MESSAGE, int(self.headers.get("Content-Length") or 0))
            told(json.loads(self.rfile.read(length)).get("messages", []))
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class calls it so
            """Keep quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, name="desk", daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/desk"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
