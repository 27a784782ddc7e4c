"""How many notifications are looked at: a token bucket for each source, and one for all of them together.

A datagram that finds its bucket empty is dropped before anything is decoded. Nothing here reads a clock.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Bucket:
    """``burst`` at once, ``rate`` a second in the long run."""

    burst: float
    rate: float
    left: float
    at: float

    def take(self, now: float) -> bool:
        """Take one, if there is one. ``now`` in seconds, from any clock that never goes back."""
        self.left = min(self.burst, self.left + (now - self.at) * self.rate)
        self.at = now
        if self.left < 1:
            return False
        self.left -= 1
        return True


class Gate:
    """Admits at most ``burst`` of one source at once and ``rate`` a second; of all ``all_burst`` and ``all_rate``.

    It keeps a bucket for each source that it is asked about, so it is to be asked about known sources only.
    """

    def __init__(
        self, burst: float = 5, rate: float = 1, all_burst: float = 60, all_rate: float = 20, now: float = 0.0
    ) -> None:
        self._burst = burst
        self._rate = rate
        self._all = Bucket(all_burst, all_rate, all_burst, now)
        self._buckets: dict[str, Bucket] = {}

    def admits(self, source: str, now: float) -> bool:
        """Whether one more of this source may pass now."""
        bucket = self._buckets.get(source)
        if bucket is None:
            bucket = self._buckets[source] = Bucket(self._burst, self._rate, self._burst, now)
        # A source that sends too much takes nothing from the others.
        return bucket.take(now) and self._all.take(now)

    def keep(self, sources: frozenset[str]) -> None:
        """Forget all others."""
        self._buckets = {source: bucket for source, bucket in self._buckets.items() if source in sources}
