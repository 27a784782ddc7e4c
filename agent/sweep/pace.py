"""Not more requests a second than the settings allow, over all printers together."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


class Pace:
    """Lets readings begin, and is told afterwards what each cost: ``rate`` requests a second in the long run.

    Up to one second's worth may go out at once. A reading that has begun is never held up: its cost is paid by the
    ones after it. ``timer``: seconds, never going back.
    """

    def __init__(self, rate: float, timer: Callable[[], float]) -> None:
        self._rate = rate
        self._timer = timer
        self._left = rate
        self._at = timer()

    async def begin(self) -> None:
        """Wait until another reading may begin."""
        while (wait := self._wait()) > 0:
            await asyncio.sleep(wait)

    def paid(self, requests: int) -> None:
        """A reading took so many requests."""
        self._left -= requests

    def _wait(self) -> float:
        now = self._timer()
        self._left = min(self._rate, self._left + (now - self._at) * self._rate)
        self._at = now
        return 0.0 if self._left > 0 else -self._left / self._rate + 0.001
