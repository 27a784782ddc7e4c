"""Strings from printers: character sets, and what is taken out of them."""

from __future__ import annotations

import codecs
import unicodedata
import warnings
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.mib import oids
from agent.mib.charsets import CODECS, SHIFTING, WIDE
from agent.mib.text import MAX_LENGTH, free_words, words
from tests.mib.invented import read, row, supply
from tests.needs import debian

# MIBenum, octets, text. The octets are from the code charts: ISO 8859, Unicode's mapping tables, JIS X 0208 and the
# Roman-8 chart of RFC 1345 (memory); Python's codecs agree.
KNOWN = [
    (3, b"Toner", "Toner"),
    (4, b"pr\xfcfen", "prüfen"),
    (5, b"\xb1\xea", "ąę"),
    (8, b"\xc2\xde\xdd\xd5\xe0", "Тонер"),
    (106, b"\xe2\x82\xac", "€"),
    (17, b"\x83g\x83i\x81[", "トナー"),
    (18, b"\xa5\xc8\xa5\xca\xa1\xbc", "トナー"),
    (39, b"\x1b$B%H%J!<\x1b(B", "トナー"),
    (2004, b"\xcf\xc5\xd8\xd2", "üéÄØ"),
    (2009, b"\x81\x82", "üé"),
    (2252, b"\x80\x96", "€\N{EN DASH}"),
    (2084, b"\xf4\xcf\xce\xc5\xd2", "Тонер"),
    (2025, b"\xcc\xbc\xb7\xdb", "碳粉"),
    (2026, b"\xba\xd2\xaf\xbb", "碳粉"),
    (38, b"\xc5\xe4\xb3\xca", "토너"),
    (1013, b"\x00T\x20\xac", "T€"),
    (1014, b"T\x00\xac\x20", "T€"),
    (1015, b"\x00T\x20\xac", "T€"),
    (1015, b"\xff\xfeT\x00\xac\x20", "T€"),
]


@pytest.mark.parametrize(("charset", "octets", "text"), KNOWN)
def test_a_string_is_read_in_its_own_character_set(charset: int, octets: bytes, text: str) -> None:
    assert words(octets, charset) == text


def test_every_character_set_has_ianas_number() -> None:
    """The registry's numbers and names are those of Debian's compiled IANA-CHARSET-MIB."""
    path = debian("python3-pysnmp4-mibs", "/usr/lib/python3/dist-packages/pysnmp_mibs/IANA-CHARSET-MIB.py")
    from pysnmp.smi import builder

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        mibs = builder.MibBuilder()
        mibs.set_mib_sources(mibs.get_mib_sources()[0], builder.DirMibSource(str(Path(path).parent)))
        mibs.load_modules("IANA-CHARSET-MIB")
    registered = {
        int(number): name for name, number in mibs.mibSymbols["IANA-CHARSET-MIB"]["IANACharset"].namedValues.items()
    }
    unlike = {
        number: (registered.get(number), codec)
        for number, codec in CODECS.items()
        if codecs.lookup(codec).name != codecs.lookup(NAMES.get(registered[number], registered[number][2:])).name
    }
    assert unlike == {}


# IANA's aliases that Python's codecs do not know by that name.
NAMES = {
    "csEUCPkdFmtJapanese": "euc_jp",
    "csISO88596E": "iso8859_6",
    "csISO88596I": "iso8859_6",
    "csISO88598E": "iso8859_8",
    "csISO88598I": "iso8859_8",
    "csISOLatin1": "iso8859_1",
    "csISOLatin2": "iso8859_2",
    "csISOLatin3": "iso8859_3",
    "csISOLatin4": "iso8859_4",
    "csISOLatin5": "iso8859_9",
    "csISOLatin6": "iso8859_10",
    "csISOLatinArabic": "iso8859_6",
    "csISOLatinCyrillic": "iso8859_5",
    "csISOLatinGreek": "iso8859_7",
    "csISOLatinHebrew": "iso8859_8",
    "csISO885913": "iso8859_13",
    "csISO885914": "iso8859_14",
    "csISO885915": "iso8859_15",
    "csISO885916": "iso8859_16",
    "csISO2022KR": "iso2022_kr",
    "csISO2022JP": "iso2022_jp",
    "csISO2022JP2": "iso2022_jp_2",
    "csUnicode": "utf_16_be",
    "csUTF16BE": "utf_16_be",
    "csUTF16LE": "utf_16_le",
    "csUTF16": "utf_16",
    "csUTF8": "utf_8",
    "csHPRoman8": "hp_roman8",
    "csPC850Multilingual": "cp850",
    "csPCp852": "cp852",
    "csPC8CodePage437": "cp437",
    "csPC862LatinHebrew": "cp862",
    "csPC775Baltic": "cp775",
    "csWindows31J": "cp932",
    "csMacintosh": "mac_roman",
    "csKOI8R": "koi8_r",
    "csKOI8U": "koi8_u",
    "csHZGB2312": "hz",
    "csIBM00858": "cp858",
    "csTIS620": "tis_620",
    "cswindows1250": "cp1250",
    "cswindows1251": "cp1251",
    "cswindows1252": "cp1252",
    "cswindows1253": "cp1253",
    "cswindows1254": "cp1254",
    "cswindows1255": "cp1255",
    "cswindows1256": "cp1256",
    "cswindows1257": "cp1257",
    "cswindows1258": "cp1258",
}


