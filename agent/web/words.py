"""Values as words, numbers and moments for a page. What a printer says of itself is always text, and only text."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from datetime import UTC, date, datetime, time

from markupsafe import Markup, escape

from agent.alarms.wording import part, spaced
from agent.mib.enums import SUPPLY_TYPE
from agent.model.day_words import written_anew
from agent.model.reading import Amount, Mark, SubUnitStatus, Supply
from agent.model.zones import zone_of
from agent.web import locales

_KINDS = frozenset(SUPPLY_TYPE.values()) - {"other", "unknown"}
_PERCENT = re.compile(r"(?<![\w.,])([0-9]{1,3}(?:\.[0-9]{1,2})?)[ \u00a0\u202f]%")
_UNSEEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
"""Categories of Unicode that have no look of their own, among them the bidi controls."""


def harmless(text: object, limit: int = 500) -> str:
    """A string of unknown origin as signs only: what has no look of its own is spelt out, ``[U+202E]``."""
    raw = str(text)
    cut = raw if len(raw) <= limit else raw[: limit - 1] + "…"
    if cut.isascii() and cut.isprintable():
        return cut
    return "".join(f"[U+{ord(sign):04X}]" if unicodedata.category(sign) in _UNSEEN else sign for sign in cut)


def said(text: object) -> Markup:
    """What somebody else said, for a page: escaped, harmless, and its direction of writing kept to itself."""
    return Markup("<bdi>{}</bdi>").format(escape(harmless(text)))


def prose(text: str) -> str:
    """A sentence of ours with its days, moments and percentages as the reader writes them."""
    with_days = written_anew(text, _written)
    return _PERCENT.sub(lambda found: locales.percentage(found[1]), with_days)


def _written(on: date, year: bool, at: time | None) -> str:
    day = locales.named_day(on, year=year)
    return day if at is None else f"{day}, {locales.clock(at)}"


def told(text: object) -> Markup:
    """A sentence of ours for a page: as the reader writes days and percentages, and as harmless as what others said."""
    return said(prose(str(text)))


def named_day(on: date | None, today: date | None = None) -> str:
    """``Thu 12 Nov``, with the year where it is not that of ``today``: as sentences have it."""
    return "" if on is None else locales.named_day(on, year=today is not None and on.year != today.year)


def named_clock(at: datetime, zone: str, today: date | None = None) -> str:
    """``Thu 12 Nov, 08:14`` in the zone, with the year where it is not that of ``today``."""
    there = at.astimezone(zone_of(zone))
    return f"{named_day(there.date(), today)}, {locales.clock(there.time())}"


def named_moment(at: datetime | None, zone: str, today: date | None = None) -> Markup:
    """A ``time`` element as sentences have it: read by people in the site's zone, by programs in UTC."""
    if at is None:
        return Markup("")
    return Markup('<time datetime="{}">{}</time>').format(
        at.astimezone(UTC).isoformat(timespec="seconds"), named_clock(at, zone, today)
    )


def clock(at: datetime | None, zone: str = "UTC") -> str:
    """``25 Nov 2026, 08:14`` in the zone, as the reader writes it."""
    return "" if at is None else locales.instant(at, zone)


def moment(at: datetime | None, zone: str = "UTC") -> Markup:
    """A ``time`` element: read by people in the site's zone, by programs in UTC."""
    if at is None:
        return Markup("")
    return Markup('<time datetime="{}">{}</time>').format(
        at.astimezone(UTC).isoformat(timespec="seconds"), clock(at, zone)
    )


def day(on: date | None) -> str:
    """``25 Nov 2026``."""
    return "" if on is None else locales.long_day(on)


def near_day(on: date, today: date) -> str:
    """``25 Nov``, with the year where it is another one."""
    return locales.short_day(on) if on.year == today.year else day(on)


def away(on: date, today: date) -> str:
    """``today``, ``tomorrow``, ``in 3 days``, ``12 days ago``."""
    days = (on - today).days
    if abs(days) <= 1:
        return ("yesterday", "today", "tomorrow")[days + 1]
    return f"in {number(days)} days" if days > 0 else f"{number(-days)} days ago"


