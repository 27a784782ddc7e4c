from __future__ import annotations

import dataclasses
from datetime import timedelta

import pytest

from agent.model.contact import Observation, SeenSupply
from agent.model.fleet import ContactRun, Dated, LedgerEntry, Place
from agent.model.reading import CONSUMED, RECEPTACLE, Counter, Mark
from agent.store import Store, StoreRejected
from tests.store.samples import (
    DAY,
    HOUR,
    MINUTE,
    MONDAY,
    contact,
    counts,
    everything,
    full_reading,
    furnished,
    levels,
    printer,
    reading,
    silence,
    toner,
    waste,
)


def test_printer_comes_back_as_it_was_saved(store: Store) -> None:
    saved = store.save_printer(printer(3))
    assert saved == dataclasses.replace(printer(3), id=saved.id)
    assert store.printers() == (saved,)
    moved = store.save_printer(dataclasses.replace(saved, address="[::1]:1161", place=Place("Annex"), retired=MONDAY))
    assert moved.id == saved.id
    assert store.printers() == ()
    assert store.printers(retired=True) == (moved,)


def test_printer_is_written_together_with_what_the_ledger_says_of_it(store: Store) -> None:
    (gone,) = store.save_printers([printer(1)])
    new = LedgerEntry(MONDAY, "new", "first met", 0)
    over = LedgerEntry(MONDAY, "exchanged", "another stands here now", gone.id)
    (saved, _) = store.enlist([(printer(2), (new, over)), (dataclasses.replace(gone, retired=MONDAY), ())])
    assert [(entry.kind, entry.printer_id) for entry in store.ledger()] == [("new", saved.id), ("exchanged", gone.id)]
    with pytest.raises(StoreRejected):
        store.enlist([(printer(3), (new,)), (dataclasses.replace(printer(4), id=999), ())])
    assert len(store.ledger()) == 2
    assert [one.id for one in store.printers()] == [saved.id]


def test_printer_is_found_by_name_serial_address_mac_and_id(store: Store) -> None:
    one, two = (store.save_printer(printer(number)) for number in (1, 2))
    for words in ("desk-2", "DESK-2", " TG00002 ", "127.0.0.2", "02:00:00:00:00:02", str(two.id)):
        assert store.find_printer(words) == two, words
    assert store.find_printer("desk") is None
    assert store.find_printer("") is None
    store.save_printer(dataclasses.replace(one, retired=MONDAY))
    successor = store.save_printer(printer(1))
    assert store.find_printers("desk-1")[0] == successor


