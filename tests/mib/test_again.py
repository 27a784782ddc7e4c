"""A reading made with the memory of the one before is the reading that the same cells give without it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.mib import oids, parts
from agent.mib.decode import decode, decode_again
from agent.mib.oddities import Oddity
from agent.mib.parts import Memory
from agent.model.reading import Reading
from agent.model.wire import Cells, Value
from tests.mib.invented import ADDRESS, AT, colour_printer
from tests.mib.test_anything import ODDITIES, any_oids, values

LEVEL = oids.PRT_SUPPLIES["prtMarkerSuppliesLevel"]
UP_TIME = oids.SYS_UP_TIME.oid + ".0"


def again(
    cells: Cells, before: Memory | None, device: int = 1, oddities: Sequence[Oddity] = ()
) -> tuple[Reading, Memory | None]:
    """Decoded with the memory, and checked against what comes of it without."""
    reading, memory = decode_again(cells, before, at=AT, address=ADDRESS, device_index=device, oddities=oddities)
    fresh = decode(cells, at=AT, address=ADDRESS, device_index=device, oddities=oddities)
    assert reading == fresh
    assert repr(reading) == repr(fresh)  # equal values of one type
    return reading, memory


@settings(max_examples=150)
@given(st.data())
def test_a_printer_whose_cells_move_come_and_go_gives_the_same_with_memory_or_without(data: st.DataObject) -> None:
    cells = colour_printer()
    if data.draw(st.booleans()):
        cells |= {oid.replace(".1.1", ".1.3"): value for oid, value in colour_printer(2).items()}
    memory = None
    for _ in range(5):
        names = st.sampled_from(sorted(cells))
        for oid in data.draw(st.lists(names, max_size=3)):
            cells[oid] = data.draw(st.one_of(values, st.sampled_from(list(cells.values()))))
        for oid in data.draw(st.lists(names, max_size=1)) if data.draw(st.integers(0, 4)) == 0 else ():
            cells.pop(oid, None)
        oddities = data.draw(st.sampled_from([(), (), ODDITIES]))
        _, memory = again(dict(cells), memory, data.draw(st.sampled_from([1, 1, 1, 2])), oddities)


@settings(max_examples=150)
@given(st.dictionaries(any_oids, values, max_size=25), st.data())
def test_so_does_anything_else_that_answers(cells: dict[str, Value], data: st.DataObject) -> None:
    memory = None
    for _ in range(3):
        for oid in data.draw(st.lists(st.sampled_from(sorted(cells)), max_size=3)) if cells else ():
            cells[oid] = data.draw(values)
        _, memory = again(dict(cells), memory, data.draw(st.integers(0, 2)))


@pytest.mark.parametrize("oid", sorted(colour_printer()))
def test_whichever_cell_moves_the_reading_says_so(oid: str) -> None:
    cells = colour_printer()
    _, memory = again(cells, None)
    for value in (7, 1, b"\x00\x10", b"other words", "1.3.6.1.2.1.25.3.1.99"):
        _, memory = again(cells | {oid: value}, memory)


def test_parts_in_which_no_cell_moved_are_the_same_objects() -> None:
    cells = colour_printer()
    before, memory = again(cells, None)
    after, _ = again(cells | {UP_TIME: 8_640_100, f"{LEVEL}.1.1": 999}, memory)
    assert after.system.uptime == 8_640_100
    assert after.supplies[0].level == 999
    for kept in ("trays", "bins", "covers", "markers", "lights", "alerts", "counters", "console"):
        assert getattr(after, kept) is getattr(before, kept)


def test_equal_cells_in_other_objects_have_not_moved() -> None:
    cells = colour_printer()
    before, memory = again(cells, None)
    copied = {oid: bytes(bytearray(value)) if isinstance(value, bytes) else value for oid, value in cells.items()}
    after, _ = again(copied, memory)
    assert after.supplies is before.supplies


def test_cells_of_absurd_size_or_number_are_not_remembered() -> None:
    cells = colour_printer()
    _, memory = again(cells, None)
    assert memory is not None
    assert again(cells | {f"{LEVEL}.1.1": b"x" * 5_000}, memory)[1] is None
    assert again(cells | {f"{LEVEL}.1.1": 10**50}, memory)[1] is None
    many = {f"{oids.PRT_ALERT['prtAlertCode']}.1.{index}": 8 for index in range(1, 3_001)}
    assert again(cells | many, memory)[1] is None


def test_every_column_has_a_part() -> None:
    columns = [column.oid for column in (*oids.SCALARS, *(c for t in oids.TABLES for c in t.columns.values()))]
    assert {len(parts.of_cell(f"{column}.0")) for column in columns[:5]} == {1}
    assert all(parts.of_cell(f"{column}.1.1") for column in columns)
    assert parts.of_cell("1.3.6.1.9.9") == parts.ALL
