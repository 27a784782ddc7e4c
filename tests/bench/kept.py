"""What the agent keeps of run-outs, lives, uses and upkeep, in kilobytes a printer: a process with a whole fleet.

The fleet is of invented colour printers with 400 days and some forty lives behind each (``insight.py``), or of printers
of the rehearsal that were lived through. A few are different, the others have the same history under a number of their
own; each is reckoned all the same. Prints one JSON object.
"""

from __future__ import annotations

import argparse
import gc
import json
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast

from agent.app.foresight import Foresight
from agent.mib.decode import decode
from agent.model.fleet import PrinterHistory, PrinterView
from agent.rehearsal.fleet import Fleet, own_addresses
from agent.settings import parse
from agent.store import Store
from tests.bench.insight import NOW, history
from tests.bench.pages import live
from tests.bench.scrape import resident
from tests.bench.simulated import template

SETTINGS = parse("")


class Told:
    """A store that knows a few histories and gives each to many printers."""

    def __init__(self, different: Sequence[PrinterHistory]) -> None:
        self._different = different

    def history(self, printer_id: int, since: datetime | None = None, until: datetime | None = None) -> PrinterHistory:
        made = self._different[printer_id % len(self._different)]
        return replace(made, printer=replace(made.printer, id=printer_id, name=f"hl-{printer_id:05}"))

    def status_history(self, printer_id: int, since: datetime | None, until: datetime | None) -> tuple[()]:
        return ()

    def views(self, printers: int, now: datetime) -> Mapping[int, PrinterView]:
        """Every printer as it was last seen."""
        reading = decode(template(), at=now, address="127.77.0.1", device_index=1)
        whose = ((number, self.history(number).printer) for number in range(1, printers + 1))
        return {number: PrinterView(printer, reading, True, now) for number, printer in whose}


def foresight(told: Told) -> Foresight:
    """What the agent has, which here does not rest between two printers."""
    return Foresight(cast("Store", told), lambda: SETTINGS, lambda: 0.0)


def rehearsed(different: int, days: int, now: datetime) -> list[PrinterHistory]:
    """Printers of the rehearsal that were lived through, as the store tells of them."""
    fleet = Fleet(seed=4, size=different, start=now - timedelta(days=days), addresses=own_addresses(different))
    with tempfile.TemporaryDirectory() as name, Store.open(f"sqlite:///{Path(name)}/history.sqlite") as store:
        live(store, fleet, now)
        return [store.history(one.id, None, now) for one in store.printers()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=2_000)
    parser.add_argument("--different", type=int, default=50)
    parser.add_argument("--rehearsed", type=int, metavar="DAYS", help="printers of the rehearsal, with so many days")
    given = parser.parse_args()
    now = datetime.now(UTC).replace(microsecond=0) if given.rehearsed else NOW
    made = (
        rehearsed(given.different, given.rehearsed, now)
        if given.rehearsed
        else [history(number) for number in range(given.different)]
    )
    told = Told(made)
    few, all_of_them = told.views(given.different, now), told.views(given.printers, now)
    one = foresight(told)
    one.learn(now, few)  # what it loads, and what its first printers leave behind, is not theirs
    gc.collect()
    before, spent = resident(), time.process_time()
    one.learn(now, all_of_them)
    spent = time.process_time() - spent
    gc.collect()
    found = {
        "printers": len(all_of_them),
        "lives": sum(len(insight.lives) for insight in one.insights.values()) / len(one.insights),
        "kb_per_printer": 1024 * (resident() - before) / (len(all_of_them) - len(few)),
        "ms_per_printer": 1000 * spent / (len(all_of_them) - len(few)),
    }
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
