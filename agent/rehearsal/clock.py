"""Simulated time: real time, run faster from a starting moment on."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime


class SimClock:
    """``now()`` is ``start`` plus ``speed`` times the real time since the clock was made.

    ``real`` gives the real moment (timezone-aware). A speed of 1 with ``start`` equal to the present is real time.
    """

    def __init__(self, real: Callable[[], datetime], start: datetime, speed: float = 1.0) -> None:
        if start.tzinfo is None:
            raise ValueError("the starting moment must say its offset")
        if not 0 < speed <= 100_000:
            raise ValueError(f"a speed of {speed} is not between 0 and 100,000")
        self._real, self.start, self.speed = real, start, speed
        self._began = real()

    def now(self) -> datetime:
        """The simulated moment."""
        return self.start + (self._real() - self._began) * self.speed
