"""The history: tables, migrations, reading and writing. Values in, values out."""

from __future__ import annotations

from agent.store.buffer import Buffer, Flushed
from agent.store.errors import (
    StoreBusy,
    StoreCorrupt,
    StoreError,
    StoreFull,
    StoreGone,
    StoreNewer,
    StoreRefused,
    StoreRejected,
    StoreUnavailable,
)
from agent.store.store import Committed, Store, Thinned

__all__ = [
    "Buffer",
    "Committed",
    "Flushed",
    "Store",
    "StoreBusy",
    "StoreCorrupt",
    "StoreError",
    "StoreFull",
    "StoreGone",
    "StoreNewer",
    "StoreRefused",
    "StoreRejected",
    "StoreUnavailable",
    "Thinned",
]
