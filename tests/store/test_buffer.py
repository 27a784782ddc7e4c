from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.model.contact import Contact
from agent.model.fleet import LedgerEntry
from agent.store import Buffer, Committed, Store, StoreCorrupt, StoreError, StoreFull
from tests.store.samples import (
    DAY,
    HOUR,
    MINUTE,
    MONDAY,
    alarm,
    contact,
    everything,
    furnished,
    levels,
    message,
    silence,
)


class Shaky:
    """A store whose next commits fail as told; ``after`` True: only once they were written, so nobody knows."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.failures: list[StoreError] = []
        self.after = False

    def commit(self, *given: object, **named: object) -> Committed:
        if self.failures and not self.after:
            raise self.failures.pop(0)
        done = self.store.commit(*given, **named)  # type: ignore[arg-type]
        if self.failures:
            raise self.failures.pop(0)
        return done


@pytest.fixture
def shaky(tmp_path: Path) -> Iterator[Shaky]:
    with Store.open(f"sqlite:///{tmp_path / 'lowmark.sqlite'}") as store:
        yield Shaky(store)


def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'lowmark.sqlite'}"


def test_outage_leaves_the_same_rows_as_no_outage(shaky: Shaky, tmp_path: Path) -> None:
    ids = furnished(shaky.store, 4)

    def sweep(number: int) -> list[Contact]:
        at = MONDAY + number * MINUTE
        return [
            contact(ids[0], at),
            contact(ids[1], at, 80 - number // 7, 1000 + number // 3),
            silence(ids[2], at) if 5 <= number < 20 else contact(ids[2], at),
            contact(ids[3], at, status="printing" if number % 2 else "idle"),
        ]

    with Store.open(f"sqlite:///{tmp_path / 'calm.sqlite'}") as calm:
        furnished(calm, 4)
        for number in range(60):
            calm.record(sweep(number))
    buffer = Buffer(shaky)
    buffer.offer(sweep(0))
    assert buffer.flush(MONDAY).done
    for number in range(1, 59):
        shaky.failures = [StoreFull("no space")]
        buffer.offer(sweep(number))
        assert not buffer.flush(MONDAY + number * MINUTE).done
    assert buffer.depth < 58 * 4 - 58, "the printer in which nothing changed hardly takes up room"
    assert (buffer.failing_since, buffer.failures) == (MONDAY + MINUTE, 58)
    shaky.failures = []
    buffer.offer(sweep(59))
    assert buffer.flush(MONDAY + HOUR).done
    mine, theirs = everything(url(tmp_path)), everything(f"sqlite:///{tmp_path / 'calm.sqlite'}")
    for name in ("contact_run", "supply_point", "counter_point", "status_point"):
        assert mine[name] == theirs[name], name


def test_commit_whose_outcome_is_unknown_is_not_written_twice(shaky: Shaky) -> None:
    (desk,) = furnished(shaky.store)
    buffer = Buffer(shaky)
    shaky.after, shaky.failures = True, [StoreFull("it went away while it committed")]
    buffer.offer([contact(desk, MONDAY)], [alarm()], [LedgerEntry(MONDAY, "noted", "once")], [message()])
    assert not buffer.flush(MONDAY).done
    buffer.offer(ledger=[LedgerEntry(MONDAY, "noted", "after it")])
    assert buffer.flush(MONDAY).done
    assert [entry.text for entry in shaky.store.ledger()] == ["once", "after it"]


def test_what_the_store_will_not_take_does_not_hold_up_the_rest(shaky: Shaky) -> None:
    ids = furnished(shaky.store, 9)
    buffer = Buffer(shaky)
    batch = [contact(one, MONDAY) for one in ids]
    buffer.offer([*batch[:4], contact(4711, MONDAY), *batch[4:]], ledger=[LedgerEntry(MONDAY, "noted", "kept")])
    assert buffer.flush(MONDAY).done
    assert set(shaky.store.contacts()) == set(ids)
    assert [entry.text for entry in shaky.store.ledger()] == ["kept"]
    assert (buffer.rejected, buffer.dropped, buffer.failing_since) == (1, 0, None)
    assert "no printer 4711" in buffer.last_rejection


def test_refused_store_keeps_the_readings_too(shaky: Shaky) -> None:
    (desk,) = furnished(shaky.store)
    buffer = Buffer(shaky)
    shaky.failures = [StoreCorrupt("damaged")]
    buffer.offer([contact(desk, MONDAY)])
    assert not buffer.flush(MONDAY).done
    assert (buffer.depth, buffer.last_error) == (1, "damaged")
    assert buffer.flush(MONDAY).done
    assert levels(shaky.store.history(desk)) == [(MONDAY, 80)]


def test_full_buffer_lets_go_of_statuses_first_and_of_the_last_word_last(shaky: Shaky) -> None:
    ids = furnished(shaky.store, 3)
    buffer = Buffer(shaky, limit=60)
    for number in range(100):
        at = MONDAY + number * MINUTE
        buffer.offer(
            [
                contact(ids[0], at, status="printing" if number % 2 else "idle"),
                contact(ids[1], at, 100 - number // 10),
                contact(ids[2], at),
            ]
        )
        assert buffer.depth <= 60
    assert buffer.dropped > 0
    assert buffer.flush(MONDAY).done
    told = levels(shaky.store.history(ids[1]))
    assert told == [(MONDAY + n * 10 * MINUTE, 100 - n) for n in range(10)], "no level is lost while statuses can go"
    assert shaky.store.contacts()[ids[0]].last == MONDAY + 99 * MINUTE


def test_buffer_that_cannot_hold_even_that_drops_the_oldest(shaky: Shaky) -> None:
    (desk,) = furnished(shaky.store)
    buffer = Buffer(shaky, limit=20)
    for number in range(90):
        buffer.offer(
            [contact(desk, MONDAY + number * MINUTE, number)], ledger=[LedgerEntry(MONDAY, "noted", str(number))]
        )
    assert buffer.depth <= 20
    assert buffer.flush(MONDAY).done
    told = levels(shaky.store.history(desk))
    assert told[-1] == (MONDAY + 89 * MINUTE, 89)
    assert told[0] == (MONDAY, 0)
    assert buffer.dropped == 90 - len(told) + 70
    assert [entry.text for entry in shaky.store.ledger()] == [str(number) for number in range(70, 90)]


def test_ledger_of_a_contact_that_needs_no_place_is_kept(shaky: Shaky) -> None:
    (desk,) = furnished(shaky.store)
    buffer = Buffer(shaky)
    for number in range(5):
        noticed = LedgerEntry(MONDAY, "moved", f"notice {number}", desk)
        buffer.offer([dataclasses.replace(contact(desk, MONDAY + number * MINUTE), ledger=(noticed,))])
    assert buffer.depth == 2
    assert buffer.flush(MONDAY).done
    assert len(shaky.store.ledger(desk)) == 5


def test_long_outage_keeps_the_pauses_of_contact_apart(shaky: Shaky) -> None:
    (desk,) = furnished(shaky.store)
    buffer = Buffer(shaky)
    for day in (0, 1, 2, 5, 6, 7):
        buffer.offer([contact(desk, MONDAY + day * DAY)])
    assert buffer.flush(MONDAY).done
    assert [(run.first, run.last) for run in shaky.store.history(desk).contacts] == [
        (MONDAY, MONDAY + 2 * DAY),
        (MONDAY + 5 * DAY, MONDAY + 7 * DAY),
    ]


def test_offers_from_one_thread_while_another_writes(shaky: Shaky) -> None:
    (desk,) = furnished(shaky.store)
    buffer = Buffer(shaky)
    over = threading.Event()

    def write() -> None:
        while not over.is_set():
            buffer.flush(MONDAY)

    writer = threading.Thread(target=write)
    writer.start()
    for number in range(300):
        buffer.offer([contact(desk, MONDAY + number * MINUTE, number, 1000 + number)])
    over.set()
    writer.join(30)
    assert buffer.flush(MONDAY).done
    assert [level for _, level in levels(shaky.store.history(desk))] == list(range(300))


def test_what_somebody_else_wrote_meanwhile_is_not_overwritten_by_what_waits(shaky: Shaky) -> None:
    """A command acknowledges while several revisions of the alarm wait: each of them was made of what is no more."""
    (desk,) = furnished(shaky.store)
    first = alarm(revision=1)
    shaky.store.save_alarms([first])
    buffer = Buffer(shaky)
    shaky.failures = [StoreFull("no space")]
    mine = [first]
    for number in range(2, 5):
        mine.append(dataclasses.replace(first, value=0.01 * number, revision=number))
        told = LedgerEntry(MONDAY + number * MINUTE, "alarmReturned", "mine", desk, data={"alarm": first.key})
        buffer.offer([contact(desk, MONDAY + number * MINUTE)], [mine[-1]], [told], bases={first.key: mine[-2]})
        if number == 2:
            buffer.flush(MONDAY)  # fails, and what was handed over is a parcel by itself from now on
    theirs = dataclasses.replace(first, acknowledged_by="Night desk", revision=2)
    assert shaky.store.save_alarms([theirs], bases={first.key: first}).stale == ()
    theirs = dataclasses.replace(theirs, shelved_by="Night desk", revision=3)
    assert shaky.store.save_alarms([theirs], bases={first.key: dataclasses.replace(theirs, shelved_by="", revision=2)})
    assert not buffer.empty
    flushed = buffer.flush(MONDAY)
    assert flushed.done
    assert buffer.empty
    assert set(flushed.stale) == {first.key}
    assert shaky.store.alarms() == (theirs,)
    assert [one for one in shaky.store.ledger() if one.text == "mine"] == [], "nor is what did not happen told"
    assert len(shaky.store.history(desk).contacts) == 1


def test_the_latest_of_what_waits_is_written_over_what_the_first_was_made_of(shaky: Shaky) -> None:
    first, buffer = alarm(revision=1), Buffer(shaky)
    shaky.store.save_alarms([first])
    second, third = (dataclasses.replace(first, value=0.1 * n, revision=n) for n in (2, 3))
    buffer.offer(alarms=[second], bases={first.key: first})
    buffer.offer(alarms=[third], bases={first.key: second})
    assert buffer.flush(MONDAY).stale == ()
    assert shaky.store.alarms() == (third,)
    buffer.offer(gone=[first.key], bases={first.key: third})
    again = dataclasses.replace(first, value=0.5, revision=1)
    buffer.offer(alarms=[again], bases={first.key: None})
    assert buffer.flush(MONDAY).stale == ()
    assert shaky.store.alarms() == (again,), "gone and born again"


def test_a_record_that_somebody_shelved_is_not_taken_out(shaky: Shaky) -> None:
    first, buffer = alarm(revision=1), Buffer(shaky)
    shaky.store.save_alarms([first])
    buffer.offer(gone=[first.key], bases={first.key: first})
    theirs = dataclasses.replace(first, shelved_by="Night desk", revision=2)
    shaky.store.save_alarms([theirs], bases={first.key: first})
    assert buffer.flush(MONDAY).stale == (first.key,)
    assert shaky.store.alarms() == (theirs,)
