"""The days on which a site does not work: the public holidays of its country, as the library ``holidays`` has them."""

from __future__ import annotations

from datetime import date
from functools import cache

from agent.model.failure import Failure

YEARS = range(2010, 2051)
"""Long enough for any history and any forecast."""


class UnknownCalendar(Failure):
    """No holidays are known for this code."""

    status = 2


@cache
def days_off(code: str) -> frozenset[date]:
    """The public holidays of an ISO 3166 code such as ``GB`` or ``GB-ENG``. Raises UnknownCalendar."""
    import holidays

    country, _, part = code.partition("-")
    known = holidays.list_supported_countries()
    if country not in known:
        raise UnknownCalendar(
            f"no public holidays are known for the country {country!r}: take an ISO 3166 code like GB"
        )
    if part and part not in known[country]:
        parts = ", ".join(known[country]) or "none"
        raise UnknownCalendar(f"no public holidays are known for {part!r} in {country}: its parts are {parts}")
    return frozenset(holidays.country_holidays(country, subdiv=part or None, years=YEARS))
