"""Plain words for parts, amounts and spans, safe to print anywhere.

What a printer says of itself is untrusted: every such string passes through ``clean`` before it becomes part of a text.
"""

from __future__ import annotations

import unicodedata
from datetime import timedelta

PARTS = {
    "toner": "toner",
    "tonerCartridge": "toner cartridge",
    "matteToner": "matte toner",
    "wasteToner": "waste toner box",
    "ink": "ink",
    "inkCartridge": "ink cartridge",
    "matteInk": "matte ink",
    "inkRibbon": "ink ribbon",
    "wasteInk": "waste ink box",
    "opc": "drum",
    "developer": "developer",
    "fuserOil": "fuser oil",
    "fuserOilWick": "fuser oil wick",
    "fuserOiler": "fuser oiler",
    "fuser": "fuser",
    "fuserCleaningPad": "fuser cleaning pad",
    "solidWax": "solid wax",
    "ribbonWax": "ribbon wax",
    "wasteWax": "waste wax box",
    "coronaWire": "corona wire",
    "cleanerUnit": "cleaner unit",
    "transferUnit": "transfer unit",
    "wasteWater": "waste water tank",
    "wastePaper": "waste paper bin",
    "stitchingWire": "stitching wire",
    "staples": "staples",
}
"""Kinds of supply (RFC 3805, PrtMarkerSuppliesTypeTC) as a technician calls them."""

_UNFIT = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


def clean(text: object, limit: int = 200) -> str:
    """One line without control, format (bidi) or private characters, white space made single, bounded in length."""
    raw = str(text)[: limit * 4]
    if raw.isascii() and raw.isprintable():
        kept = raw
    else:
        kept = "".join(" " if unicodedata.category(sign) in _UNFIT else sign for sign in raw)
    line = " ".join(kept.split())
    return line if len(line) <= limit else line[: limit - 1] + "…"


def spaced(label: str) -> str:
    """A label of a standard as words: ``inputTrayMissing`` -> ``input tray missing``."""
    words = "".join(f" {sign.lower()}" if sign.isupper() else sign for sign in label)
    return " ".join(words.split())


def part(kind: str, colorant: str | None) -> str:
    """``cyan toner``, ``drum``: what the thing is called."""
    name = PARTS.get(kind) or spaced(clean(kind, 60))
    shade = clean(colorant, 40) if colorant else ""
    if not shade or shade in ("none", "other", "unknown") or shade.lower() in name.lower():
        return name
    return f"{shade} {name}"


def percent(fraction: float) -> str:
    """``8.5 %`` below ten, whole numbers above; cut, not rounded, so that 9.96 never reads as the limit of 10."""
    tenths = int(fraction * 1000 + 1e-9)
    if tenths >= 100:
        return f"{tenths // 10} %"
    return f"{tenths // 10}.{tenths % 10} %" if tenths % 10 else f"{tenths // 10} %"


def span(length: timedelta) -> str:
    """``25 min``, ``3 h``, ``2 d 4 h``: two units at most."""
    minutes = int(length.total_seconds()) // 60
    if minutes < 1:
        return f"{max(0, int(length.total_seconds()))} s"
    days, rest = divmod(minutes, 24 * 60)
    hours, minutes = divmod(rest, 60)
    if days:
        return f"{days} d {hours} h" if hours else f"{days} d"
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{minutes} min"
