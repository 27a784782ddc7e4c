"""The pages over 2,000 printers with 400 days of history: how long the server takes, and how much it sends.

A process of its own; prints one JSON object. A few printers are lived through and thinned as the agent thins; the
others are their copies, since making them up one by one would take hours. The agent itself is the real one, with what
it reckons beside the sweep already reckoned; nothing is polled meanwhile. Times are taken around the application, from
the request to the last octet that it gives to the server; sizes are what a browser receives, compressed.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import re
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from itertools import islice
from pathlib import Path
from types import MappingProxyType
from typing import Any

import httpx
import yaml
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.alarms.engine import judge
from agent.app.parts import packaged_oddities
from agent.app.service import Clocks, Service
from agent.insight.jobs import key_of
from agent.model.fleet import LedgerEntry
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.rehearsal.paper import write_settings
from agent.rehearsal.past import contacts, thinned
from agent.settings import load
from agent.store import Store
from agent.web import Server, look
from tests.web.world import remember, views

RAW = timedelta(days=14)
"""The last so many days are asked about every quarter of an hour, those before every hour."""
LIVED = 10
FAR = 100_000
"""Copies have the numbers of what they copy, so far apart."""
PARTS: list[dict[str, Any]] = [
    {"name": f"{kind}-{colour}", "models": ["*"], "supplies": [f"{kind}:{colour}"], "yield": 20_000}
    for kind in ("toner", "opc")
    for colour in ("black", "cyan", "magenta", "yellow")
]
PLANS: list[dict[str, Any]] = [
    {"name": "kit", "what": "Fit the maintenance kit", "impressions": 100_000, "minutes": 25},
    {"name": "calibration", "what": "Calibrate the colours", "colour_only": True, "after": ["toner"]},
]


class Timed:
    """Takes the time of each answer of an application. ``last``: seconds; ``cpu``: those of the processor, in sum.

    On a machine that others use too the processor's seconds say what a page costs, and the others what one waits.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self.last = self.cpu = 0.0
        self.count = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        began, spent = time.perf_counter(), time.process_time()

        async def sending(message: Message) -> None:
            await send(message)
            self.last = time.perf_counter() - began

        await self._app(scope, receive, sending)
        self.cpu += time.process_time() - spent
        self.count += 1


def live(store: Store, fleet: Fleet, now: datetime) -> None:
    """The past of the fleet, at first by the hour."""
    remember(store, fleet, now - RAW, timedelta(hours=1))
    ids = {one.name: one.id for one in store.printers()}
    seen = thinned(fleet.history(now, timedelta(minutes=15)))
    made = contacts(seen, lambda worn, _: ids[worn.who.name], packaged_oddities())
    while some := list(islice(made, 2000)):
        store.record(some)
    # A fleet that is looked after: the last upkeep was logged the day before.
    done = now - timedelta(days=1)
    store.append_ledger(
        [
            LedgerEntry(done, "service", f"{plan['name']} done", one, str(plan["name"]), "Night desk")
            for one in ids.values()
            for plan in PLANS
        ]
    )
    while not store.thin(now, timedelta(days=90), timedelta(days=730), timedelta(days=3650)).done:
        pass


def copy(path: Path, times: int) -> None:
    """Every printer of the store ``times`` times more, with all its history."""
    base = sqlite3.connect(path)
    base.execute("PRAGMA synchronous = OFF")
    base.execute("CREATE TEMP TABLE n (n INTEGER)")
    base.executemany("INSERT INTO n VALUES (?)", [(number,) for number in range(1, times + 1)])
    moved = {
        "printer": {"id": "id + n * ?", "name": "name || '-' || n", "serial": "serial || '-' || n", "mac": "''"},
        "contact_run": {"printer_id": "printer_id + n * ?"},
        "supply": {"id": "id + n * ?", "printer_id": "printer_id + n * ?"},
        "supply_point": {"supply_id": "supply_id + n * ?"},
        "counter": {"id": "id + n * ?", "printer_id": "printer_id + n * ?"},
        "counter_point": {"counter_id": "counter_id + n * ?"},
        "status_point": {"printer_id": "printer_id + n * ?"},
        "snapshot": {"printer_id": "printer_id + n * ?"},
        "ledger": {"id": "id + n * ?", "printer_id": "printer_id + n * ?"},
    }
    for table, changes in moved.items():
        columns = [row[1] for row in base.execute(f"PRAGMA table_info({table})")]
        shown = ", ".join(changes.get(name, f'"{name}"').replace("?", str(FAR)) for name in columns)
        names = ", ".join(f'"{name}"' for name in columns)
        where = "WHERE printer_id IS NOT NULL" if table == "ledger" else ""
        # In the order of the new keys, so that the tables grow at their end.
        base.execute(f"INSERT INTO {table} ({names}) SELECT {shown} FROM n CROSS JOIN {table} {where}")
        base.commit()
    base.execute("ANALYZE")
    base.close()


