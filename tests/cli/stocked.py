"""A small library with a past, in a store: three printers, a drum nobody reset, parts on two shelves."""

from __future__ import annotations

from pathlib import Path

from agent.model.contact import Observation, SeenSupply
from agent.model.fleet import Printer
from agent.model.reading import CONSUMED
from agent.store import Store
from tests.insight.printed import START, Gauge, Past

AT = "2025-06-11T08:00:00+02:00"
ZONE = "Europe/Berlin"

SETTINGS = """\
sites:
  Main library: {zone: Europe/Berlin}
  Depot: {zone: Europe/Berlin}
parts:
  - {name: TG-40K, description: Black toner, models: [Tallgrass M40], supplies: toner:black, yield: 6000, price: 89.50}
  - {name: QU-C, description: Cyan toner, models: [Quillon*], supplies: [toner:cyan], yield: 3000, price: 120, pack: 2}
  - {name: TG-DR, description: Drum, models: [Tallgrass*], supplies: [opc], price: 64}
shelf:
  places:
    - {name: Cupboard 3, sites: [Main library]}
    - {name: Depot shelf}
upkeep:
  - {name: drum, what: Exchange the drum, models: [Tallgrass*], impressions: 30000, renews: [opc], needs: [TG-DR]}
  - {name: kit, what: Fit the maintenance kit, impressions: 20000, cautions: [The kit weighs 6 kg]}
  - {name: calibration, what: Calibrate the colours, colour_only: true, after: ["toner:cyan"]}
"""

BLACK = Gauge("toner:black", 6_000, 1.0, (30, 60, 90), at_empty=False)
DRUM = Gauge("opc:black", 60_000, 0.3, at_empty=False)
NEW_DRUM = Gauge("opc:black", 60_000, 0.3, (70,), at_empty=False)
CYAN = Gauge("toner:cyan", 3_000, 1.0, (24, 49, 73, 96), at_empty=False)


def pasts() -> list[Past]:
    """The three printers."""
    return [
        Past(1, 100, gauges=(BLACK, DRUM), name="Reading room", zone=ZONE).logged(80, "drum", counter=12_000),
        Past(2, 100, gauges=(BLACK, NEW_DRUM), name="[red]Desk", zone=ZONE),
        Past(3, 100, 160, gauges=(CYAN,), model="Quillon C720", name="Depot", site="Depot", zone=ZONE),
    ]


def furnish(url: str) -> None:
    """Put all of it into a store."""
    with Store.open(url) as store:
        for past in pasts():
            history = past.history()
            given = history.printer
            bare = Printer(0, given.name, given.address, model=given.model, place=given.place, first_seen=START)
            saved = store.save_printer(bare)
            assert saved.id == past.number
            store.observe(observations(past))
            store.append_ledger(history.ledger)


def observations(past: Past) -> list[Observation]:
    """What an import would bring: one row for each change."""
    history = past.history()
    rows = [Observation(point.at, past.number, impressions=point.value) for point in history.counters[0].points]
    for track in history.supplies:
        rows += [
            Observation(
                point.at,
                past.number,
                (SeenSupply(track.key, track.kind, CONSUMED, track.colorant, "percent", point.capacity, point.level),),
            )
            for point in track.points
        ]
    rows.append(Observation(history.contacts[-1].last, past.number, (), history.counters[0].points[-1].value))
    return sorted(rows, key=lambda row: row.at)


def settings_file(directory: Path, text: str = SETTINGS) -> Path:
    """The settings in a file."""
    path = directory / "lowmark.yaml"
    path.write_text(text, "utf-8")
    return path
