"""A mapping by number that never changes, of which another with one entry more or less is made at little cost."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TypeVar

Value = TypeVar("Value")
_HEAPS = 127
"""A prime, so that numbers at any distance from each other spread over all heaps."""
_Heaps = tuple[Mapping[int, Value], ...]


class Gathered(Mapping[int, Value]):
    """Read it from any thread. Its order is that of the numbers."""

    __slots__ = ("_heaps",)

    def __init__(self, heaps: _Heaps[Value] = ({},) * _HEAPS) -> None:
        self._heaps = heaps

    def plus(self, number: int, value: Value) -> Gathered[Value]:
        """With this entry, in place of one of the same number."""
        at = number % _HEAPS
        return Gathered((*self._heaps[:at], {**self._heaps[at], number: value}, *self._heaps[at + 1 :]))

    def only(self, wanted: Callable[[int], bool]) -> Gathered[Value]:
        """Without the entries that are not wanted."""
        return Gathered(tuple({one: heap[one] for one in heap if wanted(one)} for heap in self._heaps))

    def __getitem__(self, number: int) -> Value:
        return self._heaps[number % _HEAPS][number]

    def __len__(self) -> int:
        return sum(map(len, self._heaps))

    def __iter__(self) -> Iterator[int]:
        return iter(sorted(number for heap in self._heaps for number in heap))
