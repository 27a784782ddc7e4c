"""How much disk a year of a printer takes: the rehearsal's history of some printers, stored and thinned as usual.

Prints one JSON object.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import sys
import tempfile
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from agent.cli.demo import Demo
from agent.settings.shape import Retention
from agent.store import Store


def octets(file: Path) -> int:
    """What the tables take, without pages that are free."""
    with closing(sqlite3.connect(file)) as one:
        pages, free, size = (
            one.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "freelist_count", "page_size")
        )
    return int((pages - free) * size)


def measured(printers: int, days: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name:
        folder, keep = Path(name), Retention()
        file = folder / "history.sqlite"
        with Store.open(f"sqlite:///{file}") as store:
            empty = octets(file)
            Demo(folder, printers, days, 1, 60, 1161)._remember(store)
            raw = octets(file)
            while not store.thin(datetime.now(UTC), keep.raw, keep.hours, keep.days).done:
                pass
        kept = octets(file)
    year = 365 / days / printers / 1e6
    return {
        "printers": printers,
        "days": days,
        "raw_mb_per_printer_year": (raw - empty) * year,
        "kept_mb_per_printer_year": (kept - empty) * year,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--printers", type=int, default=20)
    parser.add_argument("--days", type=int, default=365)
    given = parser.parse_args()
    json.dump(measured(given.printers, given.days), sys.stdout)


if __name__ == "__main__":
    main()
