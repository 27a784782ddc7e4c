"""How quickly readings begin: not more requests a second than the settings allow, and a large fleet not all at once."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


class Pace:
    """Lets readings begin, ``rate`` a second of whatever they cost in the long run: requests, or readings.

    Up to ``at_once`` seconds' worth may go out together. A reading that has begun is never held up: what it cost is
    told afterwards and paid by the ones after it. ``timer``: seconds, never going back.
    """

    def __init__(self, rate: float, timer: Callable[[], float], at_once: float = 1.0) -> None:
        self._rate = rate
        self._timer = timer
        self._most = self._left = rate * at_once
        self._at = timer()
        self._turn = asyncio.Lock()
        self._released = False

    async def begin(self, cost: int = 0) -> None:
        """Wait until another reading may begin; ``cost`` is what is known of it already."""
        async with self._turn:  # one waits for the time and the others behind it, or all would wake again and again
            while not self._released and (wait := self._wait()) > 0:
                await asyncio.sleep(wait)
            self._left -= cost

    def paid(self, cost: int) -> None:
        """A reading has cost so much."""
        self._left -= cost

    def release(self) -> None:
        """Hold nobody up any more."""
        self._released = True

    def _wait(self) -> float:
        now = self._timer()
        self._left = min(self._most, self._left + (now - self._at) * self._rate)
        self._at = now
        return 0.0 if self._left > 0 else -self._left / self._rate + 0.001
