"""What may be left in a supply that shows 0.

By RFC 3805 a level of 0 says that nothing is left: a printer that knows no more than that there is something says -3.
Alarms take it at its word. But a printer that counts in steps of 10 % and rounds down shows 0 from 9 % on, and prints;
forecasts reckon with that. Whoever reads both is told how they go together.
"""

from __future__ import annotations

from collections.abc import Callable

from agent.model.insight import STILL_IN, Forecast, Life
from agent.model.wording import percent_words

_LEAST = 0.01
"""Less is nothing."""


def dregs_words(forecast: Forecast | None, percent: Callable[[float], str] = percent_words) -> str:
    """What is to be said of a supply that shows 0 and is not reckoned to be empty; "" where there is no more to say.

    ``percent``: how the reader writes a share.
    """
    if forecast is None or forecast.reason is not None or forecast.level is None or forecast.level < _LEAST:
        return ""
    what = "of its space may be left" if forecast.kind.startswith("waste") else "may be left"
    return f"it shows 0 and counts in steps, so about {percent(forecast.level)} {what}"


def shows_nothing(life: Life) -> bool:
    """Whether this one is in and the printer last showed 0 of it."""
    return life.ended == STILL_IN and life.removed is None and life.end_level == 0.0
