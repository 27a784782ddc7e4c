"""Stores as earlier versions of the program made them."""

from __future__ import annotations

from sqlalchemy import text

from agent.store import engine, schema
from tests.store.samples import HOUR

OLDEST = schema.STEPS[0]


def of_an_older_program(url: str) -> None:
    """Make a store with one printer as the first version of the program made it."""
    place = engine.find(url)
    old = engine.connect(place, create=True, patience=HOUR)
    schema.bring_up_to_date(old, place, create=True, target=OLDEST)
    with old.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO printer (name, address, device_index, serial, mac, model, site, building, floor, room, "
                "zone, tags) VALUES ('desk-1', '127.0.0.1', 1, 'TG1', '', '', '', '', '', '', 'UTC', '[]')"
            )
        )
    old.dispose()