def test_only_changes_take_up_space(store: Store, url: str) -> None:
    (desk,) = furnished(store)
    for hour in range(24):
        store.record([contact(desk, MONDAY + hour * HOUR, 80 - hour // 12, 1000 + hour // 8)])
    history = store.history(desk)
    assert levels(history) == [(MONDAY, 80), (MONDAY + 12 * HOUR, 79)]
    assert counts(history) == [(MONDAY, 1000), (MONDAY + 8 * HOUR, 1001), (MONDAY + 16 * HOUR, 1002)]
    assert history.contacts == (ContactRun(MONDAY, MONDAY + 23 * HOUR, True),)
    stored = everything(url)
    assert (len(stored["supply_point"]), len(stored["counter_point"]), len(stored["status_point"])) == (3, 6, 1)


def test_moments_as_numbers_are_those_of_the_points_to_the_microsecond(store: Store) -> None:
    (desk,) = furnished(store)
    odd = MONDAY + timedelta(days=4_000, microseconds=123_457)
    store.record([contact(desk, MONDAY, 80, 1000), contact(desk, odd, 79, 1001), contact(desk, odd + HOUR, 78, 1002)])
    for until in (None, odd):
        history = store.history(desk, None, until)
        for track in (*history.supplies, *history.counters):
            assert isinstance(track.points, Dated)
            assert list(track.points.stamps) == [one.at.timestamp() for one in track.points]
        assert levels(history)[1:] == [(odd, 79), (odd + HOUR, 78)][: 2 if until is None else 1]


def test_levels_keep_their_meaning_and_their_capacity(store: Store) -> None:
    (desk,) = furnished(store)
    for hour, (level, capacity) in enumerate(
        [(Mark.SOME, Mark.UNKNOWN), (Mark.UNKNOWN, 8000), (0, 8000), (Mark.OTHER, 1)]
    ):
        supplies = (toner(level, capacity=capacity),)
        store.record([contact(desk, MONDAY + hour * HOUR, supplies=supplies)])
    (track,) = store.history(desk).supplies
    assert [(point.level, point.capacity) for point in track.points] == [
        (Mark.SOME, Mark.UNKNOWN),
        (Mark.UNKNOWN, 8000),
        (0, 8000),
        (Mark.OTHER, 1),
    ]
    assert (track.key, track.kind, track.supply_class) == ("toner:black", "toner", CONSUMED)
    assert (track.colorant, track.unit, track.description) == ("black", "percent", "black toner")


def test_silence_makes_a_run_of_its_own_and_says_why(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY)])
    store.record([silence(desk, MONDAY + HOUR)])
    store.record([silence(desk, MONDAY + 2 * HOUR)])
    state = store.contacts()[desk]
    assert (state.reachable, state.since, state.last) == (False, MONDAY + HOUR, MONDAY + 2 * HOUR)
    assert (state.answered, state.failure) == (MONDAY, "silent")
    assert "no answer" in state.error
    store.record([contact(desk, MONDAY + 3 * HOUR)])
    assert store.history(desk).contacts == (
        ContactRun(MONDAY, MONDAY, True),
        ContactRun(MONDAY + HOUR, MONDAY + 2 * HOUR, False),
        ContactRun(MONDAY + 3 * HOUR, MONDAY + 3 * HOUR, True),
    )
    assert levels(store.history(desk)) == [(MONDAY, 80)]
    assert store.contacts()[desk].failure is None


def test_long_pause_of_the_agent_is_no_contact(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY), contact(desk, MONDAY + DAY)])
    store.record([contact(desk, MONDAY + 4 * DAY)])
    assert store.history(desk).contacts == (
        ContactRun(MONDAY, MONDAY + DAY, True),
        ContactRun(MONDAY + 4 * DAY, MONDAY + 4 * DAY, True),
    )


def test_supply_that_vanishes_and_comes_back_keeps_one_track(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY, supplies=(toner(50), waste(10)))])
    store.record([contact(desk, MONDAY + HOUR, supplies=(toner(50),))])
    assert {supply.key for supply in store.latest()[desk].supplies} == {"toner:black"}
    store.record([contact(desk, MONDAY + 2 * HOUR, supplies=(toner(50), waste(10)))])
    store.record([contact(desk, MONDAY + 3 * HOUR, supplies=(toner(50), waste(9)))])
    assert levels(store.history(desk), "wasteToner") == [(MONDAY, 10), (MONDAY + 3 * HOUR, 9)]


def test_supply_that_vanished_within_a_batch_is_gone_from_the_latest_reading(store: Store) -> None:
    (desk,) = furnished(store)
    with_waste, without = (toner(50), waste(10)), (toner(50),)
    store.record([contact(desk, MONDAY, supplies=with_waste)])
    store.record(
        [contact(desk, MONDAY + HOUR, supplies=with_waste), contact(desk, MONDAY + 2 * HOUR, supplies=without)]
    )
    store.record([contact(desk, MONDAY + 3 * HOUR, supplies=without)])
    assert store.latest()[desk].supplies == without
    late = SeenSupply("wasteToner", "wasteToner", RECEPTACLE, None, "percent", Mark.UNKNOWN, 10)
    store.observe([Observation(MONDAY + 150 * MINUTE, desk, (late,))])
    assert store.latest()[desk].supplies == without
    assert levels(store.history(desk), "wasteToner") == [(MONDAY, 10)]


