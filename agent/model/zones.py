"""Time zones by their IANA names. Days are the site's, and a site's zone may be one that this machine does not have."""

from __future__ import annotations

from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


@lru_cache(maxsize=256)
def known_zone(name: str) -> ZoneInfo | None:
    """The zone of this IANA name, or None where there is no such zone."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


@lru_cache(maxsize=256)
def zone_of(name: str) -> ZoneInfo:
    """The zone of this IANA name; UTC where there is none such."""
    return known_zone(name) or ZoneInfo("UTC")
