"""Records sweep after sweep and says after each what is acknowledged, until somebody kills it.

Run as ``python -m tests.store.recorder URL FIRST_SWEEP``.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from agent.model.contact import Contact
from agent.model.fleet import LedgerEntry
from agent.store import Buffer, Store
from tests.store.samples import MINUTE, MONDAY, alarm, contact, message, silence

PRINTERS = 25
LAST = 100_000


def level(number: int, printer_id: int) -> int:
    """What this printer shows in this sweep; some change often, some seldom."""
    return 100 - (number // (1 + printer_id % 5)) % 100


def sweep(number: int, ids: Sequence[int]) -> list[Contact]:
    at = MONDAY + number * MINUTE
    return [
        silence(one, at) if (one + number) % 11 == 0 else contact(one, at, level(number, one), 1000 + number)
        for one in ids
    ]


def main(url: str, first: int) -> None:
    with Store.open(url) as store:
        ids = [one.id for one in store.printers()]
        buffer = Buffer(store)
        for number in range(first, LAST):
            at = MONDAY + number * MINUTE
            buffer.offer(
                sweep(number, ids),
                [alarm(revision=number + 1)],
                [LedgerEntry(at, "swept", f"sweep {number}")],
                [message(f"sweep {number}", at=at)],
            )
            if buffer.flush(at).done:
                sys.stdout.write(f"acknowledged {number}\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
