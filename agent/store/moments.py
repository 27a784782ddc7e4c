"""Moments as the store keeps them: whole microseconds since 1970-01-01 UTC. Exact, and sorts the same everywhere."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from agent.store.errors import StoreRejected

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def micros(at: datetime) -> int:
    """Microseconds since the epoch. Raises StoreRejected for a moment without an offset."""
    if at.tzinfo is None:
        raise StoreRejected(f"the moment {at.isoformat()} does not say its offset from UTC; the store takes none such")
    return (at - _EPOCH) // _MICROSECOND


def moment(at: int) -> datetime:
    """Back from ``micros``, in UTC."""
    return _EPOCH + at * _MICROSECOND


def seconds(at: int) -> float:
    """The same as POSIX seconds: what ``moment(at).timestamp()`` would give."""
    return at / 1e6


def maybe_micros(at: datetime | None) -> int | None:
    """``micros``, and None for None."""
    return None if at is None else micros(at)


def maybe_moment(at: int | None) -> datetime | None:
    """``moment``, and None for None."""
    return None if at is None else moment(at)
