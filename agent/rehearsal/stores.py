"""The stores of a rehearsal: spare parts for its printers, where they lie, and the usual upkeep, all invented."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from agent.model.fleet import LedgerEntry, Scalar
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.kinds import (
    DEVELOPER,
    FUSER,
    INK_CARTRIDGE,
    OPC,
    TONER,
    TRANSFER,
    WASTE_INK,
    WASTE_TONER,
    Kind,
    Part,
)

STOREKEEPER = "Store room"
COUNTED_BEFORE = timedelta(days=1)
_LETTER = {
    TONER: "T",
    INK_CARTRIDGE: "I",
    OPC: "D",
    FUSER: "F",
    TRANSFER: "B",
    WASTE_TONER: "W",
    WASTE_INK: "W",
    DEVELOPER: "V",
}
_PRICE = {
    TONER: 74,
    INK_CARTRIDGE: 39,
    OPC: 118,
    FUSER: 196,
    TRANSFER: 164,
    WASTE_TONER: 17,
    WASTE_INK: 12,
    DEVELOPER: 88,
}
_ROLLERS = {
    "drum": "30mm",
    "charge_roller": "12mm",
    "developing_roller": "42mm on paper",
    "transfer_roller": "16mm",
    "fuser_roller": "25mm",
    "pressure_roller": "24mm",
    "registration_roller": "14mm",
    "feed_roller": "32mm",
}
"""What turns in a rehearsal's laser printers, so that a distance between marks leads somewhere."""
_STOCK = {TONER: 2, INK_CARTRIDGE: 1, OPC: 1, WASTE_TONER: 2, WASTE_INK: 1}


def settings(fleet: Fleet) -> dict[str, Any]:
    """The keys ``parts``, ``shelf`` and ``upkeep`` of the settings for this fleet."""
    sites = list(dict.fromkeys(worn.who.place.site for worn in fleet.printers))
    places = [{"name": f"Cupboard, {site}", "sites": [site]} for site in sites]
    return {
        "parts": [entry for _, _, entry in _spares(fleet)],
        "shelf": {"places": places, "lead_time": "4d", "lead_time_spread": "1d"},
        "upkeep": _plans(fleet),
    }


def counted(fleet: Fleet, now: datetime) -> list[LedgerEntry]:
    """What somebody counted the day before: not much of anything, so that there is something to order."""
    sites = list(dict.fromkeys(worn.who.place.site for worn in fleet.printers))
    made = []
    for number, (kind, part, entry) in enumerate(_spares(fleet)):
        count = max(0, _STOCK.get(part.kind, 0) - number % 2)
        users = [worn.who.place.site for worn in fleet.printers if worn.kind.title == kind.title]
        place = f"Cupboard, {users[0] if users else sites[0]}"
        data: Mapping[str, Scalar] = {"count": count, "place": place}
        text = f"{count} {entry['name']} lie at {place}, counted again"
        at = now - COUNTED_BEFORE + timedelta(seconds=number)
        made.append(LedgerEntry(at, "shelfRecounted", text, None, entry["name"], STOREKEEPER, data))
    return made


def _spares(fleet: Fleet) -> Iterator[tuple[Kind, Part, dict[str, Any]]]:
    """Each part of each model once, as the settings say it."""
    seen: set[str] = set()
    for worn in fleet.printers:
        for part in worn.kind.parts:
            if part.kind not in _LETTER:
                continue
            colour = (part.colour or "")[:1].upper()
            name = f"{worn.kind.model.replace(' ', '')}-{_LETTER[part.kind]}{colour}"
            if name in seen:
                continue
            seen.add(name)
            yield worn.kind, part, {
                "name": name,
                "description": f"{part.description} for {worn.kind.title}",
                "models": [f"*{worn.kind.title}*"],
                "supplies": [part.key],
                "yield": round(part.lasts),
                "price": _PRICE[part.kind],
            }  # fmt: skip


def _plans(fleet: Fleet) -> list[dict[str, Any]]:
    plans: list[dict[str, Any]] = [
        {
            "name": "clean",
            "what": "Clean rollers and paper path",
            "every": "90d",
            "impressions": 60_000,
            "minutes": 10,
            "rollers": dict(_ROLLERS),
        }
    ]
    if any(len(worn.kind.colours) > 1 for worn in fleet.printers):
        plans.append(
            {
                "name": "calibration",
                "what": "Calibrate the colours",
                "colour_only": True,
                "after": ["toner:cyan", "toner:magenta", "toner:yellow", "opc:*", "transferUnit"],
                "impressions": 20_000,
                "minutes": 5,
            }
        )
    return plans