def test_supply_in_another_unit_has_another_track_and_the_one_in_use_comes_last(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY, supplies=(toner(500, unit="tenthsOfGrams", capacity=900),))])
    store.record([contact(desk, MONDAY + HOUR, supplies=(toner(55),))])
    assert [(track.key, track.unit) for track in store.history(desk).supplies] == [
        ("toner:black", "tenthsOfGrams"),
        ("toner:black", "percent"),
    ]


def test_two_supplies_of_one_name_do_not_stop_the_sweep(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY, supplies=(toner(50), toner(20)))])
    store.record([contact(desk, MONDAY + HOUR, supplies=(toner(49), toner(20)))])
    assert levels(store.history(desk)) == [(MONDAY, 50), (MONDAY + HOUR, 49)]


def test_new_description_is_kept_without_a_new_track(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY, supplies=(toner(50),))])
    big = dataclasses.replace(toner(90), description="black toner XL")
    store.record([contact(desk, MONDAY + HOUR, supplies=(big,))])
    (track,) = store.history(desk).supplies
    assert (track.description, len(track.points)) == ("black toner XL", 2)


def test_status_is_kept_when_it_changes(store: Store) -> None:
    (desk,) = furnished(store)
    for minute, status in enumerate(("idle", "idle", "printing", "printing", "idle")):
        store.record([contact(desk, MONDAY + minute * MINUTE, status=status)])
    found = store.status_history(desk)
    assert [(point.at - MONDAY, point.printer_status) for point in found] == [
        (0 * MINUTE, "idle"),
        (2 * MINUTE, "printing"),
        (4 * MINUTE, "idle"),
    ]
    store.record([dataclasses.replace(contact(desk, MONDAY + HOUR), reading=full_reading(MONDAY + HOUR))])
    last = store.status_history(desk)[-1]
    whole = full_reading(MONDAY + HOUR)
    assert (last.errors, last.console, last.alerts) == (whole.errors, whole.console, whole.alerts)