@contextmanager
def grown(folder: Path, printers: int, days: int, now: datetime) -> Iterator[tuple[Store, Path]]:
    """The store, and the settings of its agent."""
    lived = min(LIVED, printers)
    fleet = Fleet(seed=4, size=lived, start=now - timedelta(days=days), addresses=own_addresses(lived))
    base = folder / "history.sqlite"
    settings = folder / "lowmark.yaml"
    write_settings(fleet, settings, store=f"sqlite:///{base}")
    more = {"upkeep": PLANS, "parts": PARTS, "shelf": {"places": [{"name": "Cupboard"}]}}
    settings.write_text(yaml.safe_dump({**yaml.safe_load(settings.read_text()), **more}))
    with Store.open(f"sqlite:///{base}") as store:
        live(store, fleet, now)
    copy(base, max(0, printers // lived - 1))
    with Store.open(f"sqlite:///{base}") as store:
        yield store, settings


def build(store: Store, settings: Path, now: datetime) -> Service:
    """The agent as it stands after its reckonings: those of the copies are those of the printers they copy."""
    known = load(settings)
    found = judge(known.rules(), list(views(store).values()), {}, now - timedelta(hours=1))
    store.save_alarms(found.records, found.ledger)
    service = Service(known, settings, store, Clocks(lambda: datetime.now(UTC), time.monotonic))
    asyncio.run(service._build())
    service.pulse.started("gufo")
    foresight = service.pages.foresight
    fleet = service.sweep.fleet.views
    foresight.learn(now, {number: view for number, view in fleet.items() if number < FAR})

    def spread(known: Mapping[int, Any]) -> Mapping[int, Any]:
        return MappingProxyType({number: replace(known[number % FAR], printer_id=number) for number in fleet})

    foresight.insights = spread(foresight.insights)
    foresight.upkeep = MappingProxyType({number: foresight.upkeep[number % FAR] for number in fleet})
    service.pages.house.reckon(now)
    return service


def ask(client: httpx.Client, timed: Timed, paths: list[str], *, warm: bool = True) -> tuple[float, int]:
    """The median of the seconds that these take, and the octets of the largest; ``warm``: one is asked for before."""
    if warm:
        client.get(paths[0])
    took, size = [], 0
    for path in paths:
        with client.stream("GET", path) as answer:
            octets = sum(len(part) for part in answer.iter_raw())
        assert answer.status_code == 200, f"{path}: {answer.status_code}"
        took.append(timed.last)
        size = max(size, octets)
    return statistics.median(took), size


def draw_all(client: httpx.Client, timed: Timed, paths: list[str]) -> tuple[float, int]:
    """The median of the seconds that one chart of these pages takes to draw, and the octets of the charts of a page."""
    took, most = [], 0
    for path in paths:
        size = 0
        for chart in re.findall(r'<img class="chart" src="([^"]+)"', client.get(path).text):
            seconds, octets = ask(client, timed, [unescape(chart)], warm=False)
            took.append(seconds)
            size += octets
        most = max(most, size)
    return statistics.median(took), most


def plan_anew(service: Service, client: httpx.Client, timed: Timed, rounds: int) -> tuple[float, int]:
    """As ``ask``, of a round that has to be planned each time: something was seen or logged meanwhile."""
    took, size = [], 0
    for place in range(rounds):
        entry = LedgerEntry(service.clocks.now(), "remark", f"looked at it {place}", 1, "", "Night desk")
        service.store.append_ledger([entry])
        seconds, octets = ask(client, timed, ["/round"], warm=False)
        took.append(seconds)
        size = max(size, octets)
    return statistics.median(took), size


def first_supply(service: Service, number: int) -> str:
    """A supply that the printer has, so that there may be a card for it."""
    reading = service.sweep.fleet.views[number].reading
    assert reading is not None
    return reading.supplies[0].key


def measure(store: Store, settings: Path, now: datetime, rounds: int) -> dict[str, Any]:
    """Seconds (median of ``rounds``) and octets of each page."""
    service = build(store, settings, now)
    timed = Timed(service.pages.app())
    numbers = sorted(service.sweep.fleet.views)
    some = [numbers[place * len(numbers) // rounds] for place in range(rounds)]
    pages = {
        "printers": [f"/printers?page={1 + place % 3}" for place in range(rounds)],
        "printers_search": [f"/printers?q=hl-0{1 + place % 9}&sort=runout" for place in range(rounds)],
        "printer": [f"/printers/{number}" for number in some],
        "printer_whole": [f"/printers/{number}?days=400" for number in some],
        "card": [f"/cards/{key_of(number, first_supply(service, number))}" for number in some],
        "shelf": ["/shelf"] * rounds,
        "alarms": ["/alarms"] * rounds,
        "ledger": ["/ledger"] * rounds,
        "about": ["/about"] * rounds,
        "api_printers": [f"/api/v1/printers?offset={100 * place}" for place in range(rounds)],
    }
    gc.collect()
    with (
        Server(timed) as server,
        httpx.Client(base_url=f"http://127.0.0.1:{server.port}", trust_env=False, timeout=120) as client,
    ):
        cpu = {}
        found = {}
        for name, paths in pages.items():
            timed.cpu = timed.count = 0
            found[name] = ask(client, timed, paths)
            cpu[name] = timed.cpu / timed.count
        timed.cpu = timed.count = 0
        found["chart"] = draw_all(client, timed, pages["printer_whole"])
        for name in ("printer", "printer_whole"):
            found[name] = found[name][0], found[name][1] + found["chart"][1]
        timed.cpu = timed.count = 0
        found["round"] = plan_anew(service, client, timed, rounds)
        cpu["round"] = timed.cpu / timed.count
        _, style = ask(client, timed, [look.style_path()])
    return {
        "printers": len(numbers),
        "seconds": {name: seconds for name, (seconds, _) in found.items()},
        "cpu_seconds": cpu,
        "kilobytes": {name: (octets + style) / 1000 for name, (_, octets) in found.items()},
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=2_000)
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--rounds", type=int, default=20)
    given = parser.parse_args()
    now = datetime.now(UTC).replace(microsecond=0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with grown(folder, given.printers, given.days, now) as (store, settings):
            found = measure(store, settings, now, given.rounds)
        found |= {"days": given.days, "store_mb": (folder / "history.sqlite").stat().st_size / 1e6}
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
