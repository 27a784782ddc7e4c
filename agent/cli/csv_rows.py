"""One row of readings as CSV: how it is written, and how it is read with every mistake named by its column."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

from agent.mib.enums import SUPPLY_TYPE, SUPPLY_UNIT
from agent.mib.text import MAX_LENGTH, words
from agent.model.contact import Observation, SeenSupply
from agent.model.fleet import Printer
from agent.model.reading import CONSUMED, RECEPTACLE, Amount, Mark

COLUMNS = (
    "at",
    "printer",
    "serial",
    "model",
    "site",
    "supply",
    "kind",
    "colorant",
    "unit",
    "capacity",
    "level",
    "impressions",
)
TEXTS = frozenset(COLUMNS[1:9])
"""Columns whose text came from a printer or a person, so that it may begin like a formula."""

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_MARKS = {
    "": Mark.UNKNOWN,
    "unknown": Mark.UNKNOWN,
    "-2": Mark.UNKNOWN,
    "some": Mark.SOME,
    "-3": Mark.SOME,
    "other": Mark.OTHER,
    "-1": Mark.OTHER,
}
_KINDS = dict.fromkeys(sorted(SUPPLY_TYPE.values()))
_UNITS = dict.fromkeys(sorted(SUPPLY_UNIT.values()))
_LARGEST_AMOUNT = 2**31 - 1  # INTEGER of the columns in RFC 3805
_LARGEST_COUNT = 2**32 - 1  # Counter32
_UNLISTED = re.compile(r"unlisted\(-?[0-9]+\)")
_UTF_8 = 106  # IANA MIBenum
_EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
"""Before this no printer spoke SNMP: a clock that had lost its battery wrote 1970, or a spreadsheet 1900."""


def guard(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe stands before what would begin one."""
    return f"'{text}" if _FORMULA.match(text) else text


