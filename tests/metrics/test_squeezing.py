"""Pages squeezed from texts and from what was squeezed earlier are what any reader of gzip takes them for."""

from __future__ import annotations

import gzip
import random
import zlib
from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as some

from agent.metrics import Metrics
from agent.metrics.squeezing import Stream, joined, power, product, segment
from tests.metrics.fleet import NOW, snapshot, supply, view


def opened(squeezed: bytes) -> bytes:
    """As a reader that takes one stream and no more."""
    press = zlib.decompressobj(16 + zlib.MAX_WBITS)
    text = press.decompress(squeezed)
    assert press.eof, "it has an end, with the right checksum and size"
    assert not press.unused_data
    return text


@given(some.lists(some.tuples(some.booleans(), some.binary(max_size=300), some.integers(1, 4_000))))
def test_texts_and_segments_in_any_order_come_out_as_they_went_in(parts: list[tuple[bool, bytes, int]]) -> None:
    stream, whole, pieces = Stream(), b"", []
    for spliced, text, times in parts:
        if spliced:
            stream.splice(segment(text * times))
        else:
            stream.add(text * times)
        whole += text * times
        pieces.append(stream.piece())
    assert opened(b"".join(pieces) + stream.end()) == whole


def test_a_segment_may_stand_in_several_streams_and_twice_in_one() -> None:
    again = segment(b"lowmark_supply_capacity 100\n" * 50)
    stream = Stream()
    for _ in range(3):
        stream.splice(again)
        stream.add(b"between\n")
    told = b"lowmark_supply_capacity 100\n" * 50 + b"between\n"
    assert gzip.decompress(stream.end()) == 3 * told


def test_pieces_are_large() -> None:
    rng = random.Random(5)
    stream = Stream()
    pieces = []
    for _ in range(20):
        stream.add(rng.randbytes(100_000))  # nothing of it can be squeezed
        if piece := stream.piece():
            pieces.append(piece)
    assert 1 < len(pieces) < 8
    assert min(map(len, pieces)) >= 100_000


@given(some.binary(max_size=200), some.binary(max_size=200))
def test_the_checksum_of_two_texts_is_that_of_zlib(one: bytes, other: bytes) -> None:
    assert joined(zlib.crc32(one), segment(other)) == zlib.crc32(one + other)


@given(some.integers(0, 10**9), some.integers(0, 10**9))
def test_powers_multiply_as_their_exponents_add(one: int, other: int) -> None:
    assert product(power(one), power(other)) == power(one + other)


def test_a_squeezed_page_is_the_page_whatever_has_changed_since_the_one_before() -> None:
    rng = random.Random(3)
    state = {"now": snapshot(*(view(number) for number in range(1, 1_051)))}
    metrics = Metrics(lambda: state["now"])
    for step in range(8):
        views = dict(state["now"].views)
        for number in rng.sample(list(views), 25):
            old = views[number]
            assert old.reading is not None
            views[number] = (
                replace(old, reading=replace(old.reading, at=NOW + timedelta(minutes=step))),
                replace(old, reachable=not old.reachable),
                view(number, f"moved {step}"),
                replace(old, reading=replace(old.reading, supplies=(supply("toner:black", step, capacity=9),))),
            )[step % 4]
        if step == 5:
            views.pop(7)
        state["now"] = replace(state["now"], views=views)
        for accept in (None, "application/openmetrics-text"):
            page, _ = metrics.stream(accept)
            assert opened(b"".join(page.squeezed())) == metrics.render(accept)[0]


def test_what_has_not_changed_is_neither_written_nor_squeezed_again() -> None:
    views = {number: view(number) for number in range(1, 21)}
    metrics = Metrics(lambda: snapshot(*views.values()))
    first = b"".join(metrics.stream()[0].squeezed())
    before = {key: block.segment for key, block in metrics._lines._blocks.items()}
    assert before
    views = {number: view(number, at=NOW + timedelta(minutes=1)) for number in views}
    second = b"".join(metrics.stream()[0].squeezed())
    after = {key: block.segment for key, block in metrics._lines._blocks.items()}
    assert opened(first) != opened(second)
    assert all(after[key] is one for key, one in before.items())
    for _ in range(10):
        metrics.prepare()
    assert not metrics._lines._blocks, "nobody asks, so nothing is kept"
