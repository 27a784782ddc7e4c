"""The latest Reading of a printer as compact bytes, and its status as text that compares.

The form follows the fields of the dataclasses, so a field that is added later is simply absent in older rows and takes
its default, and one that is gone is left out.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import json
import types
import typing
import zlib
from collections.abc import Callable
from datetime import datetime
from typing import Any

from agent.model.contact import StatusPoint
from agent.model.reading import Alert, Amount, Mark, Reading

MARKS = {Mark.OTHER: -1, Mark.UNKNOWN: -2, Mark.SOME: -3}
_MARK_OF = {number: mark for mark, number in MARKS.items()}


def number(amount: Amount) -> int:
    """An amount as the tables keep it: the sentinels of RFC 3805 section 2.4 for the marks."""
    return amount if isinstance(amount, int) else MARKS[amount]


def amount(value: int) -> Amount:
    """Back from ``number``."""
    return value if value >= 0 else _MARK_OF.get(value, Mark.UNKNOWN)


def clean(text: str) -> str:
    """Text that every database takes: no NUL, no lone surrogates."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\x00", "")


def dump(reading: Reading) -> bytes:
    """A reading as bytes."""
    return zlib.compress(json.dumps(_plain(reading), separators=(",", ":")).encode(), 1)


def load(data: bytes) -> Reading | None:
    """Back from ``dump``; None when it cannot be understood, since it is nothing but a convenience at start."""
    try:
        reading = _reader(Reading)(json.loads(zlib.decompress(data)))
    except (ValueError, TypeError, KeyError, zlib.error, AttributeError):
        return None
    return reading if isinstance(reading, Reading) else None


def status_text(reading: Reading) -> str:
    """What ``status_point`` keeps. Equal statuses give equal text."""
    status = [
        reading.device_status,
        reading.printer_status,
        sorted(reading.errors),
        list(reading.console),
        [_plain(alert) for alert in reading.alerts],
    ]
    return clean(json.dumps(status, separators=(",", ":"), ensure_ascii=True))


def same_status(one: Reading, other: Reading) -> bool:
    """Whether two readings have the same ``status_text``, without making it."""
    return (
        one.device_status == other.device_status
        and one.printer_status == other.printer_status
        and one.errors == other.errors
        and one.console == other.console
        and one.alerts == other.alerts
    )


def status_point(at: datetime, text: str) -> StatusPoint:
    """Back from ``status_text``."""
    device, printer, errors, console, alerts = json.loads(text)
    return StatusPoint(at, device, printer, frozenset(errors), tuple(console), _reader(tuple[Alert, ...])(alerts))


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | int | float):
        return value
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, frozenset):
        return sorted(value)
    return {name: _plain(getattr(value, name)) for name in _names(value.__class__)}


@functools.cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


Read = Callable[[Any], Any]


@functools.cache
def _reader(kind: Any) -> Read:
    """What makes a value of ``kind`` out of its JSON; worked out once for each kind."""
    if dataclasses.is_dataclass(kind):
        return _dataclass_reader(kind)
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is tuple:
        read = _reader(inner[0])
        return lambda values: tuple([read(value) for value in values])
    if origin is frozenset:
        return frozenset
    if origin is types.UnionType or origin is typing.Union:
        return _union_reader(inner)
    return datetime.fromisoformat if kind is datetime else _as_it_is


def _dataclass_reader(kind: Any) -> Read:
    hints = typing.get_type_hints(kind)
    readers = {name: _reader(hints[name]) for name in _names(kind)}

    def read(values: dict[str, Any]) -> Any:
        return kind(**{name: readers[name](value) for name, value in values.items() if name in readers})

    return read


def _union_reader(kinds: tuple[Any, ...]) -> Read:
    if Mark in kinds:
        return lambda value: value if isinstance(value, int) else Mark(value)
    rest = [kind for kind in kinds if kind is not type(None)]
    read = _reader(rest[0]) if len(rest) == 1 else _as_it_is
    return _as_it_is if read is _as_it_is else lambda value: None if value is None else read(value)


def _as_it_is(value: Any) -> Any:
    return value
