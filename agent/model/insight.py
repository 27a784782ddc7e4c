"""What the history says: how a printer is used, the lives of its supplies, and when each will run out."""

from __future__ import annotations

import math
from abc import abstractmethod
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from types import MappingProxyType

from agent.model.day_words import dated_words
from agent.model.wording import percent_words

PROBABILITIES = (0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.975, 0.99)
"""The chances at which a forecast keeps its days."""

DRY = "ranDry"
EARLY = "swappedEarly"
STILL_IN = "stillIn"
UNKNOWN_END = "unknown"


@dataclass(frozen=True, slots=True)
class Note:
    """Something about the history that a careful reader should know: about which part, and what."""

    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Life:
    """One cartridge (or drum, fuser, kit, receptacle) from fitting to removal.

    ``fitted``: when the reading came that first showed it; None when it was in before the history begins.
    ``removed``: when the reading came that first showed its successor; None while it is still in.
    ``impressions``: what the printer counted in between, None without a usable counter.
    ``start_level``, ``end_level``: the shares 0..1 shown first and last, None where the printer gave no number.
    ``left``: the share that was probably left at the end (or is now), between two steps of the level; None if unknown.
    ``ended``: ranDry, swappedEarly, stillIn or unknown. ``sure``: how sure it is, 0..1, that this life began as told
    (that its beginning was a swap and not noise). ``end_sure``: how sure ``ended`` is. ``zone``: of its days.
    """

    supply: str
    kind: str
    number: int
    fitted: datetime | None
    removed: datetime | None
    impressions: int | None
    start_level: float | None
    end_level: float | None
    left: float | None
    ended: str
    sure: float
    end_sure: float
    used_before: bool = False
    zone: str = "UTC"

    @property
    def text(self) -> str:
        """One sentence for a person."""
        begin = (
            f"fitted {dated_words(self.fitted, self.zone)}"
            if self.fitted is not None
            else "in before the history begins"
        )
        if self.used_before and self.start_level is not None:
            begin += f", used before (it showed {percent_words(self.start_level)})"
        pages = f", {self.impressions:,} impressions" if self.impressions is not None else ""
        at = f" at {percent_words(self.end_level)}" if self.end_level is not None else ""
        if self.ended == DRY:
            return f"{begin}{pages}; ran dry"
        if self.ended == EARLY:
            return f"{begin}{pages}; swapped early{at}"
        if self.ended == STILL_IN:
            return f"{begin}{pages}; still in{at}"
        return f"{begin}{pages}; swapped{at}, whether empty is not known"


@dataclass(frozen=True, slots=True)
class Usage:
    """How one counter of a printer moves, in its unit a day.

    ``per_workday``: pages of an ordinary workday at the present level of use, with ``low`` and ``high`` its 80 % range.
    ``variation``: the coefficient of variation from workday to workday. ``weekday``: the factors Monday to Sunday (an
    ordinary workday is 1). ``month_end``: the factor of the last workdays of a month. ``trend``: the ratio of the
    present level to that of 60 days before, None with less history. ``workdays``: how many workdays this rests on.
    ``reason``: why ``per_workday`` is None. ``by_time``: there is no usable counter and elapsed workdays stand in.
    """

    counter: str
    unit: str
    per_workday: float | None
    low: float | None
    high: float | None
    variation: float | None
    weekday: tuple[float, ...]
    month_end: float
    trend: float | None
    workdays: int
    per_week: float | None
    since: datetime | None
    reason: str = ""
    by_time: bool = False


Night = tuple[float, float, float]
"""Days after a start at which an office closes and opens again, and the chance that holds all the time between."""


