"""What to take care of with each kind of part.

Common practice of the trade, no source; in particular no maker's instructions. They stand wherever somebody
is sent to a printer, and each list says that the maker's service manual and the local rules come first.
"""

from __future__ import annotations

from collections.abc import Iterable

_TONER = (
    "Toner dust: do not breathe it in; no ordinary vacuum cleaner, it blows the dust out again and may ignite it.",
    "Toner on skin or clothes: wipe off dry, then cold water and soap. Hot water melts it in.",
)
_COLLECT = "Give the used part to the collection that local rules name; never into the fire."
_DRUM = "Drum: keep it from light (a few minutes at most, covered) and from fingers; do not touch its surface."
_POWER = "Switch the printer off and pull the plug before reaching inside."
_FURTHER = "If you must reach further in than the part itself: power off and plug out first; the fuser burns fingers."
_HOT = "The fuser is hot enough to burn: let it cool down for at least half an hour with the power off."
_INK = "Ink stains: gloves, and paper underneath. Keep it from eyes and children."
_UPRIGHT = "Keep the full box level and close its caps before carrying it."
_STAPLES = "Staples and wire: power off first, and keep fingers out of the stapler's mouth."
INTERLOCKS = (
    "Laser light and high voltage behind the covers: never defeat an interlock, never run the printer with covers off."
)
ALCOHOL = (
    "Isopropyl alcohol only where the maker allows it: on cold parts with the power off, away from anything that "
    "ignites, with a lint-free cloth or swab, and dry before the power comes back."
)
HEAVY = "Heavy parts: lift with two hands and a straight back, or by two people; keep the printer from tipping."
MANUAL = (
    "The maker's service manual and local codes come first. Leave work inside the printer, beyond what the manual "
    "gives to users, to qualified service."
)

_BY_KIND: dict[str, tuple[str, ...]] = {
    "toner": (*_TONER, _FURTHER, _COLLECT),
    "tonerCartridge": (*_TONER, _FURTHER, _DRUM, _COLLECT),
    "matteToner": (*_TONER, _FURTHER, _COLLECT),
    "developer": (_POWER, INTERLOCKS, *_TONER, _COLLECT),
    "wasteToner": (_UPRIGHT, *_TONER, _FURTHER, "Never pour waste toner back or out.", _COLLECT),
    "opc": (_DRUM, *_TONER, _FURTHER, _COLLECT),
    "ink": (_INK, _COLLECT),
    "inkCartridge": (_INK, _COLLECT),
    "matteInk": (_INK, _COLLECT),
    "inkRibbon": (_INK, _COLLECT),
    "wasteInk": (_UPRIGHT, _INK, _COLLECT),
    "fuser": (_POWER, _HOT, INTERLOCKS, HEAVY, _COLLECT),
    "fuserOil": (_POWER, _HOT, _COLLECT),
    "fuserOilWick": (_POWER, _HOT, _COLLECT),
    "fuserOiler": (_POWER, _HOT, _COLLECT),
    "fuserCleaningPad": (_POWER, _HOT, _COLLECT),
    "solidWax": (_POWER, "Wax is melted and hot inside: let it cool down with the power off.", _COLLECT),
    "wasteWax": (_POWER, "Wax is melted and hot inside: let it cool down with the power off.", _COLLECT),
    "coronaWire": (
        *(_POWER, INTERLOCKS),
        *("High voltage, and a thin wire: power off, and touch it only as the manual says.", _COLLECT),
    ),
    "transferUnit": (
        *(_POWER, _HOT, INTERLOCKS, HEAVY, "Transfer unit: do not touch the belt or roller.", *_TONER, _COLLECT),
    ),
    "cleanerUnit": (_POWER, INTERLOCKS, *_TONER, _COLLECT),
    "staples": (_STAPLES,),
    "stitchingWire": (_STAPLES,),
}
_INSIDE = (_POWER, _HOT)
_BY_WORD = (
    ("toner", (*_TONER, _COLLECT)),
    ("ink", (_INK, _COLLECT)),
    ("jam", (*_INSIDE, "Pull paper slowly, with both hands, in the direction it travels; leave no scraps.")),
    ("fuser", _INSIDE),
    ("opc", (_DRUM, *_TONER, _COLLECT)),
    ("open", _INSIDE),
)


def for_supply(kind: str) -> tuple[str, ...]:
    """Cautions for replacing or emptying a supply of this kind (RFC 3805 label); the most careful ones if unlisted."""
    return (*_BY_KIND.get(kind, (_POWER, _HOT, *_TONER, _COLLECT)), MANUAL)


def for_alert(code: str) -> tuple[str, ...]:
    """Cautions for going to a printer that reports this alert code or error bit."""
    low = code.lower()
    for word, lines in _BY_WORD:
        if word in low:
            return (*lines, MANUAL)
    return (_POWER, MANUAL)


def is_inside(kind: str) -> bool:
    """Whether work on a supply of this kind reaches inside the printer, so that the power goes off first."""
    return _POWER in _BY_KIND.get(kind, (_POWER,))


def is_hot(kind: str) -> bool:
    """Whether something hot is touched or lies beside it, so that it has to cool down first."""
    return kind not in _BY_KIND or any(line == _HOT or "hot inside" in line for line in _BY_KIND[kind])


def fears_light(kind: str) -> bool:
    """Whether the part has to be kept from light."""
    return _DRUM in _BY_KIND.get(kind, ())


def in_order(lines: Iterable[str]) -> tuple[str, ...]:
    """Each caution once, in the order given; the sentence about the maker's manual last."""
    found = tuple(dict.fromkeys(lines))
    return (*(line for line in found if line != MANUAL), *((MANUAL,) if MANUAL in found else ()))
