"""The values of the house as JSON data, in the shapes that the commands print with ``--json``."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime
from typing import Any

from agent.alarms.spells import marks
from agent.model.alarm import AlarmRecord
from agent.model.contact import ContactState
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory, PrinterView
from agent.model.reading import Alert, Amount, Mark, Reading, SubUnitStatus, Supply
from agent.model.status import status_words
from agent.web.house import About

Data = dict[str, Any]


def text(name: str, payload: Mapping[str, Any]) -> bytes:
    """``payload`` as JSON with its format name first: ``{"format": "lowmark.<name>.v1", ...}``."""
    whole = {"format": f"lowmark.{name}.v1", **payload}
    return json.dumps(whole, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_value).encode()


def _value(thing: object) -> object:
    if isinstance(thing, datetime | date):
        return thing.isoformat()
    if isinstance(thing, Mapping):
        return dict(thing)
    raise TypeError(f"no JSON form for {type(thing).__name__}")


def view(one: PrinterView) -> Data:
    """One printer as it was last seen (``lowmark sweep --json``)."""
    printer, reading = one.printer, one.reading
    supplies = reading.supplies if reading is not None else ()
    return {
        "printer": printer.name,
        "id": printer.id,
        "address": printer.address,
        "device": printer.device_index,
        "serial": printer.serial,
        "model": printer.model,
        "place": str(printer.place),
        "reachable": one.reachable,
        "since": one.since,
        "read_at": reading.at if reading else None,
        "status": reading.printer_status if reading else None,
        "errors": sorted(reading.errors) if reading else [],
        "supplies": [{"supply": part.key, "kind": part.kind, "remaining": part.fraction} for part in supplies],
    }


def printer(one: Printer) -> Data:
    """A printer by itself (``lowmark history --json``)."""
    place = one.place
    return {
        "id": one.id,
        "name": one.name,
        "address": one.address,
        "device_index": one.device_index,
        "serial": one.serial,
        "mac": one.mac,
        "model": one.model,
        "site": place.site,
        "building": place.building,
        "floor": place.floor,
        "room": place.room,
        "zone": place.zone,
        "tags": list(one.tags),
        "first_seen": one.first_seen,
        "retired": one.retired,
    }


def history(told: PrinterHistory) -> Data:
    """A history (``lowmark history --json``)."""
    return {
        "printer": printer(told.printer),
        "contacts": [{"first": run.first, "last": run.last, "reachable": run.reachable} for run in told.contacts],
        "supplies": [
            {
                "supply": track.key,
                "kind": track.kind,
                "class": track.supply_class,
                "colorant": track.colorant,
                "unit": track.unit,
                "description": track.description,
                "points": [
                    {"at": one.at, "level": plain(one.level), "capacity": plain(one.capacity)} for one in track.points
                ],
            }
            for track in told.supplies
        ],
        "counters": [
            {
                "counter": track.name,
                "unit": track.unit,
                "wraps_at": track.wraps_at,
                "points": [{"at": one.at, "value": one.value} for one in track.points],
            }
            for track in told.counters
        ],
        "ledger": entries(told.ledger, {}),
    }


def plain(amount: Amount) -> int | str:
    """The number, or ``unknown``, ``some``, ``other``."""
    return amount.value if isinstance(amount, Mark) else amount


def entries(found: Iterable[LedgerEntry], printers: Mapping[int, Printer]) -> list[Data]:
    """Ledger entries (``lowmark ledger --json``). ``printers``: those whose names are known."""
    names = {number: known.name for number, known in printers.items()}
    return [
        {
            "id": one.id,
            "at": one.at,
            "kind": one.kind,
            "text": one.text,
            "printer": None if one.printer_id is None else names.get(one.printer_id),
            "printer_id": one.printer_id,
            "subject": one.subject,
            "who": one.who,
            "data": dict(one.data),
        }
        for one in found
    ]


def alarms(found: Iterable[AlarmRecord], chattered: Collection[str], now: datetime) -> list[Data]:
    """Alarm records (``lowmark alarms --json``). ``chattered``: see ``agent.alarms.spells.trembling``."""
    return [{**one.to_data(), "marks": list(marks(one, chattered, now))} for one in found]


# --- a reading, as ``lowmark read --json`` prints it ---------------------------------------------------------------


def reading(one: Reading) -> Data:
    """All that a printer said the last time it answered."""
    return {
        "device": one.device_index,
        "model": one.model,
        "name": one.name,
        "serial": one.serial,
        "mac": one.mac,
        "system": {
            "descr": one.system.descr,
            "object_id": one.system.object_id,
            "name": one.system.name,
            "location": one.system.location,
            "uptime_seconds": None if one.system.uptime is None else one.system.uptime / 100,
        },
        "status": {
            "text": status_words(one),
            "device": one.device_status,
            "printer": one.printer_status,
            "errors": sorted(one.errors),
        },
        "pages_per_minute": one.pages_per_minute,
        "supplies": [_supply(part) for part in one.supplies],
        "trays": [
            {
                "index": tray.index,
                "kind": tray.kind,
                "name": tray.name,
                "description": tray.description,
                "media": tray.media,
                "unit": tray.unit,
                "capacity": _amount(tray.capacity),
                "level": _amount(tray.level),
                "status": _status(tray.status),
            }
            for tray in one.trays
        ],
        "bins": [
            {
                "index": box.index,
                "kind": box.kind,
                "name": box.name,
                "description": box.description,
                "unit": box.unit,
                "capacity": _amount(box.capacity),
                "remaining": _amount(box.remaining),
                "status": _status(box.status),
            }
            for box in one.bins
        ],
        "covers": [
            {"index": part.index, "description": part.description, "status": part.status} for part in one.covers
        ],
        "console": list(one.console),
        "lights": [
            {
                "index": light.index,
                "description": light.description,
                "colour": light.colour,
                "on_milliseconds": light.on_time,
                "off_milliseconds": light.off_time,
            }
            for light in one.lights
        ],
        "alerts": [_alert(part) for part in one.alerts],
        "counters": [
            {"name": part.name, "unit": part.unit, "value": part.value, "wraps_at": part.wraps_at}
            for part in one.counters
        ],
        "events": {"config_changes": one.config_changes, "critical": one.critical_events, "all": one.all_events},
        "remarks": [{"where": part.where, "what": part.what} for part in one.remarks],
    }


def _amount(amount: Amount) -> Data:
    return {"mark": amount.value} if isinstance(amount, Mark) else {"value": amount}


def _status(status: SubUnitStatus | None) -> Data | None:
    if status is None:
        return None
    return {
        "availability": status.availability,
        "critical_alert": status.critical_alert,
        "non_critical_alert": status.non_critical_alert,
        "offline": status.offline,
        "transitioning": status.transitioning,
        "raw": status.raw,
    }


def _supply(one: Supply) -> Data:
    return {
        "key": one.key,
        "index": one.index,
        "marker": one.marker,
        "class": one.supply_class,
        "kind": one.kind,
        "colorant": one.colorant,
        "description": one.description,
        "unit": one.unit,
        "capacity": _amount(one.capacity),
        "level": _amount(one.level),
        "fraction": one.fraction,
    }


def _alert(one: Alert) -> Data:
    return {
        "index": one.index,
        "severity": one.severity,
        "training": one.training,
        "group": one.group,
        "group_index": one.group_index,
        "location": one.location,
        "code": one.code,
        "code_number": one.code_number,
        "description": one.description,
        "time": one.time,
    }


# --- the agent -----------------------------------------------------------------------------------------------------


def about(one: About, silent: Mapping[int, ContactState]) -> Data:
    """The agent itself."""
    vitals = one.vitals
    return {
        "version": vitals.version,
        "python": vitals.python,
        "engine": vitals.engine,
        "store": one.store,
        "started": vitals.started,
        "ready": not one.health.missing,
        "missing": list(one.health.missing),
        "sweeps": {
            "count": vitals.sweeps.count,
            "seconds": vitals.sweeps.total,
            "last": vitals.swept,
            "addresses": vitals.stops,
            "readings": dict(vitals.readings),
        },
        "wire": {"requests": vitals.requests, "retries": vitals.retries, "timeouts": vitals.timeouts},
        "buffer": {"readings": vitals.buffered, "limit": vitals.buffer_limit, "dropped": vitals.dropped},
        "store_failing": vitals.store_failing,
        "store_error": one.store_error,
        "store_errors": vitals.store_errors,
        "outbox": {"waiting": vitals.waiting, "dead": vitals.dead},
        "settings": {
            "accepted": vitals.settings_accepted,
            "refused": vitals.settings_refused,
            "loaded": vitals.settings_loaded,
        },
        "silent": [
            {"printer_id": state.printer_id, "since": state.since, "failure": state.failure, "error": state.error}
            for state in silent.values()
        ],
    }
