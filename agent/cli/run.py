"""``lowmark run`` (the service) and ``lowmark sweep`` (one pass, shown)."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import ExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl

if TYPE_CHECKING:
    from agent.app.service import Service
    from agent.app.supervisor import Supervisor
    from agent.model.fleet import PrinterView
    from agent.store import Store
    from agent.sweep.work import Report

SWEEP_PATIENCE = 120.0
"""Seconds for which an agent that starts waits for the end of a ``lowmark sweep``."""

NO_SETTINGS = """\
There are no settings yet: neither --settings FILE nor LOWMARK_SETTINGS, nor a lowmark.yaml here.

  lowmark survey 192.0.2.0/24 --yaml > lowmark.yaml   looks for printers, writes a first file (put your range)
  lowmark settings example > lowmark.yaml             a commented example to fill in yourself
  lowmark settings check lowmark.yaml                 says what is wrong, and where
  lowmark run                                         then starts

To see it all without a printer: lowmark demo"""


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("run")(run)
    app.command("sweep")(sweep)


def run(
    settings: SettingsFile = None,
    store: StoreUrl = None,
    log: Annotated[str, typer.Option("--log", help="How much to log: debug, info, warning, error.")] = "info",
    log_form: Annotated[
        str, typer.Option("--log-form", help="text, json, or auto: text at a terminal, else JSON.")
    ] = "auto",
) -> None:
    """The service: read the printers on schedule, keep the history, serve metrics, raise alarms and tell people.

    SIGHUP reads the settings again; SIGTERM and Ctrl-C stop it, and nothing that was read is lost.

    \b
    Example:
      lowmark run --settings lowmark.yaml
      pkill -HUP -f "lowmark run"       # after a change of the settings
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.app.logs import LEVELS, set_up
    from agent.app.loop import run as run_loop
    from agent.app.supervisor import Supervisor

    if log not in LEVELS:
        raise typer.BadParameter(f"{log!r} is none of {', '.join(LEVELS)}", param_hint="--log")
    if log_form not in ("auto", "text", "json"):
        raise typer.BadParameter(f"{log_form!r} is none of auto, text, json", param_hint="--log-form")
    set_up(log, form=log_form)
    run_loop(_run(settings, store, Supervisor()))


async def _run(settings: Path | None, store: str | None, supervisor: Supervisor) -> None:
    loop = asyncio.get_running_loop()
    service = build(settings, store, supervisor)
    going: set[asyncio.Task[bool]] = set()
    lost: list[str] = []

    def reload() -> None:
        task = loop.create_task(service.reload())
        going.add(task)
        task.add_done_callback(going.discard)

    def lose() -> None:
        # The store's server was away, and another agent was the quicker one when it came back.
        service.log.error("another agent has taken the history meanwhile; this one ends", store=service.store.url)
        lost.append(service.store.url)
        service.end()

    try:
        async with only_agent(service.store, lambda: loop.call_soon_threadsafe(lose)):
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.add_signal_handler(number, service.end)
            loop.add_signal_handler(signal.SIGHUP, reload)
            await service.run()
        if lost:
            raise typer.Exit(1)
    finally:
        service.store.close()


@asynccontextmanager
async def only_agent(store: Store, lost: Callable[[], object] = bool) -> AsyncIterator[None]:
    """Keep other agents off this history meanwhile: two would decide and tell everything twice.

    Waits for a sweep that is under way. Leaves with status 2 where another agent holds the history. ``lost``: called in
    another thread when another agent has taken it all the same (see ``agent.app.sole``).
    """
    from agent.app.sole import AGENT, SWEEP, Taken, sole
    from agent.cli.show import errors, fail, plain

    end, said = time.monotonic() + SWEEP_PATIENCE, False
    with ExitStack() as held:
        while True:
            try:
                held.enter_context(sole(store, AGENT, lost))
                break
            except Taken as taken:
                if taken.kind != SWEEP or time.monotonic() > end:
                    fail(f"{taken}; stop it first, or give this one a store of its own", 2)
                if not said:
                    errors.print(plain(f"{taken}; this agent waits for its end"), soft_wrap=True)
                    said = True
            await asyncio.sleep(0.2)
        yield


