"""Values that many printers have, kept once: makers, supplies, units and states are the same all over a fleet.

Each answer brings octets of its own for them. What is looked up here is taken in when it is first met, never at every
poll, so that the lookup costs a fleet next to nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

from agent.model.once import Once
from agent.model.wire import Value

_LONGEST = 64  # octets; the long ones are descriptions with a serial number or a version in them

_once = Once(4_096, _LONGEST)
_AnyValue = TypeVar("_AnyValue", Value, Value | None)


def alike(values: Iterable[_AnyValue]) -> tuple[_AnyValue, ...]:
    """The same values of the same types, as few objects as may be."""
    return tuple(map(_once, values))
