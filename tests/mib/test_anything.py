"""A printer is untrusted: whatever it answers, decoding gives a Reading and no exception."""

from __future__ import annotations

import math
import sys
from dataclasses import fields

from hypothesis import given, settings
from hypothesis import strategies as st

from agent.mib import oids, plan
from agent.mib.decode import decode, devices
from agent.mib.explain import explain
from agent.mib.oddities import MarkerFix, Oddity, SupplyFix
from agent.model.reading import Mark, Reading
from agent.model.wire import Value
from tests.mib.invented import ADDRESS, AT, colour_printer

COLUMNS = [column.oid for column in (*oids.SCALARS, *(c for t in oids.TABLES for c in t.columns.values()))]

JOINERS = {0x200C: None, 0x200D: None}  # kept, as some scripts need them

values: st.SearchStrategy[Value] = st.one_of(
    st.integers(-5, 130),
    st.integers(-(2**70), 2**70),
    st.just(10**5000),  # more digits than Python turns into text
    st.binary(max_size=40),
    st.binary(min_size=1100, max_size=1200),
    st.text(max_size=20),
    st.sampled_from(["1.3.6.1.2.1.25.3.1.5", "0.0", ""]),
)
sub_ids = st.one_of(
    st.integers(0, 4).map(str), st.integers(0, 2**33).map(str), st.sampled_from(["", "01", "-1", "²", "x"])
)
instances = st.lists(sub_ids, max_size=4).map(".".join)
known_oids = st.tuples(st.sampled_from(COLUMNS), instances).map(".".join)
any_oids = st.one_of(known_oids, known_oids, st.lists(sub_ids, max_size=15).map(".".join), st.text(max_size=20))

ODDITIES = (
    Oddity(
        "a", "b", ("1.3",), (SupplyFix(level_is="fill", level_times=7), SupplyFix(level_in="percent", kind="fuser"))
    ),
    Oddity(
        "c", "d", (), (SupplyFix(unknown_levels=frozenset({1, 2}), capacity_times=100_000),), MarkerFix("sheets", 10)
    ),
)


def check(reading: Reading) -> None:
    """What every Reading promises."""
    for supply in reading.supplies:
        for amount in (supply.level, supply.capacity):
            assert isinstance(amount, Mark) or 0 <= amount < 2**31
        assert supply.fraction is None or 0.0 <= supply.fraction <= 1.0
    assert len({supply.key for supply in reading.supplies}) == len(reading.supplies)
    for tray in reading.trays:
        assert isinstance(tray.level, Mark) or tray.level >= 0
    for counter in reading.counters:
        assert 0 <= counter.value < counter.wraps_at
    assert reading.pages_per_minute is None or math.isfinite(reading.pages_per_minute)
    hash(reading)
    repr(reading)


@settings(max_examples=300)
@given(st.dictionaries(any_oids, values, max_size=40), st.integers(-1, 5))
def test_any_cells_give_a_reading(cells: dict[str, Value], device: int) -> None:
    for oddities in ((), ODDITIES):
        check(decode(cells, at=AT, address=ADDRESS, device_index=device, oddities=oddities))
    for found in devices(cells):
        check(decode(cells, at=AT, address=ADDRESS, device_index=found))
    kept = plan.keep(cells)
    assert set(kept) <= cells.keys()
    assert plan.must_learn_again(cells, cells) is None
    for line in explain(cells, device):
        assert f"{line.name}{line.raw}{line.meaning}".translate(JOINERS).isprintable()


@settings(max_examples=200)
@given(st.data())
def test_a_printer_gone_wild_in_a_few_cells_still_gives_a_reading(data: st.DataObject) -> None:
    cells = colour_printer()
    for oid in data.draw(st.lists(st.sampled_from(sorted(cells)), max_size=8)):
        cells[oid] = data.draw(values)
    for oid in data.draw(st.lists(st.sampled_from(sorted(cells)), max_size=8)):
        cells.pop(oid, None)
    check(decode(cells, at=AT, address=ADDRESS, device_index=1))
    explain(cells, 1)


@given(st.randoms(use_true_random=False))
def test_the_order_of_the_answers_does_not_matter(random: object) -> None:
    cells = colour_printer()
    shuffled = sorted(cells)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    given_order, other = (
        decode(some, at=AT, address=ADDRESS, device_index=1) for some in (cells, {oid: cells[oid] for oid in shuffled})
    )
    assert given_order == other


def test_huge_values_are_cut_before_they_are_remembered() -> None:
    cells = colour_printer()
    description = oids.PRT_SUPPLIES["prtMarkerSuppliesDescription"] + ".1.1"
    huge = bytes(range(65, 91)) * 40_000
    held = sys.getrefcount(huge)
    cells[description] = huge
    cells[oids.PRT_SUPPLIES["prtMarkerSuppliesLevel"] + ".1.1"] = 10**5000
    reading = decode(cells, at=AT, address=ADDRESS, device_index=1)
    assert reading.supplies[0].description == huge[:255].decode()
    assert reading.supplies[0].level is Mark.UNKNOWN
    del cells
    assert sys.getrefcount(huge) == held


def test_thousands_of_rows_are_read_without_being_remembered() -> None:
    cells = {f"{oids.PRT_ALERT['prtAlertCode']}.1.{index}": 8 for index in range(1, 3001)}
    reading = decode(cells, at=AT, address=ADDRESS, device_index=1)
    assert len(reading.alerts) == 3000
    assert {alert.code for alert in reading.alerts} == {"jam"}


def test_every_field_of_a_reading_is_given() -> None:
    reading = decode(colour_printer(), at=AT, address=ADDRESS, device_index=1)
    empty = {f.name for f in fields(reading) if not getattr(reading, f.name)}
    assert empty == {"remarks"}
