"""One reading as tables for a person, and as JSON for a program."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from agent.cli.show import plain, table
from agent.model.reading import Alert, Amount, Bin, Mark, Reading, SubUnitStatus, Supply, Tray
from agent.model.wording import spaced

BAR_WIDTH = 12
_EIGHTHS = " ▏▎▍▌▋▊▉"
_LOW, _EMPTY = 0.15, 0.0


# --- words ---------------------------------------------------------------------------------------------------------


def status_words(reading: Reading) -> str:
    """What the printer is doing, by the table of RFC 3805 section 2.2.13.2, and what it complains of."""
    device, printer = reading.device_status, reading.printer_status
    if "offline" in reading.errors:
        said = "off line" if device == "down" else "going off line"
    elif device == "down":
        said = "coming on line" if printer == "warmup" else "stopped"
    elif device == "testing":
        said = "testing itself"
    elif printer in {"idle", "printing"}:
        said = str(printer)
    elif printer == "warmup":
        said = "warming up"
    elif device == "running" and printer == "other":
        said = "standby"
    elif device is None and printer is None:
        said = "it does not tell its status"
    else:
        said = "status unknown"
    if device == "warning" and said in {"idle", "printing", "warming up", "status unknown"}:
        said += ", with a warning"
    complaints = sorted(spaced(error) for error in reading.errors - {"offline"})
    return f"{said}: {', '.join(complaints)}" if complaints else said


def sub_unit_words(status: SubUnitStatus | None) -> str:
    """A PrtSubUnitStatusTC in words (RFC 3805 section 2.2.13.2)."""
    if status is None:
        return ""
    words = [spaced(status.availability)]
    words += ["critical alert"] if status.critical_alert else []
    words += ["alert"] if status.non_critical_alert else []
    words += ["off line"] if status.offline else []
    words += ["changing"] if status.transitioning else []
    return ", ".join(words)


def amount_words(amount: Amount) -> str:
    """A number with thousands apart, or what the printer says instead of one."""
    if isinstance(amount, Mark):
        return {"other": "no limit", "unknown": "unknown", "some": "some"}[amount.value]
    return f"{amount:,}"


def bar(fraction: float | None, *, ascii_only: bool = False) -> str:
    """A bar of ``BAR_WIDTH`` signs that can be read without colour; dots where the share is not known."""
    if fraction is None:
        return ("." if ascii_only else "·") * BAR_WIDTH
    eighths = round(fraction * BAR_WIDTH * 8)
    if fraction > 0:
        eighths = max(1, eighths)  # What is not empty does not look empty.
    whole, rest = divmod(eighths, 8)
    if ascii_only:
        filled = max(whole, int(fraction > 0))
        return "#" * filled + "-" * (BAR_WIDTH - filled)
    drawn = "█" * whole + (_EIGHTHS[rest] if rest else "")
    return drawn + "░" * (BAR_WIDTH - len(drawn))


def supply_words(supply: Supply) -> str:
    """How much is left, in one word or number: a percentage wherever it is known, else what is known."""
    fraction = supply.fraction
    if fraction is not None:
        return f"{fraction * 100:.0f} %" if fraction == 0 or fraction >= 0.01 else "< 1 %"
    if supply.level is Mark.SOME:
        return "some"
    if supply.level is Mark.OTHER:
        return "no limit"
    return "unknown"


def level_words(supply: Supply) -> str:
    """Level and capacity in the printer's own unit, as far as it tells them."""
    unit = spaced(supply.unit)
    if not isinstance(supply.capacity, Mark):
        level = "" if supply.level is Mark.UNKNOWN else f"{amount_words(supply.level)} "
        return f"{level}of {supply.capacity:,} {unit}"
    if isinstance(supply.level, Mark):
        return ""
    return f"{supply.level:,} {unit}" + ("" if supply.fraction is not None else ", capacity unknown")


def remark_on(supply: Supply) -> str:
    """What to know about a supply besides its share."""
    if supply.level == 0:
        return "full, to be emptied" if supply.is_receptacle else "empty"
    fraction = supply.fraction
    if fraction is not None and fraction < _LOW:
        return "nearly full" if supply.is_receptacle else "low"
    return "space left" if supply.is_receptacle and fraction is not None else ""


