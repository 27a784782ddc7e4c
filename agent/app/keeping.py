"""Answers that cost much and are asked for again at once: kept as long as what they rest on is the very same."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from typing import Generic, TypeVar

Made = TypeVar("Made")


class Kept(Generic[Made]):
    """A few answers by key. Of any thread; two who ask at once for the same may both make it."""

    def __init__(self, most: int = 8) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, tuple[tuple[object, ...], Made]] = OrderedDict()

    def get(self, key: Hashable, rests_on: Sequence[object], make: Callable[[], Made]) -> Made:
        """The answer; made anew unless every object of ``rests_on`` is the same one, or equal, as it was then."""
        held = tuple(rests_on)
        with self._lock:
            found = self._kept.get(key)
        if found is not None and _same(found[0], held):
            return found[1]
        made = make()
        with self._lock:
            self._kept[key] = (held, made)
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made


def _same(one: tuple[object, ...], two: tuple[object, ...]) -> bool:
    """Identity first: what is the same object need not be looked into."""
    return len(one) == len(two) and all(
        a is b or (isinstance(a, str | int | bytes) and type(a) is type(b) and a == b)
        or (isinstance(a, tuple) and isinstance(b, tuple) and _same(a, b))
        for a, b in zip(one, two, strict=True)
    )  # fmt: skip
