"""IANA's character sets (MIBenum, as in prtLocalizationCharacterSet) and the Python codecs that read them.

Source: the IANA registry of character sets (IANA-CHARSET-MIB). A set that no codec reads is not listed; its strings
are read as if the printer had not said which set they are in.
"""

from __future__ import annotations

from types import MappingProxyType

CODECS = MappingProxyType(
    {
        3: "ascii",
        4: "iso8859_1",
        5: "iso8859_2",
        6: "iso8859_3",
        7: "iso8859_4",
        8: "iso8859_5",
        9: "iso8859_6",
        10: "iso8859_7",
        11: "iso8859_8",
        12: "iso8859_9",
        13: "iso8859_10",
        17: "shift_jis",
        18: "euc_jp",
        37: "iso2022_kr",
        38: "euc_kr",
        39: "iso2022_jp",
        40: "iso2022_jp_2",
        81: "iso8859_6",
        82: "iso8859_6",
        84: "iso8859_8",
        85: "iso8859_8",
        106: "utf_8",
        109: "iso8859_13",
        110: "iso8859_14",
        111: "iso8859_15",
        112: "iso8859_16",
        113: "gbk",
        114: "gb18030",
        119: "kz1048",
        1000: "utf_16_be",
        1013: "utf_16_be",
        1014: "utf_16_le",
        1015: "utf_16",
        2004: "hp_roman8",
        2009: "cp850",
        2010: "cp852",
        2011: "cp437",
        2013: "cp862",
        2024: "cp932",
        2025: "gb2312",
        2026: "big5",
        2027: "mac_roman",
        2046: "cp855",
        2047: "cp857",
        2048: "cp860",
        2049: "cp861",
        2050: "cp863",
        2051: "cp864",
        2052: "cp865",
        2054: "cp869",
        2084: "koi8_r",
        2085: "hz",
        2086: "cp866",
        2087: "cp775",
        2088: "koi8_u",
        2089: "cp858",
        2101: "big5hkscs",
        2103: "ptcp154",
        2250: "cp1250",
        2251: "cp1251",
        2252: "cp1252",
        2253: "cp1253",
        2254: "cp1254",
        2255: "cp1255",
        2256: "cp1256",
        2257: "cp1257",
        2258: "cp1258",
        2259: "tis_620",
    }
)

WIDE = frozenset({1000, 1013, 1014, 1015})
"""Sets of two octets a character, in which a zero octet is no end."""

SHIFTING = frozenset({37, 39, 40, 2085})
"""Sets that give octets below 128 other meanings after a shift; plain ASCII octets are not always ASCII in them."""
