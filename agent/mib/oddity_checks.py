"""Checks a document of oddities strictly: every error is told, each with where it stands and what would be right."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from agent.mib import enums

Checked = Mapping[str, Any]
"""An entry in which every key is known and every value is of the right kind."""

_OID = re.compile(r"[0-2](\.(0|[1-9][0-9]{0,9}))+")
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_FACTORS = range(1, 100_001)


class OddityErrors(ValueError):
    """The document is not right. ``errors``: a sentence for each fault."""

    def __init__(self, errors: tuple[str, ...]) -> None:
        super().__init__("\n".join(errors))
        self.errors = errors


Check = Callable[[Any], str | None]
"""Says what a value ought to be, or None if it is right."""


def _text(value: Any) -> str | None:
    return None if isinstance(value, str) and value.strip() else "a text that is not empty"


def _name(value: Any) -> str | None:
    fine = isinstance(value, str) and _NAME.fullmatch(value)
    return None if fine else "a name in lower-case letters, digits and single hyphens"


def _factor(value: Any) -> str | None:
    fine = isinstance(value, int) and not isinstance(value, bool) and value in _FACTORS
    return None if fine else f"a whole number from {_FACTORS[0]} to {_FACTORS[-1]}"


def _one_of(choices: Iterable[str]) -> Check:
    known = sorted(choices)

    def check(value: Any) -> str | None:
        if isinstance(value, str) and value in known:
            return None
        near = difflib.get_close_matches(str(value), known, 1)
        return f"{near[0]} perhaps" if near else f"one of: {', '.join(known)}"

    return check


def _list_of(check: Check) -> Check:
    def check_all(value: Any) -> str | None:
        if not isinstance(value, list):
            return "a list"
        wrong = [(item, expected) for item in value if (expected := check(item)) is not None]
        return f"a list in which {wrong[0][0]!r} is {wrong[0][1]}" if wrong else None

    return check_all


def _oid(value: Any) -> str | None:
    return None if isinstance(value, str) and _OID.fullmatch(value) else 'an OID such as "1.3.6.1.4.1.32473.1"'


def _natural(value: Any) -> str | None:
    fine = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**31
    return None if fine else "a whole number from 0 to 2147483647"


_KINDS = _one_of(enums.SUPPLY_TYPE.values())
_CLASSES = _one_of(enums.SUPPLY_CLASS.values())
_UNITS = _one_of(enums.SUPPLY_UNIT.values())

_SUPPLY: Mapping[str, Check] = {
    "kinds": _list_of(_KINDS),
    "classes": _list_of(_CLASSES),
    "indexes": _list_of(_natural),
    "described": _text,
    "level_is": _one_of(("fill", "left")),
    "level_in": _one_of(("percent",)),
    "capacity_times": _factor,
    "level_times": _factor,
    "unknown_levels": _list_of(_natural),
    "unit": _UNITS,
    "class": _CLASSES,
    "kind": _KINDS,
}
_SELECTORS = frozenset({"kinds", "classes", "indexes", "described"})
_MARKER: Mapping[str, Check] = {"life_unit": _one_of(enums.COUNTER_UNIT.values()), "life_times": _factor}
_ODDITY: Mapping[str, Check] = {"name": _name, "why": _text, "object_ids": _list_of(_oid)}
_PARTS = ("supply", "marker")


def check_document(document: Mapping[str, Any]) -> list[Checked]:
    """The entries of the document. Raises ``OddityErrors`` when anything in it is not right."""
    errors = [_unknown("the document", key, ("oddity",)) for key in document if key != "oddity"]
    entries = document.get("oddity", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise OddityErrors((*errors, "the document: oddity must be written as [[oddity]] tables"))
    names: set[str] = set()
    for number, entry in enumerate(entries, start=1):
        where = f"oddity {number}"
        if isinstance(entry.get("name"), str):
            where += f" ({entry['name']})"
            if entry["name"] in names:
                errors.append(f"{where}: an earlier oddity has the same name")
            names.add(entry["name"])
        errors += _check_entry(where, entry)
    if errors:
        raise OddityErrors(tuple(errors))
    return list(entries)


def _check_entry(where: str, entry: Mapping[str, Any]) -> list[str]:
    errors = [f"{where}: {key} is missing" for key in ("name", "why") if key not in entry]
    own = {key: value for key, value in entry.items() if key not in _PARTS}
    errors += _check_table(where, own, _ODDITY, also=_PARTS)
    fixes = entry.get("supply", [])
    if not isinstance(fixes, list) or not all(isinstance(fix, dict) for fix in fixes):
        errors.append(f"{where}: supply must be written as [[oddity.supply]] tables")
        fixes = []
    for number, fix in enumerate(fixes, start=1):
        errors += _check_table(f"{where}, supply {number}", fix, _SUPPLY)
        if not set(fix) - _SELECTORS:
            errors.append(f"{where}, supply {number}: nothing is put right; give level_is, unit, class ...")
    marker = entry.get("marker", {})
    if not isinstance(marker, dict):
        errors.append(f"{where}: marker must be written as an [oddity.marker] table")
    else:
        errors += _check_table(f"{where}, marker", marker, _MARKER)
    if not fixes and not marker:
        errors.append(f"{where}: nothing is put right; give [[oddity.supply]] or [oddity.marker]")
    return errors


def _check_table(
    where: str, table: Mapping[str, Any], checks: Mapping[str, Check], also: Iterable[str] = ()
) -> list[str]:
    errors = []
    for key, value in table.items():
        check = checks.get(key)
        if check is None:
            errors.append(_unknown(where, key, (*checks, *also)))
        elif (expected := check(value)) is not None:
            errors.append(f"{where}: {key} is {value!r}, and should be {expected}")
    return errors


def _unknown(where: str, key: str, known: Iterable[str]) -> str:
    known = tuple(known)
    near = difflib.get_close_matches(key, known, 1, cutoff=0.0) or known[:1]
    return f"{where}: there is no key {key!r}; the nearest is {near[0]!r}"
