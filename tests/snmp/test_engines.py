"""Both engines against a responder that answers rightly, wrongly, late, twice, from elsewhere, or not at all.

Error-status, exceptions and types: RFC 1157 (SNMPv1), RFC 3416 (v2c), RFC 2578 section 7.1.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import socket
from collections.abc import AsyncIterator, Callable

import pytest

from agent.model.wire import (
    AgentFault,
    Community,
    Denied,
    Garbled,
    Peer,
    Refused,
    Silent,
    Unresolved,
    Unsupported,
    UsmUser,
    WireError,
)
from agent.snmp.wire import ENGINES, CellFault, Engine, NoSuchName, TooBig, open_engine
from tests.snmp import ber
from tests.snmp.ber import Message, Typed, integer, octets, oid
from tests.snmp.responder import Responder, answering

A, B, C = "1.3.6.1.2.1.1.1.0", "1.3.6.1.2.1.1.5.0", "1.3.6.1.2.1.1.6.0"
CELLS = {A: octets("one"), B: octets("two"), C: octets("three")}
ROOT = "1.3.6.1.2.1.43.11.1.1"


@contextlib.asynccontextmanager
async def talking(
    name: str, cells: dict[str, Typed], version: str = "2c", timeout: float = 0.4
) -> AsyncIterator[tuple[Engine, Responder, Peer]]:
    engine = open_engine(name)
    async with answering(cells) as responder:
        try:
            yield engine, responder, Peer("127.0.0.1", responder.port, Community(version), timeout=timeout)
        finally:
            await engine.close()


def test_the_preferred_engine_is_the_first_by_name() -> None:
    async def main() -> None:
        engine = open_engine()
        assert engine.name == ENGINES[0]
        assert all(isinstance(line, str) for line in engine.lacks)
        await engine.close()

    asyncio.run(main())


def test_an_unknown_engine_is_named_with_the_ones_there_are() -> None:
    with pytest.raises(Unsupported, match="gufo, pysnmp"):
        open_engine("telepathy")


TYPES: dict[str, tuple[Typed, int | bytes | str]] = {
    "1": (integer(-5), -5),
    "2": (integer(2**31 - 1), 2**31 - 1),
    "3": (Typed(ber.COUNTER32, b"\x00\xff\xff\xff\xff"), 4294967295),
    "4": (Typed(ber.COUNTER64, b"\x00" + b"\xff" * 8), 2**64 - 1),
    "5": (integer(123_456, ber.TICKS), 123_456),
    "6": (integer(4_000_000_000, ber.GAUGE32), 4_000_000_000),
    "7": (octets(b"\x00\xff\xfe"), b"\x00\xff\xfe"),
    "8": (octets(b""), b""),
    "9": (Typed(ber.IP, bytes([192, 0, 2, 7])), bytes([192, 0, 2, 7])),
    "10": (Typed(ber.IP, bytes([1, 3, 6, 1])), bytes([1, 3, 6, 1])),
    "11": (oid("1.3.6.1.4.1.99999.1"), "1.3.6.1.4.1.99999.1"),
    "12": (oid("0.0"), "0.0"),
    "13": (oid("1.3.6.1"), "1.3.6.1"),
    "14": (Typed(ber.OPAQUE, b"\x9f\x78\x04\x42\xf6\x00\x00"), b"\x9f\x78\x04\x42\xf6\x00\x00"),
    "15": (octets("192.0.2.7"), b"192.0.2.7"),
}


@pytest.mark.parametrize("version", ["1", "2c"])
def test_every_type_comes_out_as_the_same_plain_value(run: Callable, engine_name: str, version: str) -> None:
    types = {key: both for key, both in TYPES.items() if version == "2c" or both[0].tag != ber.COUNTER64}  # not in v1
    cells = {f"{ROOT}.9.1.{key}": typed for key, (typed, _) in types.items()}
    expected = {f"{ROOT}.9.1.{key}": value for key, (_, value) in types.items()}

    async def main() -> None:
        async with talking(engine_name, cells, version) as (engine, _, peer):
            assert await engine.get(peer, list(cells)) == expected
            for name, value in expected.items():
                assert await engine.get(peer, [name]) == {name: value}
            walked = []
            at = ROOT
            while rows := await engine.get_next(peer, at, ROOT):
                walked += rows
                at = rows[-1][0]
            assert dict(walked) == expected
            if version == "2c":
                assert dict(await engine.get_bulk(peer, ROOT, 20)) == expected

    run(main())


def test_cells_that_do_not_exist_are_left_out(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, _, peer):
            assert await engine.get(peer, [A, f"{ROOT}.1.1", C]) == {A: b"one", C: b"three"}
            assert await engine.get(peer, [f"{ROOT}.1.1"]) == {}
            assert await engine.get_next(peer, "1.3.6.1.9") == []
            assert await engine.get_bulk(peer, "1.3.6.1.9", 5) == []

    run(main())


def test_rows_that_were_not_asked_for_are_not_taken(run: Callable, engine_name: str) -> None:
    def twist(request: Message, _answer: bytes) -> list[tuple[float, bytes]]:
        return [(0, ber.answer(request, [(A, octets("one")), (f"{ROOT}.9.1.1", integer(1))]))]

    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, responder, peer):
            responder.twist = twist
            assert await engine.get(peer, [A, B]) == {A: b"one"}

    run(main())


def status(number: int, index: int, *, echo: bool) -> Callable[[Message, bytes], list[tuple[float, bytes]]]:
    def twist(request: Message, _answer: bytes) -> list[tuple[float, bytes]]:
        return [(0, ber.answer(request, request.rows if echo else [], number, index))]

    return twist


@pytest.mark.parametrize("echo", [True, False])
@pytest.mark.parametrize(
    ("number", "failure"),
    [
        (ber.TOO_BIG, TooBig),
        (ber.NO_SUCH_NAME, NoSuchName),
        (ber.GEN_ERR, CellFault),
        (ber.NO_ACCESS, Denied),
        (ber.AUTHORIZATION_ERROR, Denied),
        (77, AgentFault),
    ],
)
def test_an_error_status_is_never_taken_for_missing_cells(
    run: Callable, engine_name: str, number: int, failure: type[WireError], echo: bool
) -> None:
    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, responder, peer):
            responder.twist = status(number, 2, echo=echo)
            with pytest.raises(failure) as caught:
                await engine.get(peer, [A, B, C])
            if isinstance(caught.value, CellFault):
                assert caught.value.oid == B
            if number != ber.NO_SUCH_NAME:
                with pytest.raises(failure):
                    await engine.get_bulk(peer, ROOT, 5)

    run(main())


def test_silence_is_bounded_by_the_timeout_whatever_stale_replies_come(run: Callable, engine_name: str) -> None:
    def stale(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        old = dataclasses.replace(ber.read(answer), request_id=request.request_id ^ 1)
        return [(n * 0.1, ber.write(old)) for n in range(15)]

    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, responder, peer):
            responder.twist = stale
            began = asyncio.get_running_loop().time()
            with pytest.raises(Silent):
                await engine.get(peer, [A])
            assert 0.35 < asyncio.get_running_loop().time() - began < 1.0

    run(main())


def test_late_and_double_replies_do_not_answer_the_next_request(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, responder, peer):
            responder.twist = lambda _request, answer: [(0.5, answer), (0.55, answer)]
            with pytest.raises(Silent):
                await engine.get(peer, [A])
            responder.twist = lambda _request, answer: [(0.25, answer), (0.25, answer)]
            for name, value in ((B, b"two"), (C, b"three"), (A, b"one")):
                assert await engine.get(peer, [name]) == {name: value}
            await asyncio.sleep(0.1)
            responder.twist = lambda _request, answer: [(0, answer)]
            assert await engine.get(peer, [C, B]) == {B: b"two", C: b"three"}

    run(main())


def test_answers_from_another_source_are_not_taken(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as elsewhere:
            elsewhere.bind(("127.0.0.1", 0))
            async with talking(engine_name, CELLS) as (engine, responder, peer):
                responder.elsewhere = elsewhere
                responder.twist = lambda _request, answer: [(0.1, answer)]
                assert await engine.get(peer, [A, B]) == {A: b"one", B: b"two"}
                assert (await engine.get_next(peer, ROOT)) == []

    run(main())


def test_answers_with_another_community_or_version_are_not_taken(run: Callable, engine_name: str) -> None:
    def twist(request: Message, answer: bytes) -> list[tuple[float, bytes]]:
        forged = dataclasses.replace(ber.read(answer), community=b"other", rows=((A, octets("forged")),))
        return [(0, ber.write(forged)), (0, ber.write(dataclasses.replace(ber.read(answer), version=0))), (0.1, answer)]

    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, responder, peer):
            responder.twist = twist
            assert await engine.get(peer, [A]) == {A: b"one"}

    run(main())


MANGLE: dict[str, Callable[[bytes], bytes]] = {
    "nothing at all": lambda _: b"",
    "one octet": lambda _: b"\x30",
    "cut short": lambda answer: answer[:-3],
    "cut in the middle": lambda answer: answer[: len(answer) // 2],
    "no BER": lambda _: b"GET / HTTP/1.1\r\n\r\n",
    "3000 times x": lambda _: b"x" * 3000,
    "a length of four gigabytes": lambda answer: b"\x30\x84\xff\xff\xff\xff" + answer[2:],
    "an endless length": lambda answer: b"\x30\x80" + answer[2:],
    "a length in its own octets": lambda answer: b"\x30\xff" + b"\xff" * 127 + answer[2:],
    "nested a thousand times": lambda _: b"\x30\x80" * 1000,
    "an unknown version": lambda answer: answer.replace(b"\x02\x01\x01\x04", b"\x02\x01\x09\x04", 1),
}


@pytest.mark.parametrize("name", MANGLE)
def test_what_is_no_snmp_is_garbled_or_silence_and_leaves_the_next_request_alone(
    run: Callable, engine_name: str, name: str
) -> None:
    async def main() -> None:
        async with talking(engine_name, CELLS, timeout=0.15) as (engine, responder, peer):
            responder.twist = lambda _request, answer: [(0, MANGLE[name](answer))]
            with pytest.raises((Garbled, Silent) if name == "an unknown version" else Garbled):
                await engine.get(peer, [A, B])
            responder.twist = lambda _request, answer: [(0, MANGLE[name](answer)), (0.05, answer)]
            assert await engine.get(peer, [A, B]) == {A: b"one", B: b"two"}

    run(main())


def test_an_answer_of_many_thousand_octets_is_read_whole(run: Callable, engine_name: str) -> None:
    cells = {f"{ROOT}.6.1.{n}": octets(b"x" * 2_000) for n in range(1, 21)}

    async def main() -> None:
        async with talking(engine_name, cells, timeout=2) as (engine, _, peer):
            assert await engine.get(peer, list(cells)) == dict.fromkeys(cells, b"x" * 2000)
            assert len(await engine.get_bulk(peer, ROOT, 20)) == 20

    run(main())


@pytest.mark.parametrize("version", ["1", "2c"])
def test_a_refused_port_is_told_from_silence(run: Callable, engine_name: str, version: str) -> None:
    async def main() -> None:
        async with answering(CELLS) as responder:
            port = responder.port
        engine = open_engine(engine_name)
        peer = Peer("127.0.0.1", port, Community(version), timeout=0.5)
        for _ in range(2):  # the second time the kernel knows it before
            with pytest.raises(Refused, match="nothing listens"):
                await engine.get(peer, [A])
            with pytest.raises(Refused):
                await engine.get_next(peer, A)
        async with answering(CELLS, port=port):
            assert await engine.get(peer, [A]) == {A: b"one"}
        await engine.close()

    run(main())


def test_a_wrong_community_is_met_with_silence_and_the_text_says_so_without_naming_it(
    run: Callable, engine_name: str
) -> None:
    async def main() -> None:
        async with talking(engine_name, CELLS) as (engine, responder, _):
            peer = Peer("127.0.0.1", responder.port, Community("2c", "hush-hush"), timeout=0.2)
            with pytest.raises(Silent, match="community") as caught:
                await engine.get(peer, [A])
            assert "hush-hush" not in f"{caught.value}{caught.value!r}{peer!r}"

    run(main())


def test_what_an_engine_or_a_version_cannot_do_is_said(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        engine = open_engine(engine_name)
        with pytest.raises(Unsupported, match="GETBULK"):
            await engine.get_bulk(Peer("127.0.0.1", 9, Community("1")), ROOT, 5)
        with pytest.raises(Unsupported, match="privacy without authentication"):
            await engine.get(Peer("127.0.0.1", 9, UsmUser("u", priv="DES", priv_key="secret words")), [A])
        with pytest.raises(Unsupported, match="SHA-3"):
            await engine.get(Peer("127.0.0.1", 9, UsmUser("u", auth="SHA-3", auth_key="secret words")), [A])
        with pytest.raises(Unresolved):
            await engine.get(Peer("printer.example", 9), [A])
        await engine.close()

    run(main())


def test_the_engine_without_contexts_names_the_one_that_has_them(run: Callable) -> None:
    async def main() -> None:
        engine = open_engine("gufo")
        with pytest.raises(Unsupported, match="pysnmp"):
            await engine.get(Peer("127.0.0.1", 9, UsmUser("u", context="second")), [A])
        assert any("context" in line for line in engine.lacks)
        await engine.close()

    run(main())


def test_kept_sessions_are_capped_and_the_one_longest_unused_goes_first(run: Callable) -> None:
    from agent.snmp.gufo import GufoEngine

    async def main() -> None:
        engine = GufoEngine(sessions=3)
        async with contextlib.AsyncExitStack() as stack:
            responders = [await stack.enter_async_context(answering(CELLS)) for _ in range(6)]
            peers = [Peer("127.0.0.1", responder.port) for responder in responders]
            for _ in range(2):
                for peer in peers:
                    assert await engine.get(peer, [A]) == {A: b"one"}
                    assert await engine.get(peers[0], [B]) == {B: b"two"}
                    assert len(engine._sessions) <= 3
            assert peers[0] in engine._sessions
            await engine.forget(peers[0])
            assert peers[0] not in engine._sessions
        await engine.close()
        assert not engine._sessions

    run(main())


def test_an_engine_serves_one_loop_after_another(engine_name: str) -> None:
    engine = open_engine(engine_name)
    for _ in range(2):

        async def main() -> None:
            async with answering(CELLS) as responder:
                assert await engine.get(Peer("127.0.0.1", responder.port), [A]) == {A: b"one"}
                await engine.close()

        asyncio.run(main())


def test_ipv6_and_any_port(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        try:
            context = answering(CELLS, host="::1")
            responder = await context.__aenter__()
        except OSError:
            pytest.skip("no IPv6 loopback here")
        engine = open_engine(engine_name)
        assert await engine.get(Peer("::1", responder.port), [A]) == {A: b"one"}
        await engine.close()
        await context.__aexit__(None, None, None)

    run(main())
