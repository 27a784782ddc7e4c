"""The cells of one printer as they are kept: a row of values, and the names once for all printers that have them."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from agent.mib import plan
from agent.model.wire import Value
from agent.snmp.visit import chunks
from agent.snmp.wire import Asked


class Shape(NamedTuple):
    """Which cells a printer has, in the order in which they were learnt. Made by ``shape_of``, which shares them.

    ``full_gets``: all of them in PDUs. ``fast``: those of every poll, ``fast_places`` where each stands in ``full``,
    and ``fast_gets`` the same in PDUs. ``telling``: the places of those that tell of changes though nothing is missing.
    ``places``: of each name.
    """

    full: tuple[str, ...]
    full_gets: Asked
    fast: tuple[str, ...]
    fast_places: tuple[int, ...]
    fast_gets: Asked
    telling: tuple[int, ...]
    places: Mapping[str, int]


@functools.lru_cache(2_000)
def shape_of(oids: tuple[str, ...], size: int) -> Shape:
    """The shape of these cells, asked for in PDUs of ``size``."""
    places = {oid: place for place, oid in enumerate(oids)}
    fast = tuple(oid for oid in oids if plan.is_fast(oid))
    return Shape(
        oids,
        chunks(oids, size),
        fast,
        tuple(places[oid] for oid in fast),
        chunks(fast, size),
        tuple(place for oid, place in places.items() if plan.tells(oid)),
        places,
    )


class Held(Mapping[str, Value]):
    """Cells by name, as a dict of them would be, and a fifth of its size: ``values()`` is what is kept."""

    __slots__ = ("_shape", "_values")

    def __init__(self, shape: Shape, values: tuple[Value, ...]) -> None:
        self._shape, self._values = shape, values

    def __getitem__(self, oid: str) -> Value:
        return self._values[self._shape.places[oid]]

    def __iter__(self) -> Iterator[str]:
        return iter(self._shape.full)

    def __len__(self) -> int:
        return len(self._values)

    def __contains__(self, oid: object) -> bool:
        return oid in self._shape.places

    def values(self) -> tuple[Value, ...]:  # type: ignore[override]
        """One object for whoever keeps it: the decoder compares with it at the next poll, the reader starts from it."""
        return self._values

    def having(self, found: Mapping[str, Value]) -> Held:
        """The same cells with these values, all of which must be of cells that there are."""
        shape = self._shape
        names = tuple(found)
        if names == shape.full:
            return Held(shape, tuple(found.values()))
        values = list(self._values)
        places = shape.fast_places if names == shape.fast else map(shape.places.__getitem__, names)
        for place, value in zip(places, found.values(), strict=True):
            values[place] = value
        return Held(shape, tuple(values))

    def telling(self) -> dict[str, Value]:
        """Those that tell of changes."""
        return {self._shape.full[place]: self._values[place] for place in self._shape.telling}
