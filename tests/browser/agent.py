"""A whole agent in this process: simulated printers that answer real SNMP, their past in the store, and the pages."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import yaml

from agent.app.service import Clocks, Service
from agent.rehearsal import stores
from agent.rehearsal.clock import SimClock
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.rehearsal.hands import Hands
from agent.rehearsal.paper import write_settings
from agent.rehearsal.serve import Rehearsal
from agent.settings import load
from agent.store import Store
from agent.web import Server
from tests.web.world import remember
from tests.whole.agent import free_port, wait

SIZE, DAYS = 9, 35


@contextmanager
def agent(folder: Path) -> Iterator[tuple[str, Service]]:
    """The address of the pages of an agent that has swept and thought once, and the agent."""
    now = datetime.now(UTC)
    fleet = Fleet(seed=1, size=SIZE, start=now - timedelta(days=DAYS), addresses=own_addresses(SIZE, free_port()))
    url = f"sqlite:///{folder / 'history.sqlite'}"
    settings = folder / "lowmark.yaml"
    write_settings(fleet, settings, store=url)
    more = {
        **stores.settings(fleet),
        "listen": {"address": f"127.0.0.1:{free_port()}"},
        "polling": {"status": "5s", "timeout": "1s", "retries": 1, "deadline": "3s"},
        "alarms": [
            {"name": "supply-low", "when": "supplyBelow", "below": "25%", "deadband": "3%"},
            {"name": "printer-silent", "when": "unreachable", "severity": "high"},
        ],
    }
    settings.write_text(yaml.safe_dump({**yaml.safe_load(settings.read_text()), **more}))
    with Store.open(url) as store:
        remember(store, fleet, now)
        store.append_ledger(stores.counted(fleet, now))
        with Rehearsal(fleet, SimClock(lambda: datetime.now(UTC), now, 1.0)) as rehearsal:
            service = Service(load(settings), settings, store, Clocks(lambda: datetime.now(UTC), time.monotonic))
            service.hands = Hands(rehearsal)
            with going(service):
                pages = service.pages
                asyncio.run(pages.reckon())
                with Server(pages.app()) as server:
                    yield f"http://127.0.0.1:{server.port}", service


@contextmanager
def going(service: Service) -> Iterator[None]:
    """The service runs in a thread of its own, and has swept once."""
    failure: list[BaseException] = []
    loops: list[asyncio.AbstractEventLoop] = []

    async def work() -> None:
        loops.append(asyncio.get_running_loop())
        await service.run()

    def run() -> None:
        try:
            asyncio.run(work())
        except BaseException as problem:  # noqa: BLE001 - told below, in the thread that waits
            failure.append(problem)

    thread = threading.Thread(target=run, name="agent", daemon=True)
    thread.start()
    try:
        wait(lambda: failure or (service.server is not None and service.snapshot().vitals.swept), 30)
        assert not failure, failure
        yield
    finally:
        for loop in loops:
            if not loop.is_closed():
                loop.call_soon_threadsafe(service.end)
        thread.join(30)
    assert not failure, failure
