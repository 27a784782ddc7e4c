"""What supplies are worth when a job is weighed: what a whole one gives, what a day takes, what too late costs."""

from __future__ import annotations

from agent.insight.handwork import STOPPING
from agent.model.insight import Forecast, Insight
from agent.model.round import RoundTerms
from agent.model.shelf import SparePart

USUAL_PAGES = 5000
"""What a cartridge gives where nothing is known of it (common practice, no source)."""
_CHEAPER = 0.25
"""A page of a drum, fuser or kit without a price is worth so much of a page of toner (common practice, no source)."""
_CHEAPEST = 0.1
"""The same for receptacles of waste."""


def harm(kind: str, terms: RoundTerms) -> float:
    """What it costs when it is worn out before somebody came: a standstill, or prints that get worse. In minutes."""
    return terms.standstill if kind in STOPPING else (terms.standstill + terms.late) / 2


def share(kind: str) -> float:
    """What a page of it is worth, where it has no price, as a share of a page of toner."""
    if kind.startswith("waste"):
        return _CHEAPEST
    return 1.0 if kind in STOPPING else _CHEAPER


def rate(insight: Insight | None) -> float | None:
    """Impressions a day; None where that is not known."""
    usage = insight.usage if insight is not None else ()
    return next((one.per_week / 7 for one in usage if one.per_week is not None and not one.by_time), None)


def whole(insight: Insight | None, forecast: Forecast, chosen: SparePart | None, left: float | None) -> float | None:
    """What a whole one gives, in impressions: as its maker says, as those before it gave, or by what is ``left``."""
    if chosen is not None and chosen.declared_yield is not None:
        return float(chosen.declared_yield)
    lives = insight.lives if insight is not None else ()
    own = [
        life.impressions
        for life in lives
        if life.supply == forecast.supply and life.removed is not None and life.fitted is not None and life.impressions
    ]
    if own:
        return sum(own) / len(own)
    if left is not None and forecast.level is not None and forecast.level > 0.05:
        return left / forecast.level
    return None
