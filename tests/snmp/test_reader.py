"""The reader against simulated printers: what it asks, what it remembers, and how it fares with hostile ones."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterator

import pytest

from agent.mib import plan
from agent.mib.decode import decode
from agent.model.wire import (
    AgentFault,
    Answers,
    Community,
    Denied,
    Garbled,
    Peer,
    Refused,
    Silent,
    Unresolved,
    WireError,
)
from agent.snmp.addresses import Resolver
from agent.snmp.reader import Reader
from agent.snmp.wire import Limits, open_engine
from tests.snmp import ber, printer
from tests.snmp.ber import Message, Typed, integer, octets
from tests.snmp.printer import CONFIG_CHANGES, DESCRIPTION, LEVEL, SERIAL, UP_TIME
from tests.snmp.responder import Responder, answering

PAIRS = pytest.mark.parametrize(("engine_name", "version"), [("gufo", "1"), ("gufo", "2c"), ("pysnmp", "2c")])
CYAN, BLACK = LEVEL + "1.2", LEVEL + "1.1"


@contextlib.asynccontextmanager
async def reading(
    cells: dict[str, Typed], engine: str = "gufo", limits: Limits | None = None, **peer: object
) -> AsyncIterator[tuple[Reader, Responder, Peer]]:
    reader = Reader(open_engine(engine), limits or Limits())
    async with answering(cells) as responder:
        try:
            settings = {"timeout": 0.5, "retries": 1, "deadline": 5.0} | peer
            yield reader, responder, Peer("127.0.0.1", responder.port, **settings)  # type: ignore[arg-type]
        finally:
            await reader.close()


def count(responder: Responder, pdu: int) -> int:
    return responder.pdus.count(pdu)


# --- what is asked ----------------------------------------------------------------------------------------------


@PAIRS
def test_a_printer_is_learnt_once_and_then_asked_for_what_it_has(run: Callable, engine_name: str, version: str) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name, credentials=Community(version)) as (
            reader,
            responder,
            peer,
        ):
            first = await reader.read(peer)
            assert first.learnt
            assert first.devices == (1,)
            assert first.truncated == ()
            assert first.cells[CYAN] == 50
            # At the end of the MIB an engine may have to ask once more to understand the answer.
            assert first.traffic.requests <= len(responder.seen) <= first.traffic.requests + 5
            responder.seen.clear()
            responder.cells[CYAN] = integer(49)
            second = await reader.read(peer, full=True)
            assert not second.learnt
            assert second.cells == {**first.cells, CYAN: 49}
            assert second.traffic.requests == len(responder.seen)
            gets = [ber.read(data) for data in responder.seen if ber.pdu_tag(data) == ber.GET]
            assert all(len(request.rows) <= 30 for request in gets)
            assert sum(len(request.rows) for request in gets) == len(first.cells) - len(
                plan.VOLATILE
            )  # the alert's row is walked

    run(main())


def test_a_fast_reading_asks_little_and_is_whole_all_the_same(run: Callable) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer()) as (reader, responder, peer):
            first = await reader.read(peer)
            responder.seen.clear()
            responder.cells[CYAN] = integer(7)
            responder.cells[UP_TIME] = integer(200_000, ber.TICKS)
            responder.cells[SERIAL + "1"] = octets("not asked for")
            fast = await reader.read(peer)
            asked = {name for data in responder.seen for name, _ in ber.read(data).rows}
            assert CYAN in asked
            assert SERIAL + "1" not in asked
            assert DESCRIPTION + "1.2" not in asked
            assert fast.cells == {**first.cells, CYAN: 7, UP_TIME: 200_000}
            assert len(responder.seen) == 3

    run(main())


def test_alerts_come_and_go_without_learning_afresh(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, responder, peer):
            before = await reader.read(peer)
            many = dict(responder.cells)
            for index in range(5, 12):
                many |= printer.alert(1, index, 8)
            responder.put(many)
            during = await reader.read(peer)
            assert not during.learnt
            assert len(during.cells) == len(before.cells) + 7 * len(plan.VOLATILE)
            responder.put({name: value for name, value in many.items() if not name.startswith(f"{printer.PRT}.18.")})
            after = await reader.read(peer)
            assert not after.learnt
            assert not any(name.startswith(f"{printer.PRT}.18.") for name in after.cells)
            assert len(after.cells) == len(before.cells) - len(plan.VOLATILE)

    run(main())


@pytest.mark.parametrize("version", ["1", "2c"])
def test_both_engines_bring_the_same_cells_and_the_same_reading(run: Callable, version: str) -> None:
    async def main() -> None:
        found: list[Answers] = []
        cells = printer.system() | printer.device(1) | printer.device(3, "TG-0003") | printer.counters()
        async with answering(cells) as responder:
            for name in ("gufo", "pysnmp"):
                reader = Reader(open_engine(name))
                peer = Peer("127.0.0.1", responder.port, Community(version))
                found += [await reader.read(peer), await reader.read(peer, full=True), await reader.read(peer)]
                await reader.close()
        assert all(answers.cells == found[0].cells for answers in found)
        assert {answers.devices for answers in found} == {(1, 3)}
        for device in (1, 3):
            readings = {
                str(decode(answers.cells, at=found[0].at, address=peer.address, device_index=device))
                for answers in found
            }
            assert len(readings) == 1

    run(main())


def test_the_wire_never_sets_anything(run: Callable, engine_name: str) -> None:
    """RFC 3416: the only request PDUs that read are GET (0xA0), GETNEXT (0xA1) and GETBULK (0xA5)."""

    async def main() -> None:
        seen: set[int] = set()
        for version in ("1", "2c"):
            async with reading(printer.colour_printer(), engine_name, credentials=Community(version)) as (
                reader,
                responder,
                peer,
            ):
                await reader.probe(peer)
                for full in (False, True, False):
                    await reader.read(peer, full=full)
                responder.cells[CONFIG_CHANGES + "1"] = integer(8, ber.COUNTER32)
                await reader.read(peer)
                responder.most_octets = 300
                await reader.read(peer, full=True)
                assert responder.seen
                seen |= set(responder.pdus)
        assert seen == {ber.GET, ber.GET_NEXT, ber.GET_BULK}
        assert ber.SET not in seen

    run(main())


# --- when the tables are learnt afresh --------------------------------------------------------------------------


def _moved(cells: dict[str, Typed]) -> None:
    cells[CONFIG_CHANGES + "1"] = integer(8, ber.COUNTER32)


def _restarted(cells: dict[str, Typed]) -> None:
    cells[UP_TIME] = integer(10, ber.TICKS)


def _lost(cells: dict[str, Typed]) -> None:
    for column in range(1, 10):
        cells.pop(f"{printer.PRT}.11.1.1.{column}.1.5", None)


@pytest.mark.parametrize("change", [_moved, _restarted, _lost])
@PAIRS
def test_the_tables_are_learnt_afresh_when_the_printer_shows_a_change(
    run: Callable, engine_name: str, version: str, change: Callable
) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name, credentials=Community(version)) as (
            reader,
            responder,
            peer,
        ):
            await reader.read(peer)
            assert not (await reader.read(peer)).learnt
            changed = dict(responder.cells)
            change(changed)
            changed[LEVEL + "1.6"] = integer(12)
            responder.put(changed)
            again = await reader.read(peer)
            assert again.learnt
            assert again.cells[LEVEL + "1.6"] == 12
            assert not (await reader.read(peer)).learnt

    run(main())


def test_the_tables_are_learnt_afresh_when_a_day_has_passed(run: Callable) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), limits=Limits(relearn_seconds=0.1)) as (reader, _, peer):
            assert (await reader.read(peer)).learnt
            assert not (await reader.read(peer)).learnt
            await asyncio.sleep(0.15)
            assert (await reader.read(peer)).learnt

    run(main())


def test_a_cell_that_shows_up_in_walks_only_does_not_cause_endless_learning(run: Callable) -> None:
    """Seen in agents whose GET and GETNEXT disagree (common practice, no source)."""

    def twist(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        if request.pdu != ber.GET:
            return [(0, answer)]
        rows = [(n, Typed(ber.NO_SUCH_INSTANCE) if n == CYAN else v) for n, v in ber.read(answer).rows]
        return [(0, ber.answer(request, rows))]

    async def main() -> None:
        async with reading(printer.colour_printer()) as (reader, responder, peer):
            await reader.read(peer)
            responder.twist = twist
            learnt = [(await reader.read(peer)).learnt for _ in range(4)]
            assert learnt == [True, False, False, False]
            last = await reader.read(peer)
            assert CYAN not in last.cells
            assert last.cells[BLACK] == 60
            assert any("prtMarkerSuppliesLevel.1.2" in note for note in last.truncated)

    run(main())


def test_what_is_no_printer_has_no_devices_and_becomes_one_when_it_answers_as_one(run: Callable) -> None:
    async def main() -> None:
        async with reading(printer.system("A switch with many ports")) as (reader, responder, peer):
            found = await reader.read(peer)
            assert found.devices == ()
            assert found.cells["1.3.6.1.2.1.1.1.0"] == b"A switch with many ports"
            responder.put(printer.colour_printer())
            assert (await reader.read(peer)).devices == (1,)

    run(main())


def test_forgetting_a_peer_makes_the_next_reading_a_first_contact(run: Callable) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer()) as (reader, _, peer):
            await reader.read(peer)
            await reader.forget(peer)
            assert (await reader.read(peer)).learnt

    run(main())


def test_the_peer_not_asked_for_longest_is_forgotten_first(run: Callable) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), limits=Limits(peers=2)) as (reader, responder, peer):
            peers = [Peer("127.0.0.1", responder.port, deadline=5.0 + n) for n in range(3)]
            for each in (peers[0], peers[1], peers[0], peers[2]):
                await reader.read(each)
            assert not (await reader.read(peers[0])).learnt
            assert (await reader.read(peers[1])).learnt
            assert peer

    run(main())


# --- agents that cannot or will not -----------------------------------------------------------------------------


@PAIRS
@pytest.mark.parametrize("octets_at_most", [1000, 150])
def test_too_big_halves_the_question_down_to_one_cell(
    run: Callable, engine_name: str, version: str, octets_at_most: int
) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name, credentials=Community(version)) as (
            reader,
            responder,
            peer,
        ):
            whole = await reader.read(peer, full=True)
            responder.most_octets = octets_at_most
            assert (await reader.read(peer, full=True)).cells == whole.cells
            responder.seen.clear()
            assert (await reader.read(peer, full=True)).cells == whole.cells
            replies = [responder.reply(ber.read(data)) for data in responder.seen]
            assert not any(ber.read(reply).status for reply in replies if ber.read(reply).status != ber.NO_SUCH_NAME)

    run(main())


@pytest.mark.parametrize("index", [0, 1, 99])
def test_a_cell_at_which_the_agent_fails_does_not_cost_the_others(run: Callable, engine_name: str, index: int) -> None:
    def twist(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        names = [name for name, _ in request.rows]
        if request.pdu == ber.GET and CYAN in names:
            place = names.index(CYAN) + 1 if index == 1 else index
            return [(0, ber.answer(request, request.rows, ber.GEN_ERR, place))]
        return [(0, answer)]

    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, responder, peer):
            first = await reader.read(peer)
            responder.twist = twist
            for _ in range(2):
                again = await reader.read(peer, full=True)
            assert not again.learnt
            assert dict(again.cells) == {name: value for name, value in first.cells.items() if name != CYAN}

    run(main())


def test_an_agent_that_fails_at_everything_is_an_agent_fault(run: Callable, engine_name: str) -> None:
    def twist(request: Message, _answer: bytes) -> list[tuple[float, bytes]]:
        return [(0, ber.answer(request, request.rows, ber.GEN_ERR, 0))]

    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, responder, peer):
            responder.twist = twist
            with pytest.raises(AgentFault, match="genErr"):
                await reader.read(peer)

    run(main())


def test_no_access_is_denied(run: Callable, engine_name: str) -> None:
    def twist(request: Message, _answer: bytes) -> list[tuple[float, bytes]]:
        return [(0, ber.answer(request, request.rows, ber.AUTHORIZATION_ERROR, 1))]

    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, responder, peer):
            responder.twist = twist
            with pytest.raises(Denied, match="read access"):
                await reader.read(peer)

    run(main())


def endless(prefix: str, value: Typed) -> Callable[[Message, bytes], list[tuple[float, bytes]]]:
    """An agent whose column below ``prefix`` never ends."""

    def rows(after: str, many: int) -> Iterator[tuple[str, Typed]]:
        start = ber.arcs(after)[-1] if after.startswith(f"{prefix}.") else 0
        for number in range(start + 1, start + 1 + many):
            yield f"{prefix}.1.{number}", value

    def twist(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        name = request.rows[0][0]
        if request.pdu == ber.GET or not ber.arcs(prefix)[:-1] <= ber.arcs(name) < (*ber.arcs(prefix)[:-1], 99):
            return [(0, answer)]
        if ber.arcs(name) > (*ber.arcs(prefix), 2**31):
            return [(0, answer)]
        return [(0, ber.answer(request, list(rows(name, request.index or 1))))]

    return twist


@PAIRS
def test_an_endless_table_ends_at_the_limit_of_rows(run: Callable, engine_name: str, version: str) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name, credentials=Community(version), deadline=10) as (
            reader,
            responder,
            peer,
        ):
            responder.twist = endless(f"{printer.PRT}.11.1.1.9", integer(3))
            found = await reader.read(peer)
            assert any("prtMarkerSuppliesLevel" in note and "rows" in note for note in found.truncated)
            assert len([name for name in found.cells if name.startswith(LEVEL)]) <= 128
            assert len(responder.seen) < 1_000

    run(main())


def test_an_agent_that_goes_in_circles_is_left(run: Callable, engine_name: str) -> None:
    def twist(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        if request.pdu == ber.GET_BULK and request.rows[0][0].startswith(f"{printer.PRT}.11."):
            return [(0, ber.answer(request, [(LEVEL + "1.1", integer(5)), (LEVEL + "1.2", integer(6))]))]
        return [(0, answer)]

    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, responder, peer):
            responder.twist = twist
            found = await reader.read(peer)
            assert found.devices == (1,)
            assert found.cells[CYAN] == 6
            assert any("circles" in note for note in found.truncated)
            assert len(responder.seen) < 100

    run(main())


def test_huge_strings_fill_no_more_than_the_printers_share_of_memory(run: Callable, engine_name: str) -> None:
    cells = printer.colour_printer()
    for row in range(1, 100):
        cells[f"{DESCRIPTION}1.{row}"] = octets(b"\xff" * 20_000)

    async def main() -> None:
        async with reading(cells, engine_name, Limits(octets=300_000, repetitions=3), deadline=10) as (
            reader,
            _,
            peer,
        ):
            found = await reader.read(peer)
            assert sum(len(value) for value in found.cells.values() if isinstance(value, bytes)) <= 300_000
            assert any("memory" in note for note in found.truncated)

    run(main())


def test_a_walk_ends_when_its_time_is_over(run: Callable) -> None:
    def slow(_request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        return [(0.05, answer)]

    async def main() -> None:
        async with reading(printer.colour_printer(), limits=Limits(walk_seconds=0.6), deadline=0.6) as (
            reader,
            responder,
            peer,
        ):
            responder.twist = slow
            began = asyncio.get_running_loop().time()
            found = await reader.read(peer)
            assert asyncio.get_running_loop().time() - began < 1.2
            assert any("the time was over" in note for note in found.truncated)
            assert found.devices == (1,)
            responder.twist = lambda _request, answer: [(0, answer)]
            assert (await reader.read(peer)).truncated == ()

    run(main())


# --- tries, deadlines, dead printers ----------------------------------------------------------------------------


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_lost_datagrams_are_asked_for_again(run: Callable, engine_name: str, lost: int) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name, timeout=0.1, retries=3) as (reader, responder, peer):
            await reader.read(peer)
            number = 0

            def twist(_request: Message, answer: bytes) -> list[tuple[float, bytes]]:
                nonlocal number
                number += 1
                return [] if number <= lost else [(0, answer)]

            responder.twist = twist
            found = await reader.read(peer)
            assert found.traffic.retries == lost
            assert found.traffic.timeouts == lost
            assert 0.1 * (2**lost - 1) * 0.8 < found.traffic.seconds < 0.1 * (2**lost - 1) * 1.2 + 0.5

    run(main())


def test_a_printer_slower_than_the_first_timeout_is_read_all_the_same(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading(printer.system(), engine_name, timeout=0.05, retries=3) as (reader, responder, peer):
            responder.twist = lambda _request, answer: [(0.12, answer)]
            probe = await reader.probe(peer)
            assert probe.descr == "Tallgrass C52 Colour"

    run(main())


def test_the_deadline_covers_all_tries(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading({}, engine_name, timeout=0.3, retries=50, deadline=1.0) as (reader, responder, peer):
            responder.twist = lambda _request, _answer: []
            began = asyncio.get_running_loop().time()
            with pytest.raises(Silent, match="did not answer") as caught:
                await reader.read(peer)
            assert 0.9 < asyncio.get_running_loop().time() - began < 1.4
            traffic = caught.value.traffic
            assert traffic.requests == traffic.retries + 1 == traffic.timeouts == len(responder.seen)

    run(main())


def test_dead_printers_do_not_hold_up_live_ones(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        reader = Reader(open_engine(engine_name), Limits(in_flight=4))
        async with answering(printer.system()) as responder, answering({}) as mute:
            mute.twist = lambda _request, _answer: []
            dead = [Peer("127.0.0.1", mute.port, timeout=0.2, retries=3, deadline=1.2 + n / 100) for n in range(8)]
            alive = [Peer("127.0.0.1", responder.port, deadline=3 + n / 100) for n in range(8)]
            loop = asyncio.get_running_loop()
            began = loop.time()
            silent = [asyncio.create_task(reader.read(peer)) for peer in dead]
            await asyncio.sleep(0)
            await asyncio.gather(*(reader.read(peer) for peer in alive))
            assert loop.time() - began < 1.0
            assert not any(task.done() for task in silent)
            results = await asyncio.gather(*silent, return_exceptions=True)
            assert all(isinstance(result, Silent) for result in results)
        await reader.close()

    run(main())


def test_a_printer_that_comes_back_is_read_at_once(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name, retries=0) as (reader, responder, peer):
            await reader.read(peer)
            responder.transport.close()
            await asyncio.sleep(0)
            with pytest.raises(Refused):
                await reader.read(peer)
            async with answering(responder.cells, port=peer.port):
                assert (await reader.read(peer)).cells[CYAN] == 50

    run(main())


def test_two_readings_of_one_printer_at_the_same_time_learn_once(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, _, peer):
            both = await asyncio.gather(reader.read(peer), reader.read(peer))
            assert sorted(answers.learnt for answers in both) == [False, True]

    run(main())


def test_a_cancelled_reading_leaves_the_printer_readable(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading(printer.colour_printer(), engine_name) as (reader, responder, peer):
            await reader.read(peer)
            responder.twist = lambda _request, answer: [(0.3, answer)]
            task = asyncio.create_task(reader.read(peer))
            await asyncio.sleep(0.05)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            responder.twist = lambda _request, answer: [(0, answer)]
            assert (await reader.read(peer)).cells[CYAN] == 50

    run(main())


def test_garbage_is_garbled_after_all_tries(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with reading({}, engine_name, timeout=0.2) as (reader, responder, peer):
            responder.twist = lambda _request, _answer: [(0, b"SNMP? No.")]
            with pytest.raises(Garbled) as caught:
                await reader.read(peer)
            assert caught.value.traffic.requests == 2

    run(main())


# --- names and addresses ----------------------------------------------------------------------------------------


def test_a_host_name_is_resolved_and_stays_the_printers_name(run: Callable, engine_name: str) -> None:
    async def lookup(host: str) -> list[str]:
        asked.append(host)
        return ["127.0.0.9", "127.0.0.1"]

    asked: list[str] = []

    async def main() -> None:
        reader = Reader(open_engine(engine_name), resolver=Resolver(lookup=lookup))
        async with answering(printer.colour_printer()) as responder:
            peer = Peer("reading-room.example", responder.port, timeout=0.3, retries=0, deadline=4)
            found = await reader.read(peer)  # nothing listens at the first of its addresses
            assert found.devices == (1,)
            await reader.read(peer)
            assert asked == ["reading-room.example"]
        with pytest.raises(Refused, match=r"reading-room\.example:\d+ \(127"):
            await reader.read(peer)
        await reader.close()

    run(main())


def test_localhost_is_found_by_the_systems_resolver(run: Callable) -> None:
    async def main() -> None:
        reader = Reader(open_engine())
        async with answering(printer.colour_printer()) as responder:
            assert (await reader.read(Peer("localhost", responder.port, timeout=0.5))).devices == (1,)
        await reader.close()

    run(main())


@pytest.mark.parametrize("name", ["no..name", "nowhere.example", "slow.example"])
def test_a_name_without_an_address_says_so(run: Callable, name: str) -> None:
    async def lookup(host: str) -> list[str]:
        if host == "no..name":
            host.encode("idna")  # as the system's resolver does: no label may be empty
        if host == "slow.example":
            await asyncio.sleep(5)
        raise OSError(-2, "Name or service not known")

    async def main() -> None:
        reader = Reader(open_engine(), resolver=Resolver(lookup=lookup))
        with pytest.raises(Unresolved, match="name server"):
            await reader.read(Peer(name, deadline=0.2))
        assert (await reader.probe(Peer(name, deadline=0.2))).answered is False
        await reader.close()

    run(main())


def test_every_failure_has_a_text_and_a_reason_of_its_own() -> None:
    kinds = [kind for kind in WireError.__subclasses__() if kind.__module__ == "agent.model.wire"]
    assert len({kind.reason for kind in kinds}) == len(kinds)
