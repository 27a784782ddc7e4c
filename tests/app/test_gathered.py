"""A mapping that never changes, and others made of it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as some

from agent.app.gathered import Gathered


@given(some.lists(some.tuples(some.integers(0, 400_000), some.integers())))
def test_it_holds_what_a_dict_would_hold_in_the_order_of_the_numbers(entries: list[tuple[int, int]]) -> None:
    made: Gathered[int] = Gathered()
    for number, value in entries:
        made = made.plus(number, value)
    assert list(made.items()) == sorted(dict(entries).items())
    assert len(made) == len(dict(entries))


def test_the_one_before_stays_as_it_was() -> None:
    before = Gathered[str]().plus(1, "one").plus(128, "in the same heap")
    after = before.plus(1, "another").only(lambda number: number == 1)
    assert dict(before) == {1: "one", 128: "in the same heap"}
    assert dict(after) == {1: "another"}


def test_what_is_not_there_is_said_so() -> None:
    made: Gathered[str] = Gathered()
    assert 5 not in made
    assert made.get(5) is None
    with pytest.raises(KeyError):
        made[5]