@pytest.mark.parametrize("charset", [None, 3, 106, 9999, 2])
def test_what_no_declared_set_can_read_is_read_as_utf8_else_latin_1(charset: int | None) -> None:
    assert words("prüfen".encode(), charset) == "prüfen"
    assert words("prüfen".encode("latin-1"), charset) == "prüfen"


def test_shift_jis_with_a_vendors_rows_is_read() -> None:
    assert words("①".encode("cp932"), 17) == "①"


def test_a_character_cut_in_two_at_the_end_is_dropped() -> None:
    octets = ("é" * 40).encode()[:63]  # prtInputName holds 63 octets (RFC 3805)
    assert words(octets, 106) == "é" * 31
    assert words(octets, None) == "é" * 31
    assert words(b"a" * 40 + b"\xe9", 106) == "a" * 40 + "é"  # no other sign of UTF-8: Latin-1


def test_strings_without_a_declared_set_are_utf8_before_anything_else() -> None:
    assert free_words("Größe".encode(), 4) == "Größe"
    assert free_words("Größe".encode("latin-1"), 4) == "Größe"
    assert words("Größe".encode(), 4) == "GrÃ¶Ãe"  # declared, so believed


@pytest.mark.parametrize(
    ("octets", "text"),
    [
        (b"Tray 1\0\0\0", "Tray 1"),
        (b"\0", ""),
        (b"", ""),
        (b"  Ready \r\n", "Ready"),
        (b"Line 1\r\nLine 2\tx", "Line 1  Line 2 x"),
        (b"\x1b[31mred\x07", "[31mred"),
        ("abc\u202edef\u2066".encode(), "abcdef"),  # bidi overrides and isolates
        ("\ufeffToner\u200b".encode(), "Toner"),
        ("e\u0301".encode(), "é"),  # NFC
        ("e\u200b\u0301".encode(), "é"),
        ("a\u2028b\u00a0c".encode(), "a b c"),
        ("\U000e0041A".encode(), "A"),  # invisible tag characters
    ],
)
def test_nothing_remains_that_a_terminal_or_page_could_trip_over(octets: bytes, text: str) -> None:
    assert words(octets, 106) == text


def test_length_is_bounded() -> None:
    assert words(b"x" * 100_000) == "x" * MAX_LENGTH
    assert words("é".encode() * 100_000, 106) == "é" * MAX_LENGTH
    assert len(words("\ufdfa".encode() * 300, 106)) <= MAX_LENGTH


@given(st.binary(max_size=600), st.sampled_from([None, 0, 2, 9999, *CODECS]))
def test_any_octets_in_any_set_give_harmless_words(octets: bytes, charset: int | None) -> None:
    for text in (words(octets, charset), free_words(octets, charset)):
        assert len(text) <= MAX_LENGTH
        assert text == text.strip()
        assert unicodedata.is_normalized("NFC", text)
        bad = [c for c in text if unicodedata.category(c) in {"Cc", "Cs", "Cn", "Zl", "Zp"}]
        assert not bad
        assert not set(text) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")
        text.encode("utf-8")


@given(st.text(st.characters(categories=("L", "N", "P", "S"), max_codepoint=0x2FFF), max_size=60))
def test_plain_text_comes_through_every_unicode_set(text: str) -> None:
    expected = unicodedata.normalize("NFC", text)
    assert words(text.encode(), 106) == expected
    assert words(text.encode("utf-16-be"), 1013) == expected


def test_sets_with_shifts_and_wide_sets_are_known_ones() -> None:
    assert CODECS.keys() >= SHIFTING | WIDE


# --- which localisation is whose --------------------------------------------------------------------------------


def test_descriptions_and_console_have_each_their_own_localisation() -> None:
    """RFC 3805: PrtLocalizedDescriptionStringTC and PrtConsoleDescriptionStringTC."""
    cells = {
        **row(oids.PRT_GENERAL, 1, CurrentLocalization=1, ConsoleLocalization=2),
        **row(oids.PRT_LOCALIZATION, 1, 1, CharacterSet=2004),
        **row(oids.PRT_LOCALIZATION, 1, 2, CharacterSet=17),
        **row(oids.PRT_COVER, 1, 1, Description=b"T\xcfr"),
        **row(oids.PRT_CONSOLE, 1, 1, Text="印刷できます".encode("shift_jis")),
        **row(oids.PRT_LIGHT, 1, 1, Description="電源".encode("shift_jis")),
        **supply(1, Description=b"T\xcfr"),
    }
    reading = read(cells)
    assert reading.covers[0].description == "Tür"
    assert reading.supplies[0].description == "Tür"
    assert reading.console == ("印刷できます",)
    assert reading.lights[0].description == "電源"


def test_a_localisation_that_is_not_there_declares_nothing() -> None:
    cells = row(oids.PRT_GENERAL, 1, CurrentLocalization=7) | row(oids.PRT_LOCALIZATION, 1, 1, CharacterSet=2004)
    assert read(cells | supply(1, Description="Tür".encode())).supplies[0].description == "Tür"


def test_the_empty_lines_in_the_middle_of_a_display_are_kept() -> None:
    lines = (b"Ready", b"", b"Tray 2", b" ", b"")
    cells = {}
    for index, line in enumerate(lines, start=1):
        cells |= row(oids.PRT_CONSOLE, 1, index, Text=line)
    assert read(cells).console == ("Ready", "", "Tray 2")
