"""What was reckoned of a printer in few octets: of a large fleet all of it is kept, and little is looked at.

The only place that knows of packing. What comes out equals what went in; its moments are UTC.

    kept = packed(insight)      # an Insight still, whose parts are unpacked each time that they are looked into
    octets = LESSONS.pack(summary)
    summary = LESSONS.unpack(octets)
"""

from __future__ import annotations

import io
import math
import pickle
import struct
import zlib
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime, timedelta
from types import MappingProxyType
from typing import Any, Generic, TypeVar, overload

import numpy as np

from agent.insight.kin import Summary, SupplySummary, UseMark
from agent.insight.profile import ShapeSums
from agent.insight.usage import UseSums
from agent.model.insight import (
    DRY,
    PROBABILITIES,
    STILL_IN,
    Dates,
    Forecast,
    Foretold,
    Gist,
    Insight,
    Life,
    Spread,
    Usage,
    gists_of,
)
from agent.model.once import Once
from agent.model.upkeep import FINE, Begin, PrinterUpkeep, UpkeepItem

Item_co = TypeVar("Item_co", covariant=True)
Value = TypeVar("Value")


class Packed(Sequence[Item_co]):
    """A sequence that is unpacked each time that it is looked into: who does so often binds ``tuple(it)``."""

    __slots__ = ()

    @abstractmethod
    def opened(self) -> tuple[Item_co, ...]:
        """What is in it, made anew each time."""

    def __iter__(self) -> Iterator[Item_co]:
        return iter(self.opened())

    def __len__(self) -> int:
        return len(self.opened())

    @overload
    def __getitem__(self, at: int) -> Item_co: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Item_co, ...]: ...
    def __getitem__(self, at: int | slice) -> Item_co | tuple[Item_co, ...]:
        return self.opened()[at]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, tuple | Packed) and self.opened() == tuple(other)

    def __hash__(self) -> int:
        return hash(self.opened())

    def __repr__(self) -> str:
        return repr(self.opened())


# --- anything ------------------------------------------------------------------------------------------------------


class _Pickler(pickle.Pickler):
    """Values of this program as their class and fields, which is shorter than the state that is usually written."""

    def reducer_override(self, obj: Any) -> Any:
        if isinstance(obj, np.ndarray) and obj.dtype == np.float64 and obj.ndim == 1:
            return np.frombuffer, (obj.tobytes(),)
        if isinstance(obj, MappingProxyType):
            return _frozen, (dict(obj),)
        if is_dataclass(obj) and not isinstance(obj, type):
            return type(obj), tuple(getattr(obj, one.name) for one in fields(obj))
        return NotImplemented


def _frozen(pairs: dict[Any, Any]) -> Mapping[Any, Any]:
    return MappingProxyType(pairs)


def _pickled(value: object) -> bytes:
    out = io.BytesIO()
    _Pickler(out, pickle.HIGHEST_PROTOCOL).dump(value)
    return out.getvalue()


class Box(Generic[Value]):
    """Packs values of one sort. ``like``: a usual one; what others have in common with it costs them nothing.

    What was unpacked last is at hand: one thing after the other is asked about the same printer.
    """

    def __init__(self, like: Value) -> None:
        self._like = _pickled(like)
        self._last: tuple[bytes, Value] | None = None

    def pack(self, value: Value) -> bytes:
        """The value in few octets."""
        press = zlib.compressobj(wbits=-zlib.MAX_WBITS, zdict=self._like)
        return press.compress(_pickled(value)) + press.flush()

    def unpack(self, octets: bytes) -> Value:
        """What this box packed. It may be given to others too, so nobody may change it."""
        last = self._last  # other threads may replace it meanwhile
        if last is not None and last[0] is octets:
            return last[1]
        pickled = zlib.decompressobj(-zlib.MAX_WBITS, self._like).decompress(octets)
        made: Value = pickle.loads(pickled)  # noqa: S301 # made by this process, and never out of it
        self._last = octets, made
        return made


class Boxed(Packed[Item_co]):
    """A sequence out of a box."""

    __slots__ = ("_box", "_octets")

    def __init__(self, box: Box[tuple[Item_co, ...]], items: Iterable[Item_co]) -> None:
        self._box = box
        self._octets = box.pack(tuple(items))

    def opened(self) -> tuple[Item_co, ...]:
        """See ``Packed``."""
        return self._box.unpack(self._octets)


# --- forecasts -----------------------------------------------------------------------------------------------------

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TICK = timedelta(microseconds=1)


