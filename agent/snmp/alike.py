"""Values that many printers have, kept once: makers, supplies, units and states are the same all over a fleet.

Each answer brings octets of its own for them. What is looked up here is taken in when it is first met, never at every
poll, so that the lookup costs a fleet next to nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar

from agent.model.wire import Value

_MOST = 4_096
"""Values remembered. When there are as many the next ones begin anew: serial numbers and names, which nobody shares,
would fill any table in the end, and what is really common is soon in it again."""
_LONGEST = 64  # octets; the long ones are descriptions with a serial number or a version in them

_met: dict[Any, Any] = {}
_AnyValue = TypeVar("_AnyValue", Value, Value | None)


def alike(values: Iterable[_AnyValue]) -> tuple[_AnyValue, ...]:
    """The same values of the same types, as few objects as may be."""
    return tuple(map(_once, values))


def _once(value: _AnyValue) -> _AnyValue:
    if isinstance(value, bytes | str) and len(value) > _LONGEST:
        return value
    if len(_met) >= _MOST:
        _met.clear()
    found: _AnyValue = _met.setdefault(value, value)
    return found
