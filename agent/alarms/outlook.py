"""What is known of a printer's future, as run-out rules take it: forecasts, the next round, and the shelf."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from agent.model.insight import Forecast


@dataclass(frozen=True, slots=True)
class Spare:
    """What there is to put in. ``on_shelf``: None where nobody ever counted. ``expected``: of the earliest order."""

    part: str
    on_shelf: int | None = None
    place: str = ""
    on_order: int = 0
    expected: date | None = None

    @property
    def is_lacking(self) -> bool:
        """Whether it is known that none is there."""
        return self.on_shelf == 0


@dataclass(frozen=True, slots=True)
class Outlook:
    """One printer's. ``spares``: by the key of the supply; absent where no part of the settings fits.

    ``next_round``: the day of the next round at its site after today, and ``round_at`` when it is reckoned to be there.
    """

    forecasts: Sequence[Forecast] = ()
    next_round: date | None = None
    round_at: datetime | None = None
    spares: Mapping[str, Spare] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Prospect:
    """One supply's: its forecast, which is at a ``place`` ``among`` those of its printer, and what goes with it."""

    among: Sequence[Forecast]
    place: int
    next_round: date | None = None
    spare: Spare | None = None

    @property
    def forecast(self) -> Forecast:
        """What is forecast of the supply."""
        return self.among[self.place]


Outlooks = Mapping[int, Outlook]
"""By the printer's id. A printer without an entry: nothing is known of its future now."""
