"""One cell's raw value -> a value that can be trusted, and a remark where it was odd.

Nothing here raises: a value of the wrong SNMP type or out of the range of its syntax becomes "not known", and a
``Remark`` names the cell and what was found. Levels follow RFC 3805 section 2.4:

======  ===========================================================  ==========================================
value   capacity                                                     level
======  ===========================================================  ==========================================
-1      ``Mark.OTHER``                                               ``Mark.OTHER``
-2      ``Mark.UNKNOWN``                                             ``Mark.UNKNOWN``
-3      not legal: ``Mark.UNKNOWN`` and a remark                     ``Mark.SOME``
< -3    not legal: ``Mark.UNKNOWN`` and a remark                     not legal: ``Mark.UNKNOWN`` and a remark
>= 0    the number                                                   the number
======  ===========================================================  ==========================================
"""

from __future__ import annotations

import re
from functools import lru_cache

from agent.mib.enums import AVAILABILITY, ERROR_BITS, Labels
from agent.mib.text import free_words, words
from agent.model.reading import Amount, Mark, Remark, SubUnitStatus
from agent.model.wire import Value

Raw = Value | None
"""A cell's value, or None for a cell that the agent does not answer."""

INT32_MAX = 2**31 - 1
COUNTER_MAX = 2**32 - 1
TOP_STATUS = 126
_OID = re.compile(r"[0-9]{1,10}(\.[0-9]{1,10}){0,127}", re.ASCII)
_MARKS = {-1: Mark.OTHER, -2: Mark.UNKNOWN, -3: Mark.SOME}


class Notes:
    """Collects remarks about one row; ``at`` makes the cell's name from its column and the row's index."""

    __slots__ = ("remarks", "suffix")

    def __init__(self, suffix: str) -> None:
        self.suffix = suffix
        self.remarks: list[Remark] = []

    def add(self, column: str, what: str) -> None:
        """Remark on the cell ``column.suffix``."""
        self.remarks.append(Remark(f"{column}.{self.suffix}", what))


def shown(value: Value) -> str:
    """A raw value in few words, for a remark: hostile octets and endless numbers come out short and harmless."""
    if isinstance(value, int):
        return str(value) if abs(value) < 2**64 else "a number of more than 64 bits"
    if isinstance(value, bytes):
        return f"the octets {value[:16].hex(' ')}{' ...' if len(value) > 16 else ''}" if value else "an empty string"
    return f"the OID {words(value[:80].encode('utf-8', 'replace'))}"


def number(value: Raw, column: str, notes: Notes, low: int = -(2**31), high: int = INT32_MAX) -> int | None:
    """A number within its syntax; None where there is none that can be used."""
    if value is None:
        return None
    if not isinstance(value, int):
        notes.add(column, f"{shown(value)} in place of a number")
        return None
    if not low <= value <= high:
        notes.add(column, f"{shown(value)} is outside {low} .. {high}")
        return None
    return value


def counter(value: Raw, column: str, notes: Notes) -> int | None:
    """A Counter32 or TimeTicks: 0 .. 4294967295."""
    return number(value, column, notes, 0, COUNTER_MAX)


def level(value: Raw, column: str, notes: Notes) -> Amount:
    """A level, a remaining capacity: -3 .. 2147483647. See the table above."""
    if value is None:
        notes.add(column, "the printer does not answer this")
        return Mark.UNKNOWN
    if isinstance(value, int) and -3 <= value <= INT32_MAX:
        return value if value >= 0 else _MARKS[value]
    number(value, column, notes, -3, INT32_MAX)
    return Mark.UNKNOWN


def capacity(value: Raw, column: str, notes: Notes) -> Amount:
    """A maximum capacity: -2 .. 2147483647. See the table above."""
    if value is None:
        notes.add(column, "the printer does not answer this")
        return Mark.UNKNOWN
    if isinstance(value, int) and -2 <= value <= INT32_MAX:
        return value if value >= 0 else _MARKS[value]
    number(value, column, notes, -2, INT32_MAX)
    return Mark.UNKNOWN


def label(labels: Labels, value: Raw, column: str, notes: Notes) -> str | None:
    """The label of an enumeration's value, ``unlisted(99)`` with a remark for one that no standard lists."""
    if isinstance(value, int):
        known = labels.get(value)
        if known is not None:
            return known
    found = number(value, column, notes)
    if found is None:
        return None
    notes.add(column, f"{found} is listed in no standard")
    return f"unlisted({found})"


def localised(value: Raw, charset: int | None, column: str, notes: Notes) -> str:
    """Words in a localisation's character set."""
    if isinstance(value, bytes):
        return words(value, charset)
    if value is not None:
        notes.add(column, f"{shown(value)} in place of words")
    return ""


def free(value: Raw, charset: int | None, column: str, notes: Notes) -> str:
    """Words whose character set no standard lays down."""
    if isinstance(value, bytes):
        return free_words(value, charset)
    if value is not None:
        notes.add(column, f"{shown(value)} in place of words")
    return ""


def status(value: Raw, column: str, notes: Notes) -> SubUnitStatus | None:
    """PrtSubUnitStatusTC (RFC 3805 section 2.2.13.2): None if missing or no such sum."""
    if value is None:
        return None
    if isinstance(value, int) and 0 <= value <= TOP_STATUS:
        taken_apart = status_of(value)
        if value & 7 == 7:
            notes.add(column, f"{value} holds availability 7, which is not defined")
        return taken_apart
    number(value, column, notes, 0, TOP_STATUS)
    return None


@lru_cache(maxsize=128)
def status_of(total: int) -> SubUnitStatus:
    """The sum taken apart. An availability that is not defined counts as unknown."""
    return SubUnitStatus(
        raw=total,
        availability=AVAILABILITY.get(total & 7, "unknown"),
        non_critical_alert=bool(total & 8),
        critical_alert=bool(total & 16),
        offline=bool(total & 32),
        transitioning=bool(total & 64),
    )


def errors(value: Raw, column: str, notes: Notes) -> frozenset[str]:
    """The labels of the bits that are set in hrPrinterDetectedErrorState (RFC 2790).

    Bit 0 is the most significant bit of the first octet; there may be 0, 1 or 2 octets. Bits beyond the standard's
    are remarked on.
    """
    if not isinstance(value, bytes):
        if value is not None:
            notes.add(column, f"{shown(value)} in place of octets with bits")
        return frozenset()
    found, beyond = error_bits(value[:16])
    if beyond:
        notes.add(column, f"bits that are not assigned are set: {', '.join(map(str, beyond))}")
    return found


@lru_cache(maxsize=1024)
def error_bits(octets: bytes) -> tuple[frozenset[str], tuple[int, ...]]:
    """The labels of the bits that are set, and the numbers of set bits that have no label."""
    bits = [8 * place + bit for place, octet in enumerate(octets) for bit in range(8) if octet & (0x80 >> bit)]
    labels = frozenset(ERROR_BITS[bit] for bit in bits if bit < len(ERROR_BITS))
    return labels, tuple(bit for bit in bits if bit >= len(ERROR_BITS))


def object_id(value: Raw, column: str, notes: Notes) -> str:
    """An OBJECT IDENTIFIER in dotted form, ``""`` where there is none."""
    if isinstance(value, str) and _OID.fullmatch(value):
        return value
    if value is not None:
        notes.add(column, f"{shown(value)} in place of an OID")
    return ""