@dataclass(frozen=True, slots=True)
class Spread:
    """The distribution of a moment: ``days[i]`` is how many days after ``start`` it comes with PROBABILITIES[i].

    ``beyond``: the days past which nothing was reckoned; quantiles are cut there. ``nights``: what is known of the
    first nights, in order, as the few quantiles lie on either side of them.
    """

    start: datetime
    days: tuple[float, ...]
    beyond: float
    nights: tuple[Night, ...] = ()

    def quantile(self, chance: float) -> float:
        """Days after ``start`` by which the moment has come with this chance (0.01 .. 0.99; outside is cut)."""
        chances = PROBABILITIES
        if chance <= chances[0]:
            return self.days[0]
        if chance >= chances[-1]:
            return self.days[-1]
        at = bisect_right(chances, chance)
        low, high = chances[at - 1], chances[at]
        share = (chance - low) / (high - low)
        return self.days[at - 1] + share * (self.days[at] - self.days[at - 1])

    def chance_within(self, days: float) -> float:
        """The chance that the moment comes within so many days after ``start``, to the grain of what is kept."""
        at = bisect_right(self.days, days)
        if at == len(self.days) and days >= self.beyond:
            return 1.0
        low = (self.days[at - 1], PROBABILITIES[at - 1]) if at else (0.0, 0.0)
        high = (self.days[at], PROBABILITIES[at]) if at < len(self.days) else (math.inf, PROBABILITIES[-1])
        for close, opens, chance in self.nights:
            if close <= days <= opens:
                return chance
            if opens < days and opens >= low[0]:
                low = (opens, max(chance, low[1]))
            elif close > days:
                high = min(high, (close, max(chance, low[1])))
                break
        if at == 0 and low[1] == 0.0 and high[0] >= self.days[0]:
            return 0.0
        share = (days - low[0]) / (high[0] - low[0]) if high[0] > low[0] else 1.0
        return low[1] + share * (high[1] - low[1])

    def moment(self, chance: float) -> datetime:
        """The moment of ``quantile``."""
        return self.start + timedelta(days=self.quantile(chance))


@dataclass(frozen=True, slots=True)
class Dates:
    """Whole days (in the site's zone), chosen so that p10 to p90, both included, hold as near 80 % as days can."""

    p10: date
    p50: date
    p90: date


@dataclass(frozen=True, slots=True)
class Forecast:
    """When one supply will be empty (a receptacle full), and when it reaches the threshold.

    ``reason``: why there is no answer (then ``empty`` and all chances are None). ``level``: the share still good, its
    best guess, with ``level_low`` and ``level_high`` its 80 % range. ``pages_left``: P10, P50, P90 of the impressions
    to come. ``chance``: calendar days -> chance of running out within them (7 and 14). ``chance_workdays``: the chance
    of running out within 1, 2 ... workdays. ``basis``: what it rests on, in words.
    """

    printer_id: int
    supply: str
    kind: str
    colorant: str | None
    description: str
    as_of: datetime
    reason: str | None = None
    empty: Spread | None = None
    empty_dates: Dates | None = None
    threshold: float | None = None
    low: Spread | None = None
    low_dates: Dates | None = None
    level: float | None = None
    level_low: float | None = None
    level_high: float | None = None
    pages_left: tuple[float, float, float] | None = None
    chance: Mapping[int, float] = field(default_factory=lambda: MappingProxyType({}))
    chance_workdays: tuple[float, ...] = ()
    basis: tuple[str, ...] = ()

    @property
    def gist(self) -> Gist:
        """What tells whether anybody should look at it."""
        return Gist(
            self.supply,
            self.kind,
            self.colorant,
            self.empty is not None and bool(self.empty.nights),
            self.level,
            self.empty_dates.p50 if self.empty_dates is not None else None,
            self.empty.start + timedelta(days=self.empty.days[0]) if self.empty is not None else None,
        )


@dataclass(frozen=True, slots=True)
class Gist:
    """Of a forecast: the share still good, the day on which it is empty (P50), and the moment before which it is not.

    ``earliest`` has the least of PROBABILITIES. ``sooner``: of nights before it a chance is known too; otherwise there
    is none, as ``Spread.chance_within`` says. None: not known.
    """

    supply: str
    kind: str
    colorant: str | None
    sooner: bool
    level: float | None
    expected: date | None
    earliest: datetime | None


class Foretold(Sequence[Forecast]):
    """Forecasts of which the gists are at hand, while each forecast itself costs something to have."""

    __slots__ = ()

    @abstractmethod
    def gists(self) -> Sequence[Gist]:
        """One for each forecast, in order."""


def gists_of(forecasts: Sequence[Forecast]) -> Sequence[Gist]:
    """The gist of each of them, in order."""
    return forecasts.gists() if isinstance(forecasts, Foretold) else [one.gist for one in forecasts]


@dataclass(frozen=True, slots=True)
class Insight:
    """All that one printer's history says as of one moment.

    Where much of it is kept it may be packed: what is gone through often is bound first, as ``tuple(insight.lives)``.
    """

    printer_id: int
    as_of: datetime
    usage: Sequence[Usage]
    lives: Sequence[Life]
    forecasts: Sequence[Forecast]
    notes: tuple[Note, ...] = ()
