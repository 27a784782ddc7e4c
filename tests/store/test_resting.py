"""What the store remembers of a printer at rest is, to the last value, what it remembered in use, in far less room."""

from __future__ import annotations

import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from agent.store.resting import rest
from agent.store.state import LastKnown

words = st.text(max_size=8)
numbers = st.integers(-(2**63), 2**63 - 1)
maybe = st.none() | numbers
names = st.tuples(words, words)


@st.composite
def states(draw: st.DrawFn) -> LastKnown:
    supplies = draw(st.dictionaries(names, numbers, max_size=5).filter(lambda one: len(set(one.values())) == len(one)))
    counters = draw(st.dictionaries(names, numbers, max_size=3).filter(lambda one: len(set(one.values())) == len(one)))
    return LastKnown(
        draw(numbers), draw(maybe), draw(numbers), draw(st.booleans()), draw(st.none() | words), draw(words),
        draw(maybe), supplies,
        {one: draw(st.tuples(words, words, st.none() | words, words)) for one in supplies.values()},
        counters,
        {one: draw(st.tuples(numbers, numbers)) for one in supplies.values() if draw(st.booleans())},
        {one: draw(numbers) for one in counters.values() if draw(st.booleans())},
        draw(st.none() | words), draw(maybe),
    )  # fmt: skip


@given(states())
def test_what_rests_awakes_as_it_was(state: LastKnown) -> None:
    assert rest(state).awake() == state
    assert rest(rest(state).awake()).awake() == state


@given(states(), st.data())
def test_what_was_told_meanwhile_rests_too(state: LastKnown, data: st.DataObject) -> None:
    awake = rest(state).awake().copy()
    awake.levels = {one: data.draw(st.tuples(numbers, numbers)) for one in awake.facts if data.draw(st.booleans())}
    awake.counts = {one: data.draw(numbers) for one in awake.counts}
    awake.last = data.draw(numbers)
    assert rest(awake).awake() == awake


def known(printer_id: int) -> LastKnown:
    """As it is read back from the store: every word an object of its own, but for those that ``state`` shares."""
    first = printer_id * 100_000
    keys = [f"toner:{colour}" for colour in ("black", "cyan", "magenta", "yellow")]
    return LastKnown(
        printer_id, first, first + 60, True, answered=first + 60,
        supplies={(key, "percent"): first + at for at, key in enumerate(keys)},
        facts={first + at: ("toner", "supplyThatIsConsumed", key[6:], "Toner") for at, key in enumerate(keys)},
        counters={("life", "impressions"): first},
        levels={first + at: (8_000 + at, 10_000) for at in range(len(keys))},
        counts={first: first + 7}, status='{"printer_status": "idle"}', snapshot_at=first,
    )  # fmt: skip


def test_a_printer_at_rest_takes_less_than_700_octets() -> None:
    at_rest = {0: rest(known(0))}
    tracemalloc.start()
    for printer_id in range(1, 501):
        at_rest[printer_id] = rest(known(printer_id))
    taken, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert taken / 500 < 700  # in use they take twice as much
