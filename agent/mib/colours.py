"""The colour of a supply: from its colorant, else from the words of its description."""

from __future__ import annotations

import re
from functools import lru_cache
from types import MappingProxyType

# prtMarkerColorantValue has the standardised names of ISO 10175 and ISO 10180 (RFC 3805): other, unknown, white, red,
# green, blue, cyan, magenta, yellow, black. The letters and spellings beside them are common practice, no source.
_OTHER_SPELLINGS = MappingProxyType(
    {
        "c": "cyan",
        "m": "magenta",
        "y": "yellow",
        "k": "black",
        "bk": "black",
        "gray": "grey",
        "light gray": "light grey",
        "process cyan": "cyan",
        "process magenta": "magenta",
        "process yellow": "yellow",
        "process black": "black",
    }
)
_NO_COLOUR = frozenset({"", "other", "unknown", "none"})

# Words in descriptions. Descriptions are localised, so the four process colours are known in some more languages
# (de, es, fr, it, nl, pt); common practice, no source.
_WORDS = MappingProxyType(
    {
        "black": "black",
        "schwarz": "black",
        "negro": "black",
        "noir": "black",
        "nero": "black",
        "zwart": "black",
        "preto": "black",
        "cyan": "cyan",
        "cian": "cyan",
        "ciano": "cyan",
        "cyaan": "cyan",
        "zyan": "cyan",
        "magenta": "magenta",
        "yellow": "yellow",
        "gelb": "yellow",
        "amarillo": "yellow",
        "amarelo": "yellow",
        "jaune": "yellow",
        "giallo": "yellow",
        "geel": "yellow",
        "white": "white",
        "red": "red",
        "green": "green",
        "blue": "blue",
        "orange": "orange",
        "violet": "violet",
        "grey": "grey",
        "gray": "grey",
        "clear": "clear",
    }
)
_SHADES = frozenset({"light", "dark", "photo", "matte"})
_SPLIT = re.compile(r"[^\W\d_]+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")

COLOURED_KINDS = frozenset(
    {
        "toner",
        "tonerCartridge",
        "matteToner",
        "ink",
        "inkCartridge",
        "inkRibbon",
        "matteInk",
        "solidWax",
        "ribbonWax",
        "opc",
        "developer",
    }
)
"""Kinds of supply whose description may tell their colour. A waste bin's "black" is not the colour of a colorant."""

_LONGEST = 40


@lru_cache(maxsize=1024)
def canonical(value: str) -> str | None:
    """A colorant's name: lower case, single spaces, one spelling for each; None for other, unknown and nothing."""
    plain = " ".join(_CAMEL.sub(" ", value).casefold().replace("-", " ").replace("_", " ").split())[:_LONGEST].strip()
    if plain in _NO_COLOUR:
        return None
    return _OTHER_SPELLINGS.get(plain, plain)


@lru_cache(maxsize=4096)
def from_description(text: str) -> str | None:
    """The one colour that a description names, with its shade (``light cyan``); None if it names none or several.

    "Black toner" and "Toner Cyan 3000" name one; "Tri-colour cartridge", "Black/Cyan drum" and "Toner" do not. A
    single letter is no colour: a K or C in a description is more often part of an order number.
    """
    words = [word.casefold() for word in _SPLIT.findall(_CAMEL.sub(" ", text))]
    found: set[str] = set()
    for place, word in enumerate(words):
        colour = _WORDS.get(word)
        if colour is not None:
            shade = words[place - 1] if place and words[place - 1] in _SHADES else ""
            found.add(f"{shade} {colour}".strip())
    return found.pop() if len(found) == 1 else None