class Forecasts(Packed[Forecast], Foretold):
    """The forecasts of one printer, each packed by itself: a round opens those alone whose gist says that it should."""

    __slots__ = ("_each", "_names", "_numbers")

    def __init__(self, forecasts: Sequence[Forecast]) -> None:
        gists = gists_of(forecasts)
        self._names = _once(tuple((one.supply, one.kind, one.colorant, one.sooner) for one in gists))
        self._numbers = struct.pack(f"{3 * len(gists)}d", *(number for one in gists for number in _numbers(one)))
        self._each = tuple(map(_FORECAST.pack, forecasts))

    def opened(self) -> tuple[Forecast, ...]:
        """See ``Packed``."""
        return tuple(self)

    def __iter__(self) -> Iterator[Forecast]:
        return map(_FORECAST.unpack, self._each)

    def __len__(self) -> int:
        return len(self._each)

    @overload
    def __getitem__(self, at: int) -> Forecast: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Forecast, ...]: ...
    def __getitem__(self, at: int | slice) -> Forecast | tuple[Forecast, ...]:
        return _FORECAST.unpack(self._each[at]) if isinstance(at, int) else tuple(map(_FORECAST.unpack, self._each[at]))

    def gists(self) -> tuple[Gist, ...]:
        """See ``Foretold``."""
        return tuple(map(_gist, self._names, struct.iter_unpack("3d", self._numbers)))


def _numbers(gist: Gist) -> tuple[float, float, float]:
    """The gist without its names; what is not known is no number."""
    return (
        math.nan if gist.level is None else gist.level,
        math.nan if gist.expected is None else gist.expected.toordinal(),
        math.nan if gist.earliest is None else (gist.earliest - _EPOCH) // _TICK,
    )


def _gist(names: tuple[str, str, str | None, bool], numbers: tuple[float, float, float]) -> Gist:
    level, expected, earliest = numbers
    return Gist(
        *names,
        None if level != level else level,  # quicker than asking whether it is a number
        None if expected != expected else date.fromordinal(int(expected)),
        None if earliest != earliest else _EPOCH + timedelta(microseconds=earliest),
    )


# --- what a printer has --------------------------------------------------------------------------------------------

_once: Once = Once(20_000, longest=200)
_DAY, _LATER = date(2026, 1, 5), datetime(2026, 1, 5, 8, tzinfo=UTC)
_SPREAD = Spread(_LATER, (0.0,) * len(PROBABILITIES), 25.0, ((0.75, 1.3125, 0.0),))
_FORECAST: Box[Forecast] = Box(
    Forecast(
        1, "toner:black", "toner", "black", "Black Toner", _LATER, None, _SPREAD, Dates(_DAY, _DAY, _DAY),
        0.1, _SPREAD, Dates(_DAY, _DAY, _DAY), 0.5, 0.5, 0.5, (1.0, 1.0, 1.0), {7: 0.0, 14: 0.0}, (0.0,) * 10,
        ("what this one has shown since it was fitted", "5 earlier lives in this printer",
         "59 other printers of the same kind"),
    )
)  # fmt: skip
_LIVES: Box[tuple[Life, ...]] = Box(
    tuple(
        Life(supply, supply.partition(":")[0], 1, _LATER, None, 5000, 1.0, 0.5, 0.5, ended, 1.0, 0.995)
        for supply in ("toner:black", "toner:cyan", "toner:magenta", "toner:yellow", "opc", "fuser", "wasteToner")
        for ended in (DRY, STILL_IN)
    )
)
_USES: Box[tuple[Usage, ...]] = Box(
    (Usage("life", "impressions", 90.0, 80.0, 100.0, 0.5, (1.0,) * 7, 1.0, 1.0, 250, 450.0, _LATER),)
)
_ITEMS: Box[tuple[UpkeepItem, ...]] = Box(
    tuple(
        UpkeepItem(
            1, plan, what, FINE, Begin(_LATER, 1000, "", assumed=True), 2000, None, None, None, None,
            Dates(_DAY, _DAY, _DAY), "it has no interval; it comes due by what happens", (), (), None, (), (), 5, (),
        )
        for plan, what in (
            ("calibration", "Calibrate the colours"), ("maintenance", "Maintenance that the printer asks for"),
        )
    )
)  # fmt: skip
LESSONS: Box[Summary] = Box(
    Summary(
        1, "",
        UseSums(ShapeSums.none()),
        tuple(
            SupplySummary(("", kind, colorant), UseMark(3, -9.0, 0.5, 0.01), (), (), (0.01, 101), (-1.0,) * 3, None)
            for kind, colorant in (("toner", "black"), ("toner", "cyan"), ("toner", "magenta"), ("toner", "yellow"))
        ),
    )
)  # fmt: skip
"""For what one printer teaches the fleet."""


def packed(insight: Insight) -> Insight:
    """The same in few octets."""
    return replace(
        insight,
        usage=Boxed(_USES, insight.usage),
        lives=Boxed(_LIVES, insight.lives),
        forecasts=Forecasts(insight.forecasts),
    )


def packed_upkeep(upkeep: PrinterUpkeep) -> PrinterUpkeep:
    """The same in few octets."""
    return replace(upkeep, items=Boxed(_ITEMS, upkeep.items))
