"""Plain words for parts and labels, safe to print anywhere.

What a printer says of itself is untrusted: every such string passes through ``clean`` before it becomes part of a text.
"""

from __future__ import annotations

import re
import unicodedata

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

_BORDER = re.compile(r"(?<=[^\W_A-Z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
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


def percent_words(share: float) -> str:
    """A share as whole percent with the space that SI wants before the sign: ``34 %``."""
    return f"{share * 100:.0f} %"


def spaced(label: str) -> str:
    """A label of a standard as words: ``inputTrayMissing`` -> ``input tray missing``.

    A run of capitals is one word and stays as it is: ``printerNMSReset`` -> ``printer NMS reset``.
    """
    words = _BORDER.sub(" ", label).split()
    return " ".join(word if len(word) > 1 and word.isupper() else word.lower() for word in words)


def part(kind: str, colorant: str | None) -> str:
    """``cyan toner``, ``drum``: what the thing is called."""
    name = PARTS.get(kind) or spaced(clean(kind, 60))
    shade = clean(colorant, 40) if colorant else ""
    if not shade or shade in ("none", "other", "unknown") or shade.lower() in name.lower():
        return name
    return f"{shade} {name}"


def called(kind: str, colorant: str | None, description: str, key: str = "") -> str:
    """What a technician calls a supply: ``cyan toner``; with its number, ``drum 2``, where ``key`` (``opc#2``) has one.

    Where the standard has no word for its kind it is called what the printer calls it, else by its key.
    """
    if kind in ("other", "unknown"):
        return clean(description, 60) or clean(key, 60) or part(kind, colorant)
    again = key.partition("#")[2]
    return part(kind, colorant) + (f" {clean(again, 10)}" if again else "")


def supply_words(key: str) -> str:
    """The key of a supply as a technician says it: ``toner:cyan`` -> ``cyan toner``, ``opc#2`` -> ``drum 2``.

    What is no such key, such as the name of a plan, stays as it is.
    """
    bare, _, described = key.partition(" (")
    name, _, again = bare.partition("#")
    kind, _, colorant = name.partition(":")
    if kind not in PARTS:
        return key
    words = part(kind, colorant or None) + (f" {again}" if again else "")
    return f"{words} ({described}" if described else words


def subjects_in_words(text: str) -> str:
    """Several subjects, parted by commas, each as a technician says it: ``black toner, calibration``."""
    return ", ".join(supply_words(one) for one in text.split(", "))
