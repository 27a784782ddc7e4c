"""Numbers and dates as they are written where the reader lives (Unicode CLDR, by Babel)."""

from __future__ import annotations

import re
from contextvars import ContextVar
from datetime import date, datetime, time
from decimal import Decimal
from functools import lru_cache

from babel import Locale
from babel.core import UnknownLocaleError
from babel.dates import format_date, format_skeleton, format_time
from babel.numbers import NumberPattern, format_decimal, format_percent, parse_pattern

from agent.model.locales import LOCALES
from agent.model.zones import zone_of

USUAL = LOCALES[0]
_RANGE = re.compile(r"\s*([A-Za-z]{2,3}(?:-[A-Za-z0-9]{1,8})*)\s*(?:;\s*q=([01](?:\.[0-9]{0,3})?))?\s*")
_here: ContextVar[Locale | None] = ContextVar("lowmark_locale", default=None)


@lru_cache(maxsize=64)
def locale_of(tag: str) -> Locale:
    """The locale of a language tag; the usual one where CLDR knows none such."""
    try:
        found: Locale = Locale.parse(tag, sep="_" if "_" in tag else "-")
    except (ValueError, UnknownLocaleError):
        return locale_of(USUAL)
    return found


@lru_cache(maxsize=256)
def chosen(accept: str) -> str:
    """The first of what a browser asks for (``Accept-Language``, RFC 9110 section 12.5.4) that we write."""
    asked: list[tuple[float, int, str]] = []
    for place, one in enumerate(accept[:500].split(",")[:20]):
        found = _RANGE.fullmatch(one)
        if found is not None and (weight := float(found[2] or 1)) > 0:
            asked.append((-weight, place, found[1].lower()))
    for _, _, tag in sorted(asked):
        for known in LOCALES:
            if known.lower() == tag:
                return known
        for known in LOCALES:
            if known.partition("-")[0] == tag.partition("-")[0]:
                return known
    return USUAL


def use(tag: str) -> None:
    """From here on, in this request, numbers and dates are written so."""
    _here.set(locale_of(tag))


def here() -> Locale:
    """How they are written now."""
    return _here.get() or locale_of(USUAL)


def decimal(value: float, digits: int = 0) -> str:
    """A number with so many digits behind the point."""
    return str(format_decimal(round(value, digits), format=_pattern(digits), locale=here()))


@lru_cache(maxsize=8)
def _pattern(digits: int) -> str:
    return "#,##0" + ("." + "0" * digits if digits else "")


def share(value: float) -> str:
    """A share as whole percent."""
    return str(format_percent(round(value, 2), locale=here()))


def percentage(value: str) -> str:
    """A number of percent, such as ``8.5``, with the sign where it stands here."""
    _, _, behind = value.partition(".")
    return str(_percent_of(here(), len(behind)).apply(Decimal(value) / 100, here()))


@lru_cache(maxsize=64)
def _percent_of(locale: Locale, digits: int) -> NumberPattern:
    usual = locale.percent_formats[None].pattern
    return parse_pattern(re.sub(r"0(?=[^0]*$)", "0." + "0" * digits, usual) if digits else usual)


def named_day(on: date, *, year: bool) -> str:
    """Weekday, day and month; with the ``year`` or without."""
    return _skeleton("yMMMEd" if year else "MMMEd", on, here())


def clock(at: time) -> str:
    """Hours and minutes."""
    return str(format_time(at, "short", locale=here()))


def long_day(on: date) -> str:
    """Day, month and year."""
    return _skeleton("yMMMd", on, here())


def weekday(on: date) -> str:
    """``Wednesday``."""
    return str(format_date(on, "EEEE", locale=here()))


def short_day(on: date) -> str:
    """Day and month."""
    return _skeleton("MMMd", on, here())


@lru_cache(maxsize=4_096)
def _skeleton(skeleton: str, on: date, locale: Locale) -> str:
    """A page names the same days again and again."""
    return str(format_skeleton(skeleton, datetime(on.year, on.month, on.day), locale=locale))  # noqa: DTZ001 - a day


def instant(at: datetime, zone: str) -> str:
    """Day and time in the zone, to the minute."""
    there = at.astimezone(zone_of(zone))
    return f"{long_day(there.date())}, {format_time(there, 'short', tzinfo=there.tzinfo, locale=here())}"
