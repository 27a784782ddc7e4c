"""What a printer says about who it is, and what of that can be believed."""

from __future__ import annotations

import re
from datetime import timedelta
from functools import lru_cache

from agent.model.reading import Reading

# What stands in place of a serial number where none was set (common practice, no source).
_PLACEHOLDERS = frozenset(
    {
        *("NA", "NONE", "NULL", "NIL", "UNKNOWN", "UNDEFINED", "UNSET", "DEFAULT", "TEST", "TBD", "INVALID", "EMPTY"),
        *("SN", "SERIAL", "SERIALNUMBER", "SERIALNO", "NOSERIAL", "NOSERIALNUMBER", "SYSTEMSERIALNUMBER"),
        *("NOTAVAILABLE", "NOTAPPLICABLE", "NOTSET", "NOTSPECIFIED", "NOTDEFINED", "NOTPRESENT"),
        *("TOBEFILLED", "TOBEFILLEDBYOEM", "PRINTERSERIALNUMBER"),
    }
)
_COUNTING_UP = ("01234567890123456789", "12345678901234567890", "ABCDEFGHIJKLMNOPQRSTUVWXYZ")
_SAME_START = timedelta(minutes=5)
_SAME_COUNT = 200


@lru_cache(maxsize=16_384)  # the same few thousand at every sweep
def usable_serial(serial: str, model: str = "") -> str:
    """The serial number as a key (upper case, no blanks), or "" where it is no serial number at all.

    None are: the empty one, fewer than three letters or digits, one sign repeated (0000000000, XXXXXXXX), counting up
    (0123456789), a word for "none" (N/A), and the model's own name.
    """
    key = "".join(serial.split()).upper()
    core = "".join(sign for sign in key if sign.isalnum())
    if len(core) < 3 or len(set(core)) == 1 or core in _PLACEHOLDERS:
        return ""
    if any(core in row for row in _COUNTING_UP) or key == "".join(model.split()).upper():
        return ""
    return key


@lru_cache(maxsize=16_384)
def usable_mac(mac: str) -> str:
    """The MAC address as a key of lower-case hexadecimal digits, or "" where it names no single interface.

    Six octets (IEEE EUI-48) or eight (EUI-64); all zeros, all ones and group addresses (lowest bit of the first octet
    set, IEEE 802) are none.
    """
    key = re.sub(r"[^0-9a-f]", "", mac.lower())
    if len(key) not in {12, 16} or len(set(key)) == 1 or int(key[:2], 16) & 1:
        return ""
    return key


def models_differ(one: str, other: str) -> bool:
    """Whether two model names are of two models, by their first two words without a version in them.

    What follows those changes with the firmware. A name that is empty, or stops sooner, does not contradict.
    """
    return any(first != second for first, second in zip(_head(one), _head(other), strict=False))


def _head(model: str) -> list[str]:
    return [word for word in re.findall(r"[\w.-]+", model.casefold()) if not re.search(r"\d\.\d", word)][:2]


def one_device(one: Reading, other: Reading) -> bool:
    """Whether two readings of one sweep that show the same serial number came from one and the same printer.

    The same MAC address decides; else different models, counts too far apart (200, common practice, no source) or
    different moments of starting (5 minutes apart) mean two printers.
    """
    mac = usable_mac(one.mac)
    if mac and mac == usable_mac(other.mac):
        return True
    if models_differ(one.model, other.model):
        return False
    counts = {counter.name: counter.value for counter in one.counters}
    for counter in other.counters:
        if abs(counts.get(counter.name, counter.value) - counter.value) > _SAME_COUNT:
            return False
    if one.system.uptime is None or other.system.uptime is None:
        return True
    lag = (other.system.uptime - one.system.uptime) / 100 - (other.at - one.at).total_seconds()
    return abs(lag) <= _SAME_START.total_seconds()