def build(settings_file: Path | None, store_url: str | None, supervisor: Supervisor | None = None) -> Service:
    """The service that the options describe. Leaves with words that help when there are no settings."""
    from agent.app.service import Clocks, Service
    from agent.cli.show import fail
    from agent.cli.wiring import find_settings
    from agent.settings import load
    from agent.store import Store

    found = find_settings(settings_file)
    if found is None:
        fail(NO_SETTINGS, 2)
    settings = load(found)
    store = Store.open(store_url or settings.store.reveal_url())
    clocks = Clocks(lambda: datetime.now(UTC), time.monotonic)
    return Service(settings, found, store, clocks, supervisor=supervisor)


def sweep(
    settings: SettingsFile = None,
    store: StoreUrl = None,
    full: Annotated[bool, typer.Option("--full", help="Read everything, not only status, levels and counts.")] = False,
    as_json: AsJson = False,
) -> None:
    """Read every printer once, now; record it, judge it, and tell what is to be told.

    Where an agent runs on the same history, that is its work: then this only reads and shows, and says so.
    Exit status 1 when a printer could not be read.

    \b
    Example:
      lowmark sweep --settings lowmark.yaml
    """  # noqa: D301
    from agent.app.logs import set_up
    from agent.app.loop import run as run_loop
    from agent.app.sole import SWEEP, Taken, sole
    from agent.cli.show import emit, errors, plain

    set_up("warning")
    service = build(settings, store)
    try:
        with sole(service.store, SWEEP):
            report, views = run_loop(_sweep(service, full=full))
    except Taken as taken:
        errors.print(plain(f"{taken}: it records and tells, this sweep only reads and shows."), soft_wrap=True)
        report, views = run_loop(_look_on(service, full=full))
    if as_json:
        from agent.web import shapes

        emit("sweep", {**_report_data(report), "printers": [shapes.view(view) for view in _in_order(views)]})
    else:
        _show(report, views)
    if report.failures or report.no_printer:
        raise typer.Exit(1)


async def _sweep(service: Service, *, full: bool) -> tuple[Report, list[PrinterView]]:
    try:
        return await service.sweep_alone(full=full)
    finally:
        service.store.close()


async def _look_on(service: Service, *, full: bool) -> tuple[Report, list[PrinterView]]:
    from agent.app.onlooker import look_on

    folder, clocks = service.settings_file.parent, service.clocks
    try:
        return await look_on(service.settings, folder, service.store, clocks.now, clocks.timer, full=full)
    finally:
        service.store.close()


def _in_order(views: Iterable[PrinterView]) -> list[PrinterView]:
    return sorted(views, key=lambda view: (view.printer.place.site, view.printer.name, view.printer.id))


def _report_data(report: Report) -> dict[str, object]:
    return {
        "at": report.at,
        "seconds": round(report.seconds, 3),
        "addresses": report.stations,
        "asked": report.asked,
        "answered": report.answered,
        "no_printer": report.no_printer,
        "failures": dict(report.failures),
        "requests": report.requests,
        "retries": report.retries,
        "timeouts": report.timeouts,
    }


def _show(report: Report, views: list[PrinterView]) -> None:
    from agent.cli.overview import overview
    from agent.cli.show import console

    console.print(overview(_in_order(views), width=console.width))
    words = [f"{report.answered} of {report.asked} addresses answered in {report.seconds:.1f} s"]
    words += [f"{count} {reason}" for reason, count in sorted(report.failures.items())]
    if report.no_printer:
        words.append(f"{report.no_printer} no printer")
    console.print("; ".join(words) + ".")
