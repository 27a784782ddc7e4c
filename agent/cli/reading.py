"""One reading as tables for a person, and as JSON for a program."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from agent.cli.listing import Listing
from agent.cli.show import plain, table
from agent.model.reading import Alert, Amount, Bin, Mark, Reading, SubUnitStatus, Supply, Tray
from agent.model.status import status_words
from agent.model.wording import spaced
from agent.model.wording import supply_words as named

BAR_WIDTH = 12
_EIGHTHS = " ▏▎▍▌▋▊▉"
_LOW, _EMPTY = 0.15, 0.0


# --- words ---------------------------------------------------------------------------------------------------------


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


def _supplies(supplies: tuple[Supply, ...], *, ascii_only: bool) -> Listing:
    def row(one: Supply) -> tuple[object, ...]:
        fraction = one.fraction
        style = "red" if one.level == 0 else "yellow" if fraction is not None and fraction < _LOW else ""
        return (
            named(one.key),
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
