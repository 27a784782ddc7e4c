"""What can go wrong with the store; no exception of a database library leaves this floor.

StoreError
├── StoreUnavailable      it will do later: wait and try again
│   ├── StoreBusy         another program holds the lock
│   ├── StoreFull         no space left
│   └── StoreGone         the file or the server cannot be reached or written
└── StoreRefused          trying again does not help
    ├── StoreNewer        a newer Lowmark has written it
    ├── StoreCorrupt      it is damaged, or no store of Lowmark at all
    └── StoreRejected     this one value cannot be kept; others can
"""

from __future__ import annotations

from agent.model.failure import Failure


class StoreError(Failure):
    """The store failed. ``str()`` is a sentence for the person who has to mend it; it never holds a password."""

    retryable = False


class StoreUnavailable(StoreError):
    """The same call may succeed later."""

    retryable = True


class StoreBusy(StoreUnavailable):
    """Another program holds the lock."""


class StoreFull(StoreUnavailable):
    """No space is left."""


class StoreGone(StoreUnavailable):
    """The file or the server cannot be reached or written."""


class StoreRefused(StoreError):
    """Trying again does not help."""


class StoreNewer(StoreRefused):
    """A newer Lowmark has written this store."""


class StoreCorrupt(StoreRefused):
    """The file is damaged, or holds something else."""


class StoreRejected(StoreRefused):
    """One value cannot be kept; the rest of the batch can."""