def ticks_words(ticks: int | None) -> str:
    """Hundredths of a second as days, hours and minutes."""
    if ticks is None:
        return ""
    minutes = ticks // 6000
    days, hours, minutes = minutes // 1440, minutes // 60 % 24, minutes % 60
    return f"{days} d {hours} h" if days else f"{hours} h {minutes} min"


# --- tables --------------------------------------------------------------------------------------------------------


def show(reading: Reading, console: Console) -> None:
    """Print a reading as tables; what the printer does not have is left out."""
    for part in _parts(reading, ascii_only=console.options.ascii_only):
        console.print(part)


def _parts(reading: Reading, *, ascii_only: bool) -> Iterator[RenderableType]:
    yield _identity(reading)
    if reading.console:
        yield Text("Display: ") + plain(" / ".join(line for line in reading.console if line))
    if reading.alerts:
        yield table(
            ["Alert", "Severity", "About", "Description", "Standing for"],
            (_alert_row(alert, reading.system.uptime) for alert in reading.alerts),
        )
    if reading.supplies:
        yield _supplies(reading.supplies, ascii_only=ascii_only)
    if reading.trays:
        yield table(
            ["Tray", "Media", "Level", "Capacity", "Unit", "Status"], map(_tray_row, reading.trays), right=(2, 3)
        )
    if reading.bins:
        yield table(
            ["Output bin", "Space left", "Capacity", "Unit", "Status"], map(_bin_row, reading.bins), right=(1, 2)
        )
    if reading.covers:
        yield table(["Cover", "Status"], ((one.description, spaced(one.status or "unknown")) for one in reading.covers))
    lit = [one for one in reading.lights if one.on_time]
    if lit:
        yield table(
            ["Light", "Colour", "How"],
            ((one.description, one.colour, "blinks" if one.off_time else "on") for one in lit),
        )
    if reading.counters:
        rows = ((one.name, f"{one.value:,}", spaced(one.unit)) for one in reading.counters)
        yield table(["Counter", "Value", "Unit"], rows, right=(1,))
    if reading.remarks:
        yield table(["Odd in the answer", "What"], ((one.where, one.what) for one in reading.remarks))


def _identity(reading: Reading) -> Table:
    system = reading.system
    speed = "" if reading.pages_per_minute is None else f"{reading.pages_per_minute:g} pages a minute"
    device = "" if reading.device_index == 1 else f" (device {reading.device_index})"
    rows = {
        "Printer": reading.model or reading.name or "unnamed",
        "Status": Text(status_words(reading), style="bold"),
        "Name": ", ".join(dict.fromkeys(name for name in (reading.name, system.name) if name)),
        "Serial number": reading.serial,
        "MAC address": reading.mac,
        "Address": f"{reading.address}{device}",
        "Location": system.location,
        "Says of itself": system.descr if system.descr != reading.model else "",
        "Speed": speed,
        "Running for": ticks_words(system.uptime),
    }
    made = Table.grid(padding=(0, 2))
    for label, value in rows.items():
        if value:
            made.add_row(Text(label, style="bold"), plain(value))
    return made


def _supplies(supplies: tuple[Supply, ...], *, ascii_only: bool) -> Table:
    def row(one: Supply) -> tuple[object, ...]:
        fraction = one.fraction
        style = "red" if one.level == 0 else "yellow" if fraction is not None and fraction < _LOW else ""
        return (
            one.key,
            one.description,
            Text(bar(fraction, ascii_only=ascii_only), style=style),
            Text(supply_words(one), style=style),
            level_words(one),
            Text(remark_on(one), style=style),
        )

    headers = ["Supply", "Description", "Left", "", "Level and capacity", ""]
    return table(headers, map(row, supplies), right=(3,), whole=(0, 2))


def _alert_row(alert: Alert, uptime: int | None) -> tuple[object, ...]:
    stood = "" if alert.time is None or uptime is None or alert.time > uptime else ticks_words(uptime - alert.time)
    style = "red" if alert.severity.startswith("critical") else ""
    about = f"{spaced(alert.group)} {alert.group_index}" if alert.group_index > 0 else spaced(alert.group)
    return (Text(spaced(alert.code), style=style), spaced(alert.severity), about, alert.description, stood)


