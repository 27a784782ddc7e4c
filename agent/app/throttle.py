"""Delays between sign-ins that fail: a little longer each time, for each key by itself. In memory, and bounded."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass


@dataclass(slots=True)
class _Series:
    failures: int = 0
    last: float = 0.0
    until: float = 0.0


class Throttle:
    """``free`` failures cost nothing; after that 1 s, 2 s, 4 s ... and at most ``longest`` seconds.

    Half an hour without a failure ends a series. At most ``most`` keys are remembered; the one that failed longest ago
    is forgotten first. ``at`` are seconds of a clock that never goes back. May be called from any thread.
    """

    CALM = 1800.0

    def __init__(self, free: int, longest: float, most: int = 10_000) -> None:
        self._free, self._longest, self._most = free, longest, most
        self._series: OrderedDict[str, _Series] = OrderedDict()
        self._lock = threading.Lock()

    def wait(self, key: str, at: float) -> float:
        """Seconds until the next try with this key is looked at; 0 when it is now."""
        with self._lock:
            found = self._series.get(key)
            return 0.0 if found is None else max(0.0, found.until - at)

    def count(self, key: str, at: float) -> int:
        """Count a try as a failure, before it is looked at; gives how many there were in this series."""
        with self._lock:
            found = self._series.pop(key, None)
            if found is None or at - found.last > max(self.CALM, self._longest):
                found = _Series()
            found.failures += 1
            found.last = at
            over = found.failures - self._free
            found.until = at + min(self._longest, 2.0 ** min(over - 1, 30)) if over > 0 else at
            self._series[key] = found
            while len(self._series) > self._most:
                self._series.popitem(last=False)
            return found.failures

    def forget(self, key: str) -> None:
        """End the series of this key: the try was right."""
        with self._lock:
            self._series.pop(key, None)

    def forgive(self, key: str) -> None:
        """Take back one try that was right, and leave the others counted."""
        with self._lock:
            found = self._series.get(key)
            if found is not None:
                found.failures -= 1
                found.until = found.last
                if found.failures <= 0:
                    del self._series[key]

    @property
    def free(self) -> int:
        """How many failures cost nothing."""
        return self._free