def unguard(text: str) -> str:
    """Back from ``guard``."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


class Wrong(ValueError):
    """One cell that cannot be understood."""

    def __init__(self, column: str, found: str, expected: str) -> None:
        shown = found if len(found) <= 60 else f"{found[:57]}..."
        super().__init__(f"column {column}: found {shown!r}, expected {expected}")
        self.column = column
        self.found = shown
        self.expected = expected


@dataclass(frozen=True, slots=True)
class Row:
    """One row that was understood. ``supply`` is None where the row tells impressions only."""

    at: datetime
    printer: str
    serial: str
    model: str
    site: str
    supply: SeenSupply | None
    impressions: int | None


def write(printer: Printer, observation: Observation) -> Iterator[dict[str, str]]:
    """The rows of one observation: one for each supply, or one for the impressions alone."""
    impressions = "" if observation.impressions is None else str(observation.impressions)
    head = {
        "at": observation.at.astimezone(UTC).isoformat(),
        "printer": guard(printer.name),
        "serial": guard(printer.serial),
        "model": guard(printer.model),
        "site": guard(printer.place.site),
        "impressions": impressions,
    }
    if not observation.supplies:
        yield head
    for one in observation.supplies:
        yield {
            **head,
            "supply": guard(one.key),
            "kind": guard(one.kind),
            "colorant": guard(one.colorant or ""),
            "unit": guard(one.unit),
            "capacity": _amount_text(one.capacity),
            "level": _amount_text(one.level),
        }


def _amount_text(amount: Amount) -> str:
    return amount.value if isinstance(amount, Mark) else str(amount)


def read(cells: Mapping[str, str]) -> Row:
    """Understand one row. Raises Wrong at the first cell that cannot be understood; ``faults`` has all of them."""
    texts = {name: _text(name, cells.get(name, "")) for name in TEXTS}
    at = _moment(cells.get("at", ""))
    _named(texts)
    impressions = _count(cells.get("impressions", ""))
    supply = _supply(texts, cells) if _tells_of_supply(cells) else None
    if supply is None and impressions is None:
        raise Wrong("level", "", "a level with its supply, or impressions: this row tells neither")
    return Row(at, texts["printer"], texts["serial"], texts["model"], texts["site"], supply, impressions)


def faults(cells: Mapping[str, str], unread: Collection[str] = ()) -> tuple[Wrong, ...]:
    """Every cell of a row that cannot be understood, in the order of the columns.

    ``unread``: columns whose cells are wrong for another reason, of which nothing more is said.
    """
    found: dict[str, Wrong] = {}

    def tried(look: Callable[[], object]) -> None:
        try:
            look()
        except Wrong as wrong:
            if wrong.column not in unread:
                found.setdefault(wrong.column, wrong)

    for name in TEXTS:
        tried(partial(_text, name, cells.get(name, "")))
    texts = {name: "" if name in found else unguard(cells.get(name, "")) for name in TEXTS}
    tried(lambda: _moment(cells.get("at", "")))
    if not {"printer", "serial"} & {*found, *unread}:
        tried(lambda: _named(texts))
    tried(lambda: _count(cells.get("impressions", "")))
    if _tells_of_supply(cells):
        if not {"supply", "kind"} & {*found, *unread}:
            tried(lambda: _key_and_kind(texts))
        tried(lambda: _unit(texts))
        tried(lambda: _amount("capacity", cells.get("capacity", "")))
        tried(lambda: _amount("level", cells.get("level", "")))
    return tuple(sorted(found.values(), key=lambda one: COLUMNS.index(one.column)))


def _tells_of_supply(cells: Mapping[str, str]) -> bool:
    return any(cells.get(name, "").strip() for name in ("supply", "kind", "capacity", "level"))


def _named(texts: Mapping[str, str]) -> None:
    if not texts["printer"].strip() and not texts["serial"].strip():
        raise Wrong("printer", texts["printer"], "the printer's name (or its serial number in the column serial)")


def _text(column: str, cell: str) -> str:
    """What stands in a cell, as safe to show as what a printer says: without control characters and bidi overrides."""
    text = unguard(cell)
    if len(text) > MAX_LENGTH:
        raise Wrong(column, text, f"at most {MAX_LENGTH} characters")
    return text if text.isprintable() else words(text.encode(), _UTF_8)


def _moment(text: str) -> datetime:
    expected = "a moment in ISO 8601 with its offset, such as 2026-03-02T08:00:00+01:00"
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise Wrong("at", text, expected) from None
    if at.tzinfo is None:
        raise Wrong("at", text, f"{expected}; this one does not say its offset")
    try:
        at = at.astimezone(UTC)
    except OverflowError:
        raise Wrong("at", text, expected) from None
    if at < _EARLIEST:
        raise Wrong("at", text, f"a moment since {_EARLIEST.year}: before that no printer could be asked")
    return at


def _supply(texts: Mapping[str, str], cells: Mapping[str, str]) -> SeenSupply:
    key, kind = _key_and_kind(texts)
    unit = _unit(texts)
    supply_class = RECEPTACLE if kind.startswith("waste") else CONSUMED
    capacity = _amount("capacity", cells.get("capacity", ""))
    level = _amount("level", cells.get("level", ""))
    return SeenSupply(key, kind, supply_class, texts["colorant"].strip() or None, unit, capacity, level)


def _key_and_kind(texts: Mapping[str, str]) -> tuple[str, str]:
    key, kind, colorant = texts["supply"].strip(), texts["kind"].strip(), texts["colorant"].strip()
    if not key and not kind:
        raise Wrong("supply", "", "the supply's name, such as toner:black or wasteToner (or its kind)")
    if not kind:
        named = re.split("[:#]", key)[0]
        kind = named if named in SUPPLY_TYPE.values() else "unknown"
    _listed("kind", kind, _KINDS)
    return key or (f"{kind}:{colorant}" if colorant else kind), kind


def _unit(texts: Mapping[str, str]) -> str:
    unit = texts["unit"].strip() or "unknown"
    _listed("unit", unit, _UNITS)
    return unit


def _listed(column: str, word: str, listed: Collection[str]) -> None:
    if word not in listed and not _UNLISTED.fullmatch(word):
        raise Wrong(column, word, f"one of {', '.join(listed)}")


def _amount(column: str, text: str) -> Amount:
    word = text.strip().lower()
    others = "nothing, unknown or -2, other or -1"
    if column == "level":
        others = "nothing, unknown or -2, some or -3, other or -1"
    mark = _MARKS.get(word)
    # RFC 3805: a capacity is never "some".
    if mark is not None and not (column == "capacity" and mark is Mark.SOME):
        return mark
    number = _whole(word)
    if mark is not None or number is None or number > _LARGEST_AMOUNT:
        raise Wrong(column, text, f"a whole number from 0 to {_LARGEST_AMOUNT}; {others}")
    return number


def _count(text: str) -> int | None:
    word = text.strip().lower()
    if word in ("", "unknown", "-2"):
        return None
    number = _whole(word)
    if number is None or number > _LARGEST_COUNT:
        raise Wrong("impressions", text, f"a whole number from 0 to {_LARGEST_COUNT}, or nothing")
    return number


def _whole(word: str) -> int | None:
    return int(word) if word.isascii() and word.isdigit() and len(word) <= 18 else None
