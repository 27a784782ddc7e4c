"""What a printer is doing, in words."""

from __future__ import annotations

from agent.model.reading import Reading
from agent.model.wording import spaced

_MAY_WARN = frozenset(("idle", "printing", "warming up", "status unknown"))


def doing(reading: Reading) -> str:  # noqa: PLR0911 - one return for each row of the table
    """What the printer is doing, by the table of RFC 3805 section 2.2.13.2."""
    device, printer = reading.device_status, reading.printer_status
    if "offline" in reading.errors:
        return "off line" if device == "down" else "going off line"
    if device == "down":
        return "coming on line" if printer == "warmup" else "stopped"
    if device == "testing":
        return "testing itself"
    if printer in {"idle", "printing"}:
        return str(printer)
    if printer == "warmup":
        return "warming up"
    if device == "running" and printer == "other":
        return "standby"
    return "does not tell its status" if device is None and printer is None else "status unknown"


def status_words(reading: Reading) -> str:
    """What the printer is doing, and what it complains of: hrPrinterDetectedErrorState's bits, but for offline."""
    said = doing(reading).replace("does not tell its status", "it does not tell its status")
    if reading.device_status == "warning" and said in _MAY_WARN:
        said += ", with a warning"
    complaints = sorted(spaced(error) for error in reading.errors - {"offline"})
    return f"{said}: {', '.join(complaints)}" if complaints else said
