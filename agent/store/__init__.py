"""The history: tables, migrations, reading and writing. Values in, values out."""

from __future__ import annotations

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
    "Committed",
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
