"""The outline of a history says at each moment asked for what the whole history says."""

from __future__ import annotations

from bisect import bisect_right
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from agent.model.contact import Contact
from agent.model.fleet import LedgerEntry, Printer
from agent.model.grain import Grain
from agent.model.reading import Counter, Reading, Supply, System
from agent.store import Store
from agent.store.errors import StoreRejected

BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
END = BEGIN + timedelta(days=60)
# The clocks of summer time change within: midnights are not one even run.
DAYS = [BEGIN + timedelta(days=day, hours=-1 if day > 28 else 0) for day in range(61)]
LEVELS = [BEGIN + timedelta(hours=6 * step) for step in range(241)]


def readings(printer_id: int) -> list[Contact]:
    made = []
    for hour in range(0, 60 * 24, 2):
        at = BEGIN + timedelta(hours=hour, minutes=7)
        # The life counter falls once, in the middle of day 30: a new controller board.
        life = 1_000 + 3 * hour if hour < 724 else 3 * (hour - 724)
        toner = Supply("toner:black", 1, 1, "consumed", "toner", "Toner", "black", "percent", 100, 100 - hour // 3 % 90)
        counters = (Counter("life", "impressions", life, 2**32), Counter("mono", "impressions", life, 2**32))
        reading = Reading(at, "127.0.0.9", 1, System(), supplies=(toner,), counters=counters)
        made.append(Contact(at, printer_id, reachable=True, reading=reading))
    return made


@pytest.fixture
def filled(tmp_path: Path) -> tuple[Store, int]:
    store = Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}")
    printer = store.save_printer(Printer(0, "hl-01", "127.0.0.9"))
    other = store.save_printer(Printer(0, "hl-02", "127.0.0.10"))
    for one in (printer, other):
        store.record(readings(one.id))
    store.append_ledger([LedgerEntry(BEGIN + timedelta(days=day), "remark", str(day), printer.id) for day in range(50)])
    return store, printer.id


def test_at_each_moment_it_shows_the_level_of_the_whole_history(filled: tuple[Store, int]) -> None:
    store, number = filled
    whole = store.history(number, BEGIN, END)
    outline = store.outline(number, BEGIN, END, Grain([LEVELS], [DAYS], ("life", "total"), 5))
    assert len(outline.supplies) == 1
    all_points, points = whole.supplies[0].points, outline.supplies[0].points
    assert set(points) < set(all_points)
    assert [one.at for one in points] == sorted(one.at for one in points)
    compared = 0
    for at in LEVELS:
        place = bisect_right(all_points, at, key=lambda point: point.at)
        if place:
            assert points[bisect_right(points, at, key=lambda point: point.at) - 1] == all_points[place - 1]
            compared += 1
    assert compared > 200
    assert outline.contacts == whole.contacts
    assert outline.ledger == whole.ledger[-5:]


def test_one_counter_is_given_by_the_day_and_whole_where_it_fell(filled: tuple[Store, int]) -> None:
    store, number = filled
    outline = store.outline(number, BEGIN, END, Grain([LEVELS], [DAYS], ("life", "total"), 5))
    assert [one.name for one in outline.counters] == ["life"]
    points = outline.counters[0].points
    whole = next(one for one in store.history(number, BEGIN, END).counters if one.name == "life").points
    assert set(points) < set(whole)
    fell = max(range(1, len(whole)), key=lambda place: whole[place - 1].value - whole[place].value)
    assert whole[fell - 1] in points, "the last count before it fell"
    assert whole[fell] in points
    assert len(points) < 61 + 15


def test_a_printer_without_these_counters_tells_those_it_has(filled: tuple[Store, int]) -> None:
    store, number = filled
    outline = store.outline(number, BEGIN, END, Grain([LEVELS], [DAYS], ("sheets",), 5))
    assert {one.name for one in outline.counters} == {"life", "mono"}


def test_an_unknown_printer_is_refused(filled: tuple[Store, int]) -> None:
    with pytest.raises(StoreRejected):
        filled[0].outline(99, BEGIN, END, Grain([LEVELS], [DAYS], (), 5))


def test_contacts_of_some_printers_are_those_of_all(filled: tuple[Store, int]) -> None:
    store, number = filled
    store.record([Contact(END, number, reachable=False, failure="silent", error="No answer.")])
    every = store.contacts()
    assert len(every) == 2
    assert not every[number].reachable
    assert store.contacts([number]) == {number: every[number]}
    assert store.contacts([]) == {}
