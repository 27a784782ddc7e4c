"""What many have alike is kept once, and what is kept is bounded."""

from __future__ import annotations

from agent.model.once import Once


def another(text: str) -> bytes:
    """Equal octets, each time an object of their own."""
    return bytes(bytearray(text.encode()))


def test_the_first_of_equal_values_stands_for_all():
    once = Once(10)
    first = once(another("Tallgrass"))
    assert once(another("Tallgrass")) is first
    assert once(another("Quillon")) == b"Quillon"


def test_what_is_long_is_not_looked_for():
    once = Once(10, longest=4)
    short, long = once(another("four")), once(another("fives"))
    assert once(another("four")) is short
    assert once(another("fives")) is not long


def test_a_full_table_begins_anew():
    once = Once(3)
    first = once(another("a"))
    for text in ("b", "c", "d"):
        once(another(text))
    assert once(another("a")) is not first
