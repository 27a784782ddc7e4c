"""What somebody says about the shelf, and the shelf as it is shown: stock, orders, what to order, what fits where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from agent.model.failure import Failure
from agent.model.shelf import Advice, PlaceRule, ShelfState, SparePart


class NotPossible(Failure):
    """What is said about the shelf cannot be; ``str()`` says why and what to do."""

    status = 2


@dataclass(frozen=True, slots=True)
class Movement:
    """What somebody says about a part. ``kind``: a kind of the ledger (``agent.insight.shelf``).

    ``count``: how many; of a recount how many lie there. ``place``: None where it need not be said.
    """

    kind: str
    part: str
    count: int
    who: str
    place: str | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Fit:
    """A printer that uses a part, with the keys of the supplies whose place it takes there."""

    printer_id: int
    printer: str
    supplies: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stocktaking:
    """The shelf as of a moment. ``advice``: one for each part; a part whose advice is not reckoned yet has none.

    ``level``: the chance with which there shall be enough. ``fits``: by name of the part.
    """

    state: ShelfState
    parts: tuple[SparePart, ...]
    places: tuple[PlaceRule, ...]
    advice: tuple[Advice, ...]
    fits: Mapping[str, tuple[Fit, ...]] = field(default_factory=dict)
    currency: str = ""
    level: float = 0.95
    zone: str = "UTC"

    @property
    def as_of(self) -> datetime:
        """The moment."""
        return self.state.as_of

    def advice_of(self, part: str) -> Advice | None:
        """What to order of a part, where that is reckoned."""
        return next((one for one in self.advice if one.part == part), None)

    @property
    def place_names(self) -> tuple[str, ...]:
        """Every place: those of the settings, and those where something was counted."""
        return tuple(dict.fromkeys([*(one.name for one in self.places), *(one.place for one in self.state.stock)]))