def number(value: float | None) -> str:
    """A whole number with its thousands apart, as the reader writes them."""
    return "" if value is None else locales.decimal(value)


def hours(minutes: float) -> str:
    """Minutes of work in words: ``25 min``, ``1 h 20 min``."""
    gap = "\N{NARROW NO-BREAK SPACE}"
    whole, rest = divmod(round(minutes), 60)
    if not whole:
        return f"{rest}{gap}min"
    return f"{whole}{gap}h" + (f" {rest}{gap}min" if rest else "")


def percent(share: float | None) -> str:
    """A share as whole percent; ``< 1 %`` for what is little but there, ``unknown`` for what is not known."""
    if share is None:
        return "unknown"
    if 0 < share < 0.01:
        return f"<{locales.share(0.01)}"
    if 0.99 < share < 1:
        return f">{locales.share(0.99)}"
    return locales.share(share)


def listed(texts: Iterable[str]) -> str:
    """``a, b and c``."""
    found = list(texts)
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}" if found else ""


def first_upper(text: str) -> str:
    """With a capital at the beginning; the rest stays."""
    return text[:1].upper() + text[1:]


def supply_name(kind: str, colorant: str | None, key: str = "", description: str = "") -> str:
    """What a technician calls it: ``cyan toner``; with its number where the printer has two of the same.

    Where the printer says ``other`` or ``unknown`` of its kind, its own description has to do.
    """
    if kind in ("other", "unknown") and description:
        return harmless(description, 60)
    _, mark, again = key.partition("#")
    return part(kind, colorant) + (f" {again}" if mark else "")


def deed_name(subject: str) -> str:
    """What was done, as a technician calls it: ``cyan toner`` for the key of a supply; a plan keeps its name."""
    kind, _, colorant = subject.partition("#")[0].partition(":")
    return part(kind, colorant or None) if kind in _KINDS else subject


def left_words(supply: Supply) -> str:
    """How much is left, as far as the printer says."""
    share = supply.fraction
    if share is not None:
        return percent(share)
    if isinstance(supply.level, Mark):
        return {Mark.SOME: "some", Mark.OTHER: "no limit", Mark.UNKNOWN: "unknown"}[supply.level]
    return "empty" if supply.level == 0 else "unknown share"


def amount_words(amount: Amount) -> str:
    """A number, or what the printer says instead of one."""
    if isinstance(amount, Mark):
        return {Mark.OTHER: "no limit", Mark.UNKNOWN: "unknown", Mark.SOME: "some"}[amount]
    return number(amount)


def room_words(amount: Amount, capacity: Amount, unit: str) -> str:
    """What lies in a tray or fits a bin, as far as the printer tells: ``40 of 250 sheets``, ``some``, ``unknown``."""
    if amount is Mark.UNKNOWN:
        return "unknown"
    whole = "" if isinstance(capacity, Mark) else f"of {number(capacity)} "
    if isinstance(amount, Mark) and not whole:
        return amount_words(amount)
    return f"{amount_words(amount)} {whole}{spaced(unit)}"


def level_words(supply: Supply) -> str:
    """Level and capacity in the printer's own unit, as far as it tells them."""
    unit = spaced(supply.unit)
    if isinstance(supply.capacity, Mark):
        return "" if isinstance(supply.level, Mark) else f"{number(supply.level)} {unit}"
    of = f"of {number(supply.capacity)} {unit}"
    return of if isinstance(supply.level, Mark) else f"{number(supply.level)} {of}"


def sub_unit_words(status: SubUnitStatus | None) -> str:
    """A PrtSubUnitStatusTC in words (RFC 3805 section 2.2.13.2)."""
    if status is None:
        return ""
    words = [spaced(status.availability)]
    words += ["critical alert"] if status.critical_alert else []
    words += ["alert"] if status.non_critical_alert else []
    words += ["off line"] if status.offline else []
    words += ["changing"] if status.transitioning else []
    return ", ".join(words)
