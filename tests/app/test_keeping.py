"""What is kept in memory is what would be made anew."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from agent.app.keeping import Kept
from agent.app.told import Told
from agent.model.fleet import LedgerEntry, Printer
from agent.store import Store

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


def test_an_answer_is_kept_while_what_it_rests_on_is_the_same_object() -> None:
    kept: Kept[int] = Kept(2)
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    known, other = {"a": 1}, {"a": 1}
    assert kept.get("x", (known, 7, (known, other)), make) == 1
    assert kept.get("x", (known, 7, (known, other)), make) == 1
    assert kept.get("x", (known, 8, (known, other)), make) == 2, "the ledger has gone on"
    assert kept.get("x", (other, 8, (known, other)), make) == 3, "equal is not the same: it may be changed in place"
    assert kept.get("x", (other, 8, (known,)), make) == 4
    assert kept.get("y", (), make) == 5
    assert kept.get("z", (), make) == 6
    assert kept.get("x", (other, 8, (known,)), make) == 7, "only a few are kept"


def test_what_the_ledger_tells_later_is_told_and_only_once(tmp_path: Path) -> None:
    with Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}") as store:
        printer = store.save_printer(Printer(0, "hl-01", "127.0.0.9")).id

        def say(kind: str, at: datetime) -> None:
            store.append_ledger([LedgerEntry(at, kind, kind, printer, "toner:black")])

        say("service", NOW - timedelta(days=100))
        say("service", NOW - timedelta(days=2))
        told = Told(store, {"service", "swapSeen"}, timedelta(days=90))
        assert [one.at for one in told.by_printer(NOW)[printer]] == [NOW - timedelta(days=2)]
        say("remark", NOW)
        say("swapSeen", NOW - timedelta(days=5))
        found = told.by_printer(NOW)[printer]
        assert [one.kind for one in found] == ["swapSeen", "service"], "in order of time, though it came later"
        assert told.by_printer(NOW + timedelta(minutes=1))[printer] is found
        whole = store.ledger(None, NOW - timedelta(days=90), NOW, {"service", "swapSeen"})
        assert tuple(told.by_printer(NOW + timedelta(hours=2))[printer]) == whole
