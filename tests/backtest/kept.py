"""What the store would hold of a simulated fleet: all that the method is shown of it."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    LedgerEntry,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.reading import CONSUMED, Mark
from tests.backtest.world import SOME_ONLY, UNKNOWN, ZONE, World, slot_moments

MAKERS = ("Tallgrass M40", "Quillon C720", "Bruma 300", "Merle & Voss L2", "Tallgrass M60", "Bruma 500", "Quillon D9")


def histories(world: World) -> list[PrinterHistory]:
    """What the store would hold of this world: points where something changed, and runs of contact."""
    moments = slot_moments(world.days)
    capacity = 100 if world.step else Mark.UNKNOWN
    ledger: dict[int, list[LedgerEntry]] = {}
    if world.step == SOME_ONLY:
        for printer, slot in world.logged:
            ledger.setdefault(printer, []).append(
                LedgerEntry(
                    moments[slot] + timedelta(hours=1.5), "swap", "swapped", printer, "toner:black", "technician"
                )
            )
    return [
        _history(world, printer, moments, capacity, tuple(ledger.get(printer, ()))) for printer in range(world.printers)
    ]


def _history(world: World, printer: int, moments: list[datetime], capacity, ledger) -> PrinterHistory:  # type: ignore[no-untyped-def]
    heard = np.flatnonzero(world.heard[printer])
    shown, count = world.shown[printer, heard], world.count[printer, heard]
    points = []
    for at in heard[np.append(True, np.diff(shown) != 0)].tolist():
        value = world.shown[printer, at]
        mark = (
            Mark.UNKNOWN
            if value == UNKNOWN
            else Mark.SOME
            if world.step == SOME_ONLY and value > 0
            else round(value * 100)
        )
        points.append(LevelPoint(moments[at], mark, capacity))
    counted = [
        CountPoint(moments[at], int(world.count[printer, at]))
        for at in heard[np.append(True, np.diff(count) != 0)].tolist()
    ]
    edges = np.flatnonzero(np.diff(world.heard[printer].astype(int))) + 1
    runs = [
        ContactRun(moments[int(part[0])], moments[int(part[-1])], bool(world.heard[printer, part[0]]))
        for part in np.split(np.arange(world.heard.shape[1]), edges)
    ]
    model = MAKERS[world.model[printer]]
    return PrinterHistory(
        Printer(
            printer,
            f"printer-{printer}",
            f"127.0.0.{printer % 250}",
            model=model,
            place=Place(f"site {printer % 5}", zone=ZONE),
        ),
        tuple(runs),
        (SupplyTrack("toner:black", "toner", CONSUMED, "black", "percent", "Toner", tuple(points)),),
        (CounterTrack("life", "impressions", 2**32, tuple(counted)),),
        ledger,
    )
