"""Values that many printers have alike, kept once: each answer, row and line would bring objects of its own."""

from __future__ import annotations

from collections.abc import Hashable, Sized
from typing import Any, TypeVar

_Kept = TypeVar("_Kept", bound=Hashable)


class Once:
    """Call it with a value, and have the first one that was equal to it.

    Values of different types that are equal (1 and 1.0) must not both come in. ``most``: values remembered. When there
    are as many the next ones begin anew: serial numbers and names, which nobody shares, would fill any table in the
    end, and what is really common is soon in it again. ``longest``: what has a length beyond it is not looked for.
    """

    def __init__(self, most: int, longest: int | None = None) -> None:
        self._most, self._longest = most, longest
        self._met: dict[Any, Any] = {}

    def __call__(self, value: _Kept) -> _Kept:
        """The value to keep."""
        sized: object = value
        if self._longest is not None and isinstance(sized, Sized) and len(sized) > self._longest:
            return value
        if len(self._met) >= self._most:
            self._met.clear()
        found: _Kept = self._met.setdefault(value, value)
        return found
