from __future__ import annotations

import dataclasses

from agent.model.alarm import AlarmState
from agent.model.fleet import LedgerEntry
from agent.store import Store
from tests.store.samples import DAY, HOUR, MINUTE, MONDAY, alarm, contact, furnished, levels, message


def entry(number: int, printer_id: int | None = None, kind: str = "alarmRaised") -> LedgerEntry:
    return LedgerEntry(MONDAY + number * HOUR, kind, f"entry {number}", printer_id, "toner:black", data={"n": number})


def test_alarm_its_ledger_entry_and_its_message_are_one(store: Store, url: str) -> None:
    (desk,) = furnished(store)
    raised = alarm(state=AlarmState.UNACKNOWLEDGED)
    done = store.commit([contact(desk, MONDAY)], [raised], [entry(0, desk)], [message()])
    assert done.stale == ()
    store.close()
    with Store.open(url) as again:
        assert again.alarms() == (raised,)
        assert again.ledger() == done.ledger
        (letter,) = again.due(MONDAY)
        assert letter.message == message()
        assert (letter.state, letter.tries, letter.next_try) == ("waiting", 0, MONDAY)


def test_record_of_an_older_revision_is_left_alone_and_named(store: Store) -> None:
    seen = alarm(revision=2, state=AlarmState.ACKNOWLEDGED)
    store.save_alarms([seen])
    done = store.save_alarms([alarm(revision=2), alarm("empty|1|toner:black", 1)], [entry(1)])
    assert done.stale == (seen.key,)
    assert {one.key: one.state for one in store.alarms()} == {
        seen.key: AlarmState.ACKNOWLEDGED,
        "empty|1|toner:black": AlarmState.NORMAL,
    }
    assert len(store.ledger()) == 1
    assert store.save_alarms([seen]).stale == (), "the very same record is no conflict"
    assert store.save_alarms([alarm(revision=3)]).stale == ()
    store.save_alarms([], gone=[seen.key])
    assert [one.key for one in store.alarms()] == ["empty|1|toner:black"]


def test_what_was_decided_about_an_outdated_record_is_not_written_either(store: Store) -> None:
    seen = alarm(revision=5, state=AlarmState.ACKNOWLEDGED)
    store.save_alarms([seen])
    about = dataclasses.replace(entry(1), data={"alarm": seen.key})
    done = store.save_alarms([alarm(revision=5)], [about, entry(2)], [message()])
    assert done.stale == (seen.key,)
    assert [one.text for one in store.ledger()] == ["entry 2"]
    assert store.due(MONDAY + DAY) == ()


def test_message_is_put_once_whatever_became_of_it(store: Store) -> None:
    store.commit(messages=[message(), message()])
    (letter,) = store.due(MONDAY)
    store.mark_sent(letter.id, MONDAY)
    store.commit(messages=[message()])
    assert store.due(MONDAY + DAY) == ()
    assert store.outbox_counts() == {"waiting": 0, "sent": 1, "dead": 0}


def test_failed_letter_waits_then_dies_then_is_revived(store: Store) -> None:
    store.commit(messages=[message("a"), message("b", at=MONDAY + MINUTE)])
    first, second = store.due(MONDAY + HOUR)
    assert [first.dedupe_key, second.dedupe_key] == ["a", "b"]
    assert store.due(MONDAY + HOUR, limit=1) == (first,)
    assert store.due(MONDAY - HOUR) == ()
    store.mark_failed(first.id, MONDAY, "451 try later", MONDAY + 2 * HOUR)
    assert store.due(MONDAY + HOUR) == (second,)
    (_, again) = store.due(MONDAY + 2 * HOUR)
    assert (again.tries, again.last_error, again.state) == (1, "451 try later", "waiting")
    store.mark_failed(first.id, MONDAY, "550 no such box", None)
    (dead,) = store.dead_letters()
    assert (dead.id, dead.tries, dead.last_error) == (first.id, 2, "550 no such box")
    assert store.outbox_counts() == {"waiting": 1, "sent": 0, "dead": 1}
    assert store.revive(dead.id, MONDAY + DAY)
    assert not store.revive(dead.id, MONDAY + DAY)
    assert store.dead_letters() == ()
    revived = store.due(MONDAY + DAY)[-1]
    assert (revived.id, revived.tries, revived.next_try) == (dead.id, 0, MONDAY + DAY)


def test_ledger_is_read_by_printer_kind_time_and_number(store: Store) -> None:
    one, two = furnished(store, 2)
    kept = store.append_ledger(
        [entry(3, one), entry(1, two), entry(2, one, "service"), dataclasses.replace(entry(0), who="Night desk")]
    )
    in_order = tuple(sorted(kept, key=lambda it: it.at))
    assert store.ledger() == in_order
    assert store.ledger(one) == (in_order[2], in_order[3])
    assert store.ledger(kinds={"service"}) == (in_order[2],)
    assert store.ledger(kinds=()) == ()
    assert store.ledger(limit=2) == in_order[2:]
    assert store.ledger(since=MONDAY + HOUR, until=MONDAY + 2 * HOUR) == in_order[1:3]
    assert store.history(one, until=MONDAY + 2 * HOUR).ledger == (in_order[2],)


def test_same_token_is_written_once(store: Store) -> None:
    (desk,) = furnished(store)
    for _ in range(2):
        store.commit([contact(desk, MONDAY)], [alarm()], [entry(1)], [message()], token="parcel-1")
    store.commit([contact(desk, MONDAY + HOUR, 70)], ledger=[entry(2)], token="parcel-2")
    assert [one.text for one in store.ledger()] == ["entry 1", "entry 2"]
    assert [level for _, level in levels(store.history(desk))] == [80, 70]
