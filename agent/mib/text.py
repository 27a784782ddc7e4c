"""Octets from a printer -> words that are safe to show, store and send on.

RFC 3805 puts descriptions and alerts in the character set of prtGeneralCurrentLocalization, console texts in that of
prtConsoleLocalization, and leaves other strings to good manners; the strings of RFC 2790 and RFC 3418 are ASCII. Many
printers keep to none of this, so a string that cannot be in the declared set is read as UTF-8 where it is valid UTF-8
and as Latin-1 where it is not: no string is lost for being in the wrong set.
"""

from __future__ import annotations

import codecs
import unicodedata
from functools import lru_cache

from agent.mib.charsets import CODECS, SHIFTING, WIDE

MAX_LENGTH = 255
"""Characters kept: the longest OCTET STRING that RFC 3805 allows for words."""

_MAX_OCTETS = 4 * MAX_LENGTH
_LIKELY_CUT = 31  # octets: at such lengths a string may have been cut by the printer in the middle of a character
_REMEMBERED = 2048
"""Texts that a fleet has in common fit into that many times over; serial numbers and names would fill any number."""
_JOINERS = "\u200c\u200d"  # needed within words of some scripts, and harmless


@lru_cache(maxsize=_REMEMBERED)
def words(raw: bytes, charset: int | None = None) -> str:
    """The text in ``raw``, written in ``charset`` (an IANA MIBenum; None where nothing is declared). Never raises.

    Trailing NULs go, and whatever a terminal or a page could trip over: control characters (line ends and tabs become
    spaces), bidi overrides and other invisible format characters, unassigned and private code points. The rest is in
    NFC and holds at most ``MAX_LENGTH`` characters.
    """
    cut = len(raw) > _MAX_OCTETS
    raw = raw[:_MAX_OCTETS]
    if charset not in WIDE:
        raw = raw.rstrip(b"\0")
        if raw.isascii() and charset not in SHIFTING:
            return _tidy(raw.decode("ascii"))
    return _tidy(_decoded(raw, charset, cut or len(raw) >= _LIKELY_CUT))


@lru_cache(maxsize=_REMEMBERED)
def free_words(raw: bytes, charset: int | None = None) -> str:
    """As ``words``, for strings whose set no standard lays down: UTF-8 before the localisation's own set."""
    if charset not in WIDE and charset not in SHIFTING and _strict(raw, "utf_8") is not None:
        return words(raw, 106)
    return words(raw, charset)


def _decoded(raw: bytes, charset: int | None, may_be_cut: bool) -> str:
    candidates = [CODECS[charset]] if charset is not None and charset in CODECS else []
    if candidates == ["utf_16"] and raw[:2] not in {codecs.BOM_UTF16_BE, codecs.BOM_UTF16_LE}:
        candidates = ["utf_16_be"]  # RFC 2781 section 4.3
    if candidates == ["shift_jis"]:
        candidates.append("cp932")  # what is labelled Shift_JIS often has the vendor's rows of it
    candidates.append("utf_8")
    for codec in candidates:
        text = _strict(raw, codec)
        if text is None and may_be_cut:
            text = _without_cut_end(raw, codec)
        if text is not None:
            return text
    return raw.decode("latin_1")


def _strict(raw: bytes, codec: str) -> str | None:
    try:
        return raw.decode(codec)
    except UnicodeError:
        return None


def _without_cut_end(raw: bytes, codec: str) -> str | None:
    """The text of octets that end in the middle of a character; None unless that is all that is wrong with them."""
    for less in (1, 2, 3):
        text = _strict(raw[:-less], codec)
        # Without other characters beyond ASCII the odd octets at the end are no sign of this character set.
        if text is not None and not text.isascii():
            return text
    return None


def _tidy(text: str) -> str:
    if text.isascii() and text.isprintable():
        return text[:MAX_LENGTH].strip()
    # In this order: taking an invisible character out may bring a letter and its accent together.
    text = "".join(_shown(character) for character in text)
    return unicodedata.normalize("NFC", text)[:MAX_LENGTH].strip()


def _shown(character: str) -> str:
    category = unicodedata.category(character)
    if category in {"Zs", "Zl", "Zp"} or character in "\t\n\v\f\r\x85":
        return " "
    if category[0] == "C" and character not in _JOINERS:
        return ""
    return character
