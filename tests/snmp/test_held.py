"""Cells held in a row are, to whoever reads them, the dict they stand for; of each printer only values are kept."""

from __future__ import annotations

import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from agent.mib import plan
from agent.model.wire import Value
from agent.snmp.alike import alike
from agent.snmp.held import Held, shape_of
from tests.mib.invented import colour_printer

NAMES = tuple(plan.keep(colour_printer()))
values = st.integers(-(2**31), 2**64 - 1) | st.binary(max_size=5) | st.sampled_from(["0.0", "1.3.6.1.4.1.32473.1"])
cells = st.lists(values, min_size=len(NAMES), max_size=len(NAMES)).map(lambda row: dict(zip(NAMES, row, strict=True)))
some = st.sampled_from([NAMES, shape_of(NAMES, 30).fast]) | st.lists(st.sampled_from(NAMES), unique=True).map(tuple)


@given(cells, some, st.data())
def test_what_is_held_is_the_dict_with_what_was_found_since(
    before: dict[str, Value], found: tuple[str, ...], data: st.DataObject
) -> None:
    held = Held(shape_of(NAMES, 30), tuple(before.values()))
    now = {name: data.draw(values) for name in found}
    after = held.having(now)
    assert dict(held) == before
    assert list(after.items()) == list((before | now).items())
    assert after.values() == tuple((before | now).values())
    assert [type(value) for value in after.values()] == [type(value) for value in (before | now).values()]
    assert (found[0] if found else NAMES[0]) in after
    assert "1.3.6.1" not in after
    assert after.get("1.3.6.1") is None
    assert len(after) == len(before)
    assert after.telling() == {name: value for name, value in after.items() if plan.tells(name)}


def test_a_shape_is_made_once_and_asks_for_each_cell_once() -> None:
    shape = shape_of(NAMES, 7)
    assert shape is shape_of(tuple(iter(NAMES)), 7)
    assert [oid for get in shape.full_gets for oid in get] == list(NAMES)
    assert [oid for get in shape.fast_gets for oid in get] == [oid for oid in NAMES if plan.is_fast(oid)]
    assert max(map(len, shape.full_gets)) == 7


@given(st.lists(st.none() | values))
def test_alike_values_stay_what_they_are(row: list[Value | None]) -> None:
    made = alike(row)
    assert list(made) == row
    assert list(map(type, made)) == list(map(type, row))


def test_alike_values_of_many_printers_are_one_object() -> None:
    first, second = (
        alike([bytes(bytearray(b"Black Toner")), int("70000"), bytes([65, number]) * 40]) for number in (1, 2)
    )
    assert first[0] is second[0]
    assert first[1] is second[1]
    assert first[2] != second[2]


def test_a_printer_among_others_of_its_model_takes_few_octets() -> None:
    def learnt(number: int) -> Held:
        own = {
            oid: bytes(bytearray(cell)) if isinstance(cell, bytes) else cell for oid, cell in colour_printer().items()
        }
        own["1.3.6.1.2.1.1.5.0"] = f"hl-{number:05}".encode()
        row = {oid: own[oid] for oid in NAMES}
        return Held(shape_of(tuple(row), 30), alike(row.values()))

    held = [learnt(0)]
    tracemalloc.start()
    held += [learnt(number) for number in range(1, 301)]
    taken, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert taken / 300 < 9 * len(NAMES) + 300  # a dict takes four times as much, and the values as much again