def test_history_between_two_moments_begins_with_what_was_in_force(store: Store) -> None:
    (desk,) = furnished(store)
    for day in range(10):
        store.record([contact(desk, MONDAY + day * DAY, 80 - 5 * (day // 2), 1000 + day)])
    part = store.history(desk, MONDAY + 3 * DAY, MONDAY + 6 * DAY)
    assert levels(part) == [(MONDAY + 2 * DAY, 75), (MONDAY + 4 * DAY, 70), (MONDAY + 6 * DAY, 65)]
    assert counts(part)[0] == (MONDAY + 3 * DAY, 1003)
    assert part.contacts == (ContactRun(MONDAY + 3 * DAY, MONDAY + 6 * DAY, True),)
    assert store.history(desk, until=MONDAY - DAY).supplies == ()


def test_all_of_a_reading_is_there_after_a_restart(store: Store, url: str) -> None:
    (desk,) = furnished(store)
    whole = full_reading(MONDAY)
    store.record([dataclasses.replace(contact(desk, MONDAY), reading=whole)])
    store.close()
    with Store.open(url, create=False) as again:
        assert again.latest() == {desk: whole}
        later = dataclasses.replace(whole, at=MONDAY + HOUR, system=dataclasses.replace(whole.system, uptime=9))
        again.record([dataclasses.replace(contact(desk, MONDAY + HOUR), reading=later)])
        again.record([silence(desk, MONDAY + 2 * HOUR)])
        found = again.latest([desk])[desk]
        assert found.at == MONDAY + HOUR
        assert found.supplies == whole.supplies
        assert found.counters == whole.counters
        assert again.latest([desk + 1]) == {}


def test_unchanged_contacts_after_a_restart_write_no_points(store: Store, url: str) -> None:
    ids = furnished(store, 3)
    store.record([contact(one, MONDAY) for one in ids])
    before = everything(url)
    store.close()
    with Store.open(url) as again:
        again.record([contact(one, MONDAY + HOUR) for one in ids])
    after = everything(url)
    for name in ("supply_point", "counter_point", "status_point", "supply", "counter"):
        assert after[name] == before[name]
    assert [row[2] - row[1] for row in after["contact_run"]] == [3_600_000_000] * 3


def test_what_was_noticed_is_in_the_ledger_of_the_same_transaction(store: Store, url: str) -> None:
    (desk,) = furnished(store)
    noticed = LedgerEntry(MONDAY, "counterReset", "the life count fell from 9 to 1", desk, "life", data={"from": 9})
    done = store.record([dataclasses.replace(contact(desk, MONDAY), ledger=(noticed,))])
    assert store.ledger(desk) == done.ledger
    assert done.ledger[0] == dataclasses.replace(noticed, id=done.ledger[0].id)
    before = everything(url)
    bad = dataclasses.replace(contact(desk, MONDAY + HOUR, 70), ledger=(dataclasses.replace(noticed, printer_id=999),))
    with pytest.raises(StoreRejected):
        store.record([bad])
    assert everything(url) == before
    store.record([contact(desk, MONDAY + HOUR, 70)])
    assert levels(store.history(desk))[-1] == (MONDAY + HOUR, 70)


def test_contact_of_an_unknown_printer_is_refused_with_its_number(store: Store) -> None:
    (desk,) = furnished(store)
    with pytest.raises(StoreRejected, match="no printer 77"):
        store.record([contact(desk, MONDAY), contact(77, MONDAY)])
    assert store.contacts() == {}


def test_moment_without_an_offset_is_refused(store: Store) -> None:
    (desk,) = furnished(store)
    with pytest.raises(StoreRejected, match="offset"):
        store.record([contact(desk, MONDAY.replace(tzinfo=None))])


def test_hostile_strings_and_numbers_are_kept_or_refused_whole(store: Store) -> None:
    (desk,) = furnished(store)
    nasty = dataclasses.replace(
        toner(5), key="toner:\x00'; DROP TABLE printer; --", description="a\x00b\ud800" + "x" * 5000
    )
    for hour in range(3):
        store.record([contact(desk, MONDAY + hour * HOUR, supplies=(nasty,), console=("\x00\ud83d",))])
    (track,) = store.history(desk).supplies
    assert track.key == "toner:'; DROP TABLE printer; --"
    assert len(track.points) == 1
    absurd = (Counter("life", "impressions", 2**80),)
    with pytest.raises(StoreRejected):
        store.record([contact(desk, MONDAY + 4 * HOUR, counters=absurd)])
    assert counts(store.history(desk)) == [(MONDAY, 1000)]


def test_observations_from_elsewhere_fill_the_history_before_the_agent(store: Store, url: str) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY, 40, 5000), contact(desk, MONDAY + HOUR, 39, 5001)])

    def seen(day: int) -> Observation:
        supply = SeenSupply("toner:black", "toner", CONSUMED, "black", "percent", 100, 90 - day)
        return Observation(MONDAY - (50 - day) * DAY, desk, (supply,), 4000 + 10 * day)

    rows = [seen(day) for day in range(50)]
    assert store.observe(rows) > 0
    history = store.history(desk)
    assert levels(history)[:2] == [(MONDAY - 50 * DAY, 90), (MONDAY - 49 * DAY, 89)]
    assert levels(history)[-2:] == [(MONDAY, 40), (MONDAY + HOUR, 39)]
    before = everything(url)
    assert store.observe(rows) == 0
    assert store.observe(list(reversed(rows))) == 0
    assert everything(url) == before
    assert store.latest()[desk].supplies == reading(MONDAY, 39).supplies
    store.record([contact(desk, MONDAY + 2 * HOUR, 39, 5001)])
    assert levels(store.history(desk)) == levels(history)