def _tray_row(tray: Tray) -> tuple[object, ...]:
    name = tray.name or tray.description or f"tray {tray.index}"
    return (
        name,
        tray.media,
        amount_words(tray.level),
        amount_words(tray.capacity),
        spaced(tray.unit),
        sub_unit_words(tray.status),
    )


def _bin_row(one: Bin) -> tuple[object, ...]:
    name = one.name or one.description or f"bin {one.index}"
    unit = spaced(one.unit)
    return (name, amount_words(one.remaining), amount_words(one.capacity), unit, sub_unit_words(one.status))


# --- JSON ----------------------------------------------------------------------------------------------------------


def amount_json(amount: Amount) -> dict[str, Any]:
    """``{"value": 40}``, or ``{"mark": "unknown"}`` (other, unknown, some) where the printer gives no number."""
    return {"mark": amount.value} if isinstance(amount, Mark) else {"value": amount}


def status_json(status: SubUnitStatus | None) -> dict[str, Any] | None:
    """The parts of a sub-unit's status; None where the printer does not tell it."""
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


def as_json(reading: Reading) -> dict[str, Any]:
    """One printer of ``lowmark.read.v1``; the shape is described in ``agent.cli.read``."""
    return {
        "device": reading.device_index,
        "model": reading.model,
        "name": reading.name,
        "serial": reading.serial,
        "mac": reading.mac,
        "system": {
            "descr": reading.system.descr,
            "object_id": reading.system.object_id,
            "name": reading.system.name,
            "location": reading.system.location,
            "uptime_seconds": None if reading.system.uptime is None else reading.system.uptime / 100,
        },
        "status": {
            "text": status_words(reading),
            "device": reading.device_status,
            "printer": reading.printer_status,
            "errors": sorted(reading.errors),
        },
        "pages_per_minute": reading.pages_per_minute,
        "supplies": [_supply_json(one) for one in reading.supplies],
        "trays": [_tray_json(one) for one in reading.trays],
        "bins": [_bin_json(one) for one in reading.bins],
        "covers": [
            {"index": one.index, "description": one.description, "status": one.status} for one in reading.covers
        ],
        "console": list(reading.console),
        "lights": [
            {
                "index": one.index,
                "description": one.description,
                "colour": one.colour,
                "on_milliseconds": one.on_time,
                "off_milliseconds": one.off_time,
            }
            for one in reading.lights
        ],
        "alerts": [_alert_json(one) for one in reading.alerts],
        "counters": [
            {"name": one.name, "unit": one.unit, "value": one.value, "wraps_at": one.wraps_at}
            for one in reading.counters
        ],
        "events": {
            "config_changes": reading.config_changes,
            "critical": reading.critical_events,
            "all": reading.all_events,
        },
        "remarks": [{"where": one.where, "what": one.what} for one in reading.remarks],
    }


def _supply_json(one: Supply) -> dict[str, Any]:
    return {
        "key": one.key,
        "index": one.index,
        "marker": one.marker,
        "class": one.supply_class,
        "kind": one.kind,
        "colorant": one.colorant,
        "description": one.description,
        "unit": one.unit,
        "capacity": amount_json(one.capacity),
        "level": amount_json(one.level),
        "fraction": one.fraction,
    }


def _tray_json(one: Tray) -> dict[str, Any]:
    return {
        "index": one.index,
        "kind": one.kind,
        "name": one.name,
        "description": one.description,
        "media": one.media,
        "unit": one.unit,
        "capacity": amount_json(one.capacity),
        "level": amount_json(one.level),
        "status": status_json(one.status),
    }


def _bin_json(one: Bin) -> dict[str, Any]:
    return {
        "index": one.index,
        "kind": one.kind,
        "name": one.name,
        "description": one.description,
        "unit": one.unit,
        "capacity": amount_json(one.capacity),
        "remaining": amount_json(one.remaining),
        "status": status_json(one.status),
    }


def _alert_json(one: Alert) -> dict[str, Any]:
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
