"""SIGKILL at random moments in the middle of recording: nothing that was acknowledged may be missing."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from collections import Counter as Tally

import pytest

from agent.store import Store
from tests.store.recorder import PRINTERS, level, sweep
from tests.store.samples import MINUTE, MONDAY, furnished, levels, step

KILLS = 20


def run_until_killed(url: str, first: int, after: float) -> int:
    """Start the recorder, kill it ``after`` seconds of recording; gives the last sweep that it acknowledged."""
    command = [sys.executable, "-m", "tests.store.recorder", url, str(first)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as recorder:
        assert recorder.stdout is not None
        said = recorder.stdout.readline()  # it has begun
        time.sleep(after)
        recorder.kill()
        said += recorder.stdout.read()
    whole = [line for line in said.splitlines(keepends=True) if line.endswith("\n")]
    numbers = [int(line.removeprefix("acknowledged ")) for line in whole]
    assert numbers == list(range(first, first + len(numbers)))
    return numbers[-1]


@pytest.mark.slow
def test_nothing_acknowledged_is_lost_when_the_process_is_killed(url: str) -> None:
    chance = random.Random(20260302)
    with Store.open(url) as store:
        ids = furnished(store, PRINTERS)
    following = 0
    kills = KILLS if url.startswith("sqlite") else KILLS // 3
    for _ in range(kills):
        # The recorder goes on with the sweep after the last one acknowledged; the one that was in flight may have been
        # written or not, and is then told twice.
        following = run_until_killed(url, following, chance.uniform(0, 0.15)) + 1
    if url.startswith("sqlite"):
        with sqlite3.connect(url.removeprefix("sqlite:///")) as database:
            assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        database.close()
    with Store.open(url) as store:
        histories = {one: store.history(one) for one in ids}
        for number in range(following):
            for told in sweep(number, ids):
                history = histories[told.printer_id]
                (run,) = [run for run in history.contacts if run.first <= told.at <= run.last]
                assert run.reachable == told.reachable
                if told.reachable:
                    assert step(levels(history), told.at) == level(number, told.printer_id)
        # The ledger and the outbox are of the same transactions. Only a sweep in flight can be in the ledger twice.
        entries = Tally(entry.text for entry in store.ledger())
        assert set(entries) >= {f"sweep {number}" for number in range(following)}
        assert sum(times - 1 for times in entries.values()) <= kills
        waiting = store.due(MONDAY + 10**6 * MINUTE, limit=10**6)
        assert len({letter.dedupe_key for letter in waiting}) == len(waiting) == len(entries)
        (record,) = store.alarms()
        assert record.revision in (following, following + 1)
