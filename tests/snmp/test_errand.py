"""What a printer is asked all day leaves in one errand: one request in flight, each told apart, none taken on trust."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import itertools
import random
from collections.abc import AsyncIterator, Callable

import pytest

from agent.model.wire import Community, Garbled, Peer, Refused, Silent
from agent.snmp.gufo import GufoEngine
from agent.snmp.reader import Reader
from agent.snmp.wire import CellFault, NoSuchName, Told, open_engine
from tests.snmp import ber, printer
from tests.snmp.ber import Message, Typed, integer, octets
from tests.snmp.responder import Responder, answering

pytest.importorskip("gufo.snmp")

A, B, C = "1.3.6.1.2.1.1.1.0", "1.3.6.1.2.1.1.5.0", "1.3.6.1.2.1.1.6.0"
ALERTS = "1.3.6.1.2.1.43.18.1.1"
CELLS = {
    A: octets("one"),
    B: octets("two"),
    C: integer(3),
    f"{ALERTS}.2.1.1": integer(4),
    f"{ALERTS}.2.1.2": integer(5),
}
GETS = ((A, B), (C,))
ALL = Told([{A: b"one", B: b"two"}, {C: 3}], [(f"{ALERTS}.2.1.1", 4)], None)  # type: ignore[arg-type]
VERSIONS = pytest.mark.parametrize("version", ["1", "2c"])

Ask = Callable[[], "asyncio.Future[Told]"]


@contextlib.asynccontextmanager
async def errands(version: str = "2c", timeout: float = 0.3) -> AsyncIterator[tuple[Ask, Responder]]:
    engine = GufoEngine()
    async with answering(CELLS) as responder:
        peer = Peer("127.0.0.1", responder.port, Community(version), timeout=timeout)

        def ask() -> asyncio.Future[Told]:
            end = asyncio.get_running_loop().time() + 5
            return asyncio.ensure_future(engine.together(peer, GETS, (ALERTS, 1), timeout, end))

        try:
            yield ask, responder
        finally:
            await engine.close()


@VERSIONS
def test_all_is_asked_in_a_row_with_one_request_in_flight(run: Callable, version: str) -> None:
    async def main() -> None:
        async with errands(version) as (ask, responder):
            seen = []

            def slow(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
                seen.append(asyncio.get_running_loop().time())
                return [(0.05, answer)]

            responder.twist = slow
            assert await ask() == ALL
            assert [pdu == ber.GET for pdu in responder.pdus] == [True, True, False]
            assert all(later - earlier >= 0.045 for earlier, later in itertools.pairwise(seen))
            assert len({ber.read(data).request_id for data in responder.seen}) == 3

    run(main())


def change(version: str, moved: str, value: Typed) -> Callable:
    async def main() -> None:
        async with errands(version) as (ask, responder):
            assert await ask() == ALL
            responder.cells[moved] = value
            told = await ask()
            found = dict(told.cells[0]) | dict(told.cells[1])
            assert found == {A: b"one", B: b"two", C: 3} | {moved: int.from_bytes(value.octets)}
            assert await ask() == told

    return main


@VERSIONS
@pytest.mark.parametrize("value", [integer(9), integer(90_000), Typed(ber.COUNTER32, b"\x00\xff\xff\xff\xff")])
def test_what_moved_is_told_whatever_its_length_or_type(run: Callable, version: str, value: Typed) -> None:
    run(change(version, C, value)())


def test_a_late_double_or_foreign_answer_counts_for_nothing(run: Callable) -> None:
    def twist(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        forged = dataclasses.replace(ber.read(answer), request_id=request.request_id ^ 1, rows=((A, octets("lie")),))
        other = dataclasses.replace(ber.read(answer), community=b"other", rows=((A, octets("lie")),))
        return [(0, ber.write(forged)), (0, ber.write(other)), (0.02, answer), (0.02, answer), (0.03, answer)]

    async def main() -> None:
        async with errands() as (ask, responder):
            responder.twist = twist
            for _ in range(4):
                assert await ask() == ALL

    run(main())


def spoil(place: int, how: Callable[[Message, bytes], list[tuple[float, bytes]]]) -> Callable:
    """Answer honestly but for the question at ``place`` of each three."""
    count = iter(range(10**6))
    return lambda request, answer: how(request, answer) if next(count) % 3 == place else [(0, answer)]


@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize(
    ("how", "failure"),
    [
        (lambda *_: [], Silent),
        (lambda _, answer: [(0, answer[:-2])], Garbled),
        (lambda request, _: [(0, ber.answer(request, request.rows, ber.GEN_ERR, 1))], CellFault),
    ],
)
def test_a_failure_ends_it_and_what_came_before_is_kept(
    run: Callable, place: int, how: Callable, failure: type[Exception]
) -> None:
    async def main() -> None:
        async with errands(timeout=0.15) as (ask, responder):
            assert await ask() == ALL
            responder.twist = spoil(place, how)
            responder.seen.clear()
            told = await ask()
            assert list(told.cells) == list(ALL.cells)[:place]
            assert told.rows is None
            assert type(told.failure) is failure
            assert (told.of(place) if place < 2 else told.of_step(2)) is told.failure
            assert (told.of(place + 1), told.of_step(3)) == (None, None)
            assert len(responder.seen) == place + 1
            responder.twist = lambda _, answer: [(0, answer)]
            assert await ask() == ALL

    run(main())


def test_in_version_1_a_cell_that_is_gone_is_named_and_the_end_of_the_mib_is_no_failure(run: Callable) -> None:
    async def main() -> None:
        async with errands("1") as (ask, responder):
            assert await ask() == ALL
            responder.put({A: CELLS[A], B: CELLS[B], C: CELLS[C]})
            told = await ask()
            assert (told.cells, told.rows, told.failure) == (ALL.cells, [], None)
            responder.put({A: CELLS[A], C: CELLS[C]})
            told = await ask()
            assert isinstance(told.failure, NoSuchName)
            assert told.failure.oid == B

    run(main())


def test_each_request_has_its_own_time_and_none_leaves_that_would_have_less(run: Callable) -> None:
    async def main() -> None:
        engine = GufoEngine()
        loop = asyncio.get_running_loop()
        async with answering(CELLS, lambda _, answer: [(0.2, answer)]) as responder:
            peer = Peer("127.0.0.1", responder.port)
            assert await engine.together(peer, GETS, (ALERTS, 1), 0.3, loop.time() + 5) == ALL
            told = await engine.together(peer, GETS, (ALERTS, 1), 0.3, loop.time() + 0.55)
            assert told == Told(list(ALL.cells)[:2])
            assert await engine.together(peer, GETS, (ALERTS, 1), 0.3, loop.time() + 0.2) == Told()
        told = await engine.together(peer, GETS, (ALERTS, 1), 0.3, loop.time() + 5)
        assert isinstance(told.failure, Refused)
        await engine.close()

    run(main())


@VERSIONS
def test_the_reader_tells_what_it_tells_without_the_short_cut_whatever_moves(run: Callable, version: str) -> None:
    """Two readers of one printer, by engines of which only one takes it."""
    chance = random.Random(5)

    def move(cells: dict[str, Typed]) -> None:
        name = chance.choice(list(cells))
        what = chance.random()
        if what < 0.3 and cells[name].tag != ber.OID:  # other octets, as many
            now = bytes(octet & 0x7F for octet in chance.randbytes(len(cells[name].octets)))
            cells[name] = Typed(cells[name].tag, now)
        elif what < 0.6:
            cells[name] = integer(chance.randrange(2**31)) if chance.random() < 0.5 else octets(chance.randbytes(9))
        elif what < 0.8:
            cells |= printer.alert(1, chance.randrange(1, 30), 8)
        elif what < 0.9 or len(cells) < 40:
            cells[name] = octets(b"x" * chance.randrange(200))
        else:
            del cells[name]

    async def main() -> None:
        async with answering(printer.colour_printer()) as responder:
            peer = Peer("127.0.0.1", responder.port, Community(version), timeout=1.0)
            readers = [Reader(open_engine(name)) for name in ("gufo", "pysnmp")]
            for turn in range(30):
                cells = dict(responder.cells)
                for _ in range(chance.randrange(3)):
                    move(cells)
                cells[printer.UP_TIME] = integer(10**6 + turn, ber.TICKS)
                responder.put(cells)
                ours, theirs = [await reader.read(peer, full=turn % 3 > 0) for reader in readers]
                assert (ours.cells, ours.devices, ours.learnt) == (theirs.cells, theirs.devices, theirs.learnt)
            for reader in readers:
                await reader.close()

    run(main())
