"""What is told on the page that a form leads to: kept here, so that no address can put words in our mouth."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Sequence

MOST = 500


class Notes:
    """A few sentences under a name that nobody guesses; the oldest are forgotten. Of any thread."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, tuple[str, ...]] = OrderedDict()
        self._lock = threading.Lock()

    def keep(self, said: Sequence[str]) -> str:
        """The name under which these are kept; "" where there is nothing to keep."""
        if not said:
            return ""
        name = secrets.token_urlsafe(9)
        with self._lock:
            self._kept[name] = tuple(one[:500] for one in said[:10])
            while len(self._kept) > MOST:
                self._kept.popitem(last=False)
        return name

    def told(self, name: str) -> tuple[str, ...]:
        """What was kept under a name; nothing where it is not known (any more)."""
        with self._lock:
            return self._kept.get(name, ())


NOTES = Notes()
"""Those of this process."""
