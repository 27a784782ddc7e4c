"""Spare parts: what they fit, how many lie where, what is on its way, and what to order."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fnmatch import fnmatchcase
from functools import lru_cache


@lru_cache(maxsize=65_536)
def fits(text: str, patterns: tuple[str, ...]) -> bool:
    """Whether ``text`` is one of the patterns; ``*`` and ``?`` are wild, letter case counts for nothing."""
    low = text.casefold()
    return any(fnmatchcase(low, pattern.casefold()) for pattern in patterns)


@lru_cache(maxsize=65_536)
def names_supply(key: str, patterns: tuple[str, ...]) -> bool:
    """Whether a supply (``toner:cyan``, ``opc#2``) is meant by one of the patterns: its key or its bare kind."""
    bare = key.partition(" (")[0].partition("#")[0]
    return fits(key, patterns) or fits(bare, patterns) or fits(bare.partition(":")[0], patterns)


@dataclass(frozen=True, slots=True)
class OrderTerms:
    """How a part is ordered. Times in days; ``lead_sd`` is the standard deviation of the lead time.

    ``level``: the chance, above 0 and below 1, with which there shall be enough until the next delivery.
    """

    lead_days: float = 5.0
    lead_sd: float = 2.0
    review_days: float = 7.0
    level: float = 0.95
    minimum: int = 1
    pack: int = 1


@dataclass(frozen=True, slots=True)
class SparePart:
    """One kind of spare part. ``models``, ``supplies``: patterns; no supplies means that only plans ask for it."""

    name: str
    description: str = ""
    models: tuple[str, ...] = ("*",)
    supplies: tuple[str, ...] = ()
    declared_yield: int | None = None
    price: Decimal | None = None
    terms: OrderTerms = OrderTerms()

    def serves(self, model: str, supply: str) -> bool:
        """Whether it takes the place of this supply in this model of printer."""
        return fits(model, self.models) and names_supply(supply, self.supplies)


@dataclass(frozen=True, slots=True)
class PlaceRule:
    """A place where parts lie, and the sites (patterns; none: any) whose printers are served from it."""

    name: str
    sites: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stock:
    """How many of a part lie at one place. ``counted``: the last time somebody counted or recounted there."""

    part: str
    place: str
    count: int
    counted: datetime | None


@dataclass(frozen=True, slots=True)
class OpenOrder:
    """What was ordered and has not arrived. ``expected``: when it should be there, by the part's lead time."""

    part: str
    count: int
    at: datetime
    who: str
    expected: datetime | None = None


@dataclass(frozen=True, slots=True)
class Remark:
    """Something about the shelf that a person should look at: about which part, what, and what to do."""

    part: str
    text: str


@dataclass(frozen=True, slots=True)
class ShelfState:
    """The shelf as of a moment. ``unknown``: swaps for which no part (or no single part) could be told."""

    as_of: datetime
    stock: tuple[Stock, ...]
    orders: tuple[OpenOrder, ...]
    remarks: tuple[Remark, ...] = ()

    def on_hand(self, part: str) -> int:
        """How many lie at all places together."""
        return sum(one.count for one in self.stock if one.part == part)

    def on_order(self, part: str) -> int:
        """How many are on their way."""
        return sum(one.count for one in self.orders if one.part == part)

    def is_counted(self, part: str) -> bool:
        """Whether anybody ever counted this part."""
        return any(one.counted is not None for one in self.stock if one.part == part)


@dataclass(frozen=True, slots=True)
class Need:
    """What one supply of one printer will probably ask of the shelf.

    ``within``: the chance that it needs at least one before an order placed at the next review would be delivered.
    ``expected``: how many it needs by then on average. ``run_out``: the median day on which it is used up.
    """

    printer_id: int
    printer: str
    supply: str
    within: float
    expected: float
    run_out: date | None
    basis: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to order of one part.

    ``order``: how many (0: nothing now). ``by``: the last day on which that is soon enough. ``position``: on hand and
    on order together. ``up_to``: the number at which there is enough with the chance wanted. ``demand``: mean and
    quantiles (P10, P50, P90) of the demand in lead time and review period. ``stock_out``: the chance that there will
    not be enough before the next chance to order has brought its delivery, if nothing is ordered now.
    ``method``: ``forecasts``, ``reorderPoint`` (the textbook's, from past use), or ``none`` with the ``reason``.
    """

    part: str
    order: int
    by: date | None
    on_hand: int
    on_order: int
    position: int
    up_to: int | None
    demand: tuple[float, int, int, int] | None
    stock_out: float | None
    method: str
    reason: str
    because: tuple[Need, ...] = ()
    cost: Decimal | None = None
