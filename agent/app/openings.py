"""The maintenance windows that people opened: taken up by the running agent, and closed when their time is over."""

from __future__ import annotations

from datetime import datetime

from agent.alarms.opening import close_window
from agent.alarms.windows import Window, window_of
from agent.store import Store


def opened(store: Store, now: datetime) -> tuple[Window, ...]:
    """Those that go on; what is over is closed, with a line in the ledger. Raises StoreError."""
    going = []
    for one in store.windows():
        if one.end <= now:
            store.close_window(one, close_window(one, now))
        else:
            going.append(window_of(one))
    return tuple(going)
