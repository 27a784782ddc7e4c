"""A rehearsal with its settings, a store and the real program: what a technician has at hand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml
from typer.testing import CliRunner

from agent.cli import build
from agent.model.failure import Failure
from agent.model.fleet import LedgerEntry
from agent.rehearsal.hands import Door, Hands
from agent.rehearsal.paper import write_settings
from agent.rehearsal.serve import Rehearsal
from agent.store import Store
from tests.rehearsal.running import rehearsal

MORE: dict[str, Any] = {
    "polling": {"status": "5s", "timeout": "1s", "retries": 1, "deadline": "4s"},
    "alarms": [],
    "parts": [
        {"name": "QU-C", "description": "Cyan toner", "models": ["Quillon*"], "supplies": ["toner:cyan"]},
        {"name": "BR-KIT", "description": "Maintenance kit", "models": ["Bruma*"]},
        {"name": "TG-A", "description": "Black toner", "models": ["Tallgrass*"], "supplies": ["toner:black"]},
        {"name": "TG-B", "description": "Black toner, large", "models": ["Tallgrass*"], "supplies": ["toner:black"]},
    ],
    "shelf": {"places": [{"name": "Cupboard 3"}, {"name": "Depot shelf"}]},
    "upkeep": [
        {"name": "kit", "what": "Fit the kit", "models": ["Bruma*"], "renews": ["other"], "needs": ["BR-KIT"]},
        {"name": "calibration", "what": "Calibrate", "colour_only": True, "after": ["toner:cyan", "kit"]},
    ],
}
DESK, COLOUR, BIG = "hl-01", "hl-02", "hl-03"


@dataclass
class Library:
    """Three simulated printers, and a store in which they have been read once."""

    folder: Path
    rehearsal: Rehearsal
    hands: Hands
    door: Path
    settings: Path
    url: str

    def lowmark(self, *words: str, status: int = 0) -> str:
        """The real program; what it says on both its outputs."""
        result = CliRunner().invoke(build(), list(words))
        if isinstance(result.exception, Failure):
            assert result.exception.status == status, str(result.exception)
            return result.output + str(result.exception)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == status, result.output
        return result.output

    def data(self, *words: str, status: int = 0) -> dict[str, Any]:
        """The same with --json."""
        result = CliRunner().invoke(build(), [*words, "--json"])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == status, result.output
        return json.loads(result.stdout)

    def ledger(self, *kinds: str) -> tuple[LedgerEntry, ...]:
        """What stands in the ledger."""
        with Store.open(self.url) as store:
            return store.ledger(kinds=kinds or None)

    def stock(self) -> dict[str, int]:
        """Parts on the shelf."""
        return {one["part"]: one["count"] for one in self.data("shelf")["stock"]}

    def number(self, name: str) -> int:
        """The store's id of a printer."""
        with Store.open(self.url) as store:
            found = store.find_printer(name)
            assert found is not None
            return found.id


@contextmanager
def library(folder: Path, monkeypatch: Any, **more: Any) -> Iterator[Library]:
    """Served, read once, with parts on the shelf. ``more``: settings."""
    url = f"sqlite:///{folder / 'history.sqlite'}"
    path = folder / "lowmark.yaml"
    monkeypatch.setenv("LOWMARK_SETTINGS", str(path))
    monkeypatch.setenv("COLUMNS", "240")
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    with rehearsal(3) as running:
        running.untended()
        write_settings(running.fleet, path, store=url)
        path.write_text(yaml.safe_dump({**yaml.safe_load(path.read_text()), **MORE, **more}))
        for name in (DESK, COLOUR, BIG):
            for key in running.fleet.by_name[name].lives:
                running.fit(name, key, 0.5)
        hands = Hands(running)
        with Door(hands) as door:
            here = Library(folder, running, hands, door.path, path, url)
            here.lowmark("sweep")
            now, here_now = datetime.now(UTC), {"place": "Cupboard 3", "count": 3}
            with Store.open(url) as store:
                parts = ("QU-C", "BR-KIT", "TG-A")
                store.append_ledger(
                    [LedgerEntry(now, "shelfCountedIn", "3 in", None, part, "Day desk", here_now) for part in parts]
                )
            yield here
