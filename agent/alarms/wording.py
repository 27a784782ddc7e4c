"""Plain words for shares and spans; those for parts and labels come from the words of the house.

What a printer says of itself is untrusted: every such string passes through ``clean`` before it becomes part of a text.
"""

from __future__ import annotations

from datetime import timedelta

from agent.model.wording import PARTS, called, clean, part, spaced

__all__ = ["PARTS", "called", "clean", "part", "percent", "spaced", "span"]


def percent(fraction: float) -> str:
    """``8.5 %`` below ten, whole numbers above; cut, not rounded, so that 9.96 never reads as the limit of 10."""
    tenths = int(fraction * 1000 + 1e-9)
    if tenths >= 100:
        return f"{tenths // 10} %"
    return f"{tenths // 10}.{tenths % 10} %" if tenths % 10 else f"{tenths // 10} %"


def span(length: timedelta) -> str:
    """``25 min``, ``3 h``, ``2 d 4 h``: two units at most."""
    minutes = int(length.total_seconds()) // 60
    if minutes < 1:
        return f"{max(0, int(length.total_seconds()))} s"
    days, rest = divmod(minutes, 24 * 60)
    hours, minutes = divmod(rest, 60)
    if days:
        return f"{days} d {hours} h" if hours else f"{days} d"
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{minutes} min"
