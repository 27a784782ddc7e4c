"""The shelf out of the ledger: counted in and out, swaps once, recounts, orders, and what cannot be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import permutations

import pytest

from agent.insight.shelf import Shelf, state
from agent.model.fleet import LedgerEntry, Place, Printer
from agent.model.shelf import PlaceRule, ShelfState, SparePart
from agent.model.upkeep import Plan

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
BLACK = SparePart("TG-40K", models=("Tallgrass M40",), supplies=("toner:black",))
DRUM = SparePart("TG-DR", models=("Tallgrass*",), supplies=("opc",))
KIT = SparePart("KIT")
PRINTERS = {
    1: Printer(1, "desk-1", "127.0.0.1", model="Tallgrass M40", place=Place("Main library")),
    2: Printer(2, "desk-2", "127.0.0.2", model="Tallgrass M40", place=Place("Depot")),
}
SHELF = Shelf((BLACK, DRUM, KIT), (PlaceRule("Cupboard 3", ("Main*",)), PlaceRule("Depot shelf")), (), PRINTERS)


def entry(day: float, kind: str, subject: str, printer: int | None = None, **data: object) -> LedgerEntry:
    return LedgerEntry(MONDAY + timedelta(days=day), kind, "", printer, subject, "Night desk", data)  # type: ignore[arg-type]


def into(day: float, count: int, part: str = "TG-40K", place: str = "Cupboard 3") -> LedgerEntry:
    return entry(day, "shelfCountedIn", part, place=place, count=count)


def after(*entries: LedgerEntry, day: float = 100, shelf: Shelf = SHELF) -> ShelfState:
    return state(shelf, entries, MONDAY + timedelta(days=day))[0]


def lying(found: ShelfState) -> dict[str, int]:
    return {f"{one.part} {one.place}": one.count for one in found.stock}


def test_counted_in_and_out_and_counted_again():
    entries = (into(0, 5), entry(1, "shelfCountedOut", "TG-40K", place="Cupboard 3", count=2), into(2, 1))
    assert lying(after(*entries)) == {"TG-40K Cupboard 3": 4}
    again = entry(3, "shelfRecounted", "TG-40K", place="Cupboard 3", count=7)
    found = after(*entries, again, into(4, 1))
    assert lying(found) == {"TG-40K Cupboard 3": 8}
    assert found.stock[0].counted == MONDAY + timedelta(days=4)


def test_the_order_of_the_entries_does_not_matter():
    entries = (
        into(0, 5),
        entry(2, "swapSeen", "toner:black", 1),
        entry(1, "shelfRecounted", "TG-40K", place="Cupboard 3", count=3),
    )
    assert {tuple(lying(after(*some)).values()) for some in permutations(entries)} == {(2,)}


def test_nothing_after_the_moment_counts():
    assert lying(after(into(0, 5), into(9, 4), day=8)) == {"TG-40K Cupboard 3": 5}


def test_a_swap_takes_the_part_that_fits_from_the_place_that_serves_the_site():
    entries = (into(0, 5), into(0, 5, place="Depot shelf"))
    found = after(*entries, entry(1, "swapSeen", "toner:black", 1), entry(2, "service", "toner:black", 2))
    assert lying(found) == {"TG-40K Cupboard 3": 4, "TG-40K Depot shelf": 4}


@pytest.mark.parametrize("hours", [-50, -1, 1, 50])
def test_a_swap_seen_and_logged_takes_one(hours):
    seen = entry(5, "swapSeen", "toner:black", 1)
    logged = entry(5 + hours / 24, "service", "toner:black", 1)
    assert lying(after(into(0, 5), seen, logged)) == {"TG-40K Cupboard 3": 4}


def test_two_swaps_in_two_printers_or_far_apart_take_two():
    assert lying(
        after(
            into(0, 5),
            entry(5, "swapSeen", "toner:black", 1),
            entry(5, "service", "toner:black", 2, place="Cupboard 3"),
        )
    ) == {"TG-40K Cupboard 3": 3}
    assert lying(after(into(0, 5), entry(5, "swapSeen", "toner:black", 1), entry(9, "service", "toner:black", 1))) == {
        "TG-40K Cupboard 3": 3
    }


def test_a_drum_whose_counter_is_set_back_a_week_later_is_one_drum():
    found = after(into(0, 5, "TG-DR"), entry(5, "service", "opc:black", 1), entry(12, "swapSeen", "opc:black", 1))
    assert lying(found) == {"TG-DR Cupboard 3": 4}


def test_what_the_service_says_wins():
    other = entry(1, "service", "toner:black", 1, part="TG-40X", place="Depot shelf")
    found = after(into(0, 5), into(0, 2, "TG-40X", "Depot shelf"), other)
    assert lying(found) == {"TG-40K Cupboard 3": 5, "TG-40X Depot shelf": 1}
    assert lying(after(into(0, 5), entry(1, "service", "toner:black", 1, fromShelf=False))) == {"TG-40K Cupboard 3": 5}


def test_a_planned_service_takes_what_the_plan_needs_and_its_swaps_nothing_more():
    shelf = Shelf(SHELF.parts, SHELF.places, (Plan("drum", renews=("opc",), needs=("TG-DR", "KIT")),), PRINTERS)
    entries = [
        into(0, 5, "TG-DR"),
        into(0, 5, "KIT"),
        entry(3, "service", "drum", 1),
        entry(3, "swapped", "opc:black", 1, plan="drum"),
        entry(3.1, "swapSeen", "opc:black", 1),
    ]
    wanted = {"KIT Cupboard 3": 4, "TG-DR Cupboard 3": 4}
    assert lying(after(*entries, shelf=shelf)) == wanted
    del entries[3]  # whoever logs only the plan means the same
    assert lying(after(*entries, shelf=shelf)) == wanted


def test_a_place_that_is_empty_is_not_where_it_came_from():
    found = after(into(0, 3, place="Depot shelf"), entry(1, "swapSeen", "toner:black", 1))
    assert lying(found) == {"TG-40K Depot shelf": 2}
    assert found.remarks == ()


# --- what cannot be --------------------------------------------------------------------------------------------------


def test_a_shelf_cannot_hold_less_than_nothing():
    found = after(into(0, 1), entry(1, "shelfCountedOut", "TG-40K", place="Cupboard 3", count=3), into(2, 2))
    assert lying(found) == {"TG-40K Cupboard 3": 2}
    (remark,) = found.remarks
    assert "3 taken on Tue 3 Mar 2026, but the books had 1 there" in remark.text
    assert 'lowmark shelf recount TG-40K N --place "Cupboard 3"' in remark.text


def test_a_part_that_nobody_counted_is_no_shortage():
    found = after(entry(1, "swapSeen", "toner:black", 1))
    assert (found.stock, found.remarks, found.is_counted("TG-40K")) == ((), (), False)


def test_where_several_parts_fit_nobody_guesses():
    twin = SparePart("TG-40X", models=("*",), supplies=("toner",))
    shelf = Shelf((BLACK, twin), SHELF.places, (), PRINTERS)
    found = after(into(0, 5), entry(1, "swapSeen", "toner:black", 1), shelf=shelf)
    assert lying(found) == {"TG-40K Cupboard 3": 5}
    assert "several parts fit (TG-40K, TG-40X)" in found.remarks[0].text


@pytest.mark.parametrize("count", [None, "4", -1, 2.5, True])
def test_an_entry_without_a_usable_count_is_left_out_and_said(count):
    found = after(into(0, 5), entry(1, "shelfCountedIn", "TG-40K", place="Cupboard 3", count=count))
    assert lying(found) == {"TG-40K Cupboard 3": 5}
    assert "no count that can be used" in found.remarks[0].text


def test_a_part_that_no_settings_name_is_kept_and_said():
    found = after(into(0, 5, "OLD-1"))
    assert lying(found) == {"OLD-1 Cupboard 3": 5}
    assert "no part of the settings has this name" in found.remarks[0].text


def test_a_swap_of_a_printer_that_is_gone_from_the_store_is_left_out():
    assert lying(after(into(0, 5), entry(1, "swapSeen", "toner:black", 77))) == {"TG-40K Cupboard 3": 5}


# --- orders ----------------------------------------------------------------------------------------------------------


def test_what_arrives_settles_the_oldest_orders_first():
    entries = (
        entry(0, "ordered", "TG-40K", count=4),
        entry(1, "ordered", "TG-40K", count=6),
        entry(4, "orderArrived", "TG-40K", place="Depot shelf", count=5),
    )
    found = after(*entries, day=5)
    assert lying(found) == {"TG-40K Depot shelf": 5}
    assert [(one.count, one.at) for one in found.orders] == [(5, MONDAY + timedelta(days=1))]
    assert found.orders[0].expected == MONDAY + timedelta(days=6)


def test_an_order_that_was_called_off_is_not_awaited():
    entries = (entry(0, "ordered", "TG-40K", count=4), entry(1, "orderWithdrawn", "TG-40K", count=3))
    assert [one.count for one in after(*entries, day=2).orders] == [1]
    more = after(*entries, entry(2, "orderWithdrawn", "TG-40K", count=3), day=2)
    assert more.orders == ()
    assert "2 called off" in more.remarks[0].text


def test_an_order_that_does_not_come_is_said():
    ordered = entry(0, "ordered", "TG-40K", count=4)
    assert after(ordered, day=10).remarks == ()  # five days, and three times two days more
    assert "ordered 12 days ago have not arrived" in after(ordered, day=12).remarks[0].text


def test_the_properties_of_a_shelf_hold_for_any_ledger():
    """Never below nothing, never more than was put there, whatever the order and however odd the entries."""
    from hypothesis import given
    from hypothesis import strategies as st

    kinds = [
        "shelfCountedIn",
        "shelfCountedOut",
        "shelfRecounted",
        "ordered",
        "orderArrived",
        "orderWithdrawn",
        "swapSeen",
        "service",
    ]
    one = st.builds(
        entry,
        st.integers(0, 90),
        st.sampled_from(kinds),
        st.sampled_from(["TG-40K", "toner:black", "KIT", ""]),
        st.sampled_from([None, 1, 2, 9]),
        count=st.one_of(st.integers(-2, 9), st.none()),
        place=st.sampled_from(["Cupboard 3", "", None]),
    )

    @given(st.lists(one, max_size=25))
    def holds(entries):
        found = after(*entries)
        put = sum(
            each.data["count"]
            for each in entries
            if each.kind in ("shelfCountedIn", "shelfRecounted", "orderArrived") and (each.data["count"] or 0) > 0
        )
        assert all(stock.count >= 0 for stock in found.stock)
        assert sum(stock.count for stock in found.stock) <= put
        assert all(order.count > 0 for order in found.orders)
        assert lying(found) == lying(after(*reversed(entries))) or _ties(entries)

    holds()


def _ties(entries: list[LedgerEntry]) -> bool:
    """Entries of one moment without an id have no order of their own."""
    moments = [one.at for one in entries]
    return len(set(moments)) < len(moments)
