"""How much paper is there, in words."""

from __future__ import annotations

import pytest

from agent.model.reading import Amount, Mark
from agent.web.words import room_words


@pytest.mark.parametrize(
    ("amount", "capacity", "said"),
    [
        (40, 250, "40 of 250 sheets"),
        (0, 250, "0 of 250 sheets"),
        (40, Mark.UNKNOWN, "40 sheets"),
        (Mark.SOME, 250, "some of 250 sheets"),
        (Mark.SOME, Mark.UNKNOWN, "some"),
        (Mark.UNKNOWN, 250, "unknown"),
        (Mark.UNKNOWN, Mark.UNKNOWN, "unknown"),
        (Mark.OTHER, Mark.OTHER, "no limit"),
    ],
)
def test_paper_is_told_as_far_as_the_printer_tells_it(amount: Amount, capacity: Amount, said: str) -> None:
    assert room_words(amount, capacity, "sheets") == said
