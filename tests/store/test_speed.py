from __future__ import annotations

import time
from pathlib import Path

from agent.store import Store
from tests.store.samples import MINUTE, MONDAY, contact, furnished


def test_sweep_over_2000_printers_of_which_3_percent_changed_is_cheap(tmp_path: Path) -> None:
    with Store.open(f"sqlite:///{tmp_path / 'lowmark.sqlite'}") as store:
        ids = furnished(store, 2000)
        seconds = []
        for number in range(8):
            at = MONDAY + number * 5 * MINUTE
            batch = [contact(one, at, 80, 1000 + (number if place < 60 else 0)) for place, one in enumerate(ids)]
            begin = time.process_time()
            store.record(batch)
            seconds.append(time.process_time() - begin)
        assert min(seconds[2:]) <= 0.3, seconds
        begin = time.process_time()
    with Store.open(f"sqlite:///{tmp_path / 'lowmark.sqlite'}") as again:
        assert len(again.contacts()) == 2000
        assert time.process_time() - begin <= 2.0
