"""A real agent in C that none of us wrote (Net-SNMP's snmpd, Debian package snmpd) serving a Printer-MIB."""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from agent.mib.decode import decode
from agent.model.reading import Mark
from agent.model.wire import Answers, Community, Denied, Garbled, Peer, Silent, UsmUser
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.snmp import ber, printer
from tests.snmp.ber import integer
from tests.snmp.printer import CONFIG_CHANGES, LEVEL
from tests.snmp.relay import relaying
from tests.snmp.responder import answering
from tests.snmp.snmpd import OTHER_PASSPHRASE, PASSPHRASE, Agent, serving

pytestmark = pytest.mark.slow

A, P = PASSPHRASE, OTHER_PASSPHRASE
CREDENTIALS: dict[str, Community | UsmUser] = {
    "v1": Community("1"),
    "v2c": Community("2c"),
    "noAuthNoPriv": UsmUser("clerk"),
    "MD5": UsmUser("md5", "MD5", A),
    "SHA-1": UsmUser("sha", "SHA-1", A),
    "SHA-1 AES-128": UsmUser("sha-aes", "SHA-1", A, "AES-128", P),
    "SHA-1 DES": UsmUser("sha-des", "SHA-1", A, "DES", P),
    "SHA-224 AES-128": UsmUser("sha224-aes", "SHA-224", A, "AES-128", P),
    "SHA-256 AES-128": UsmUser("sha256-aes", "SHA-256", A, "AES-128", P),
    "SHA-384 AES-192": UsmUser("sha384-aes192", "SHA-384", A, "AES-192", P),
    "SHA-512 AES-256": UsmUser("sha512-aes256", "SHA-512", A, "AES-256", P),
}
AUTH_PRIV = CREDENTIALS["SHA-256 AES-128"]


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Agent]:
    with serving(tmp_path_factory.mktemp("snmpd"), printer.colour_printer()) as agent:
        yield agent


@pytest.fixture
def agent(snmpd: Agent) -> Iterator[Agent]:
    snmpd.put(printer.colour_printer())
    yield snmpd
    snmpd.put(printer.colour_printer())


async def readings(engine: str, peer: Peer, *, times: int = 2) -> list[Answers]:
    reader = Reader(open_engine(engine))
    try:
        return [await reader.read(peer, full=n % 2 == 1) for n in range(times)]
    finally:
        await reader.close()


def still(answers: Answers) -> dict[str, object]:
    """Without the clock, which goes on between two readings."""
    return {name: value for name, value in answers.cells.items() if name != printer.UP_TIME}


@pytest.mark.parametrize("how", CREDENTIALS)
def test_both_engines_read_the_same_from_a_real_agent(run: Callable, agent: Agent, how: str) -> None:
    peer = Peer("127.0.0.1", agent.port, CREDENTIALS[how], timeout=2)
    found: list[Answers] = []
    for engine in ("gufo", "pysnmp"):
        found += run(readings(engine, peer))
    assert [answers.devices for answers in found] == [(1,)] * 4
    assert all(still(answers) == still(found[0]) for answers in found)
    assert all(answers.truncated == () for answers in found)
    first, *others = (
        decode(still(answers), at=found[0].at, address=peer.address, device_index=1)  # type: ignore[arg-type]
        for answers in found
    )
    assert all(reading == first for reading in others)
    assert first.serial == "TG-0001"
    assert {supply.key: supply.level for supply in first.supplies} == {
        "toner:black": 60,
        "toner:cyan": 50,
        "toner:magenta": 40,
        "toner:yellow": 30,
        "wasteToner": 80,
    }
    assert [tray.level for tray in first.trays] == [250, Mark.SOME]
    assert {counter.name: counter.value for counter in first.counters}["total"] == 45_678
    assert first.alerts[0].code == "markerTonerAlmostEmpty"


def test_what_changes_in_the_printer_shows_in_the_next_reading(run: Callable, agent: Agent, engine_name: str) -> None:
    async def main() -> None:
        reader = Reader(open_engine(engine_name))
        peer = Peer("127.0.0.1", agent.port, AUTH_PRIV)
        await reader.read(peer)
        agent.put(printer.colour_printer() | {LEVEL + "1.2": integer(11)})
        fast = await reader.read(peer)
        assert fast.cells[LEVEL + "1.2"] == 11
        assert not fast.learnt
        agent.put(printer.colour_printer() | {CONFIG_CHANGES + "1": integer(8, ber.COUNTER32)})
        assert (await reader.read(peer)).learnt
        await reader.close()

    run(main())


REFUSED: dict[str, tuple[UsmUser, str]] = {
    "unknown user": (UsmUser("nobody", "SHA-1", A), "does not know the user 'nobody'"),
    "wrong pass phrase": (UsmUser("sha", "SHA-1", "not-the-pass-phrase"), "digest"),
    "wrong protocol": (UsmUser("sha", "MD5", A), "digest"),
    "too high a level": (UsmUser("sha", "SHA-1", A, "AES-128", P), "does not support authPriv"),
    "too low a level": (UsmUser("sha-aes", "SHA-1", A), "read access"),
    "wrong privacy pass phrase": (UsmUser("sha-aes", "SHA-1", A, "AES-128", "not-the-pass-phrase"), "privacy"),
}


@pytest.mark.parametrize("why", REFUSED)
def test_refusals_name_what_to_look_at_and_no_secret(run: Callable, agent: Agent, engine_name: str, why: str) -> None:
    """RFC 3414 section 3.2: usmStats reports for users, levels and digests; RFC 3416: authorizationError."""
    user, hint = REFUSED[why]

    async def main() -> None:
        reader = Reader(open_engine(engine_name))
        peer = Peer("127.0.0.1", agent.port, user, timeout=0.25, retries=1)
        for _ in range(2):
            with pytest.raises(Denied, match=hint) as caught:
                await reader.read(peer)
            said = f"{caught.value}{caught.value!r}{peer!r}"
            assert not any(secret in said for secret in ("not-the-pass-phrase", A, P))
        assert (await reader.probe(peer)).answered
        await reader.close()

    run(main())


@pytest.mark.parametrize("forget", [False, True])
def test_a_restarted_agent_is_read_on(
    run: Callable, tmp_path_factory: pytest.TempPathFactory, engine_name: str, forget: bool
) -> None:
    """Its restart count has risen (notInTimeWindow), or its whole identity is another (unknownEngineID)."""

    async def main() -> None:
        with serving(tmp_path_factory.mktemp("snmpd"), printer.colour_printer()) as agent:
            reader = Reader(open_engine(engine_name))
            peer = Peer("127.0.0.1", agent.port, AUTH_PRIV, timeout=0.4, retries=3)
            await reader.read(peer)
            agent.restart(forget=forget)
            again = await reader.read(peer)
            assert again.cells[LEVEL + "1.2"] == 50
            await reader.close()

    run(main())


def test_a_context_is_read_through_the_engine_that_has_them(
    run: Callable, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Net-SNMP as a proxy: what lies in the context ``annex`` is another agent's (snmpd.conf(5), proxy -Cn)."""

    async def main() -> None:
        other = printer.system("Bruma 90 in the annex") | printer.device(1, "BR-9")
        async with answering(other) as annex:
            more = (
                f"proxy -Cn annex -v 2c -c public 127.0.0.1:{annex.port} .1.3.6.1.2.1\n"
                "group readers usm sha256-aes\nview everything included .1\n"
                "access readers annex usm priv exact everything none none\n"
            )
            process = await asyncio.to_thread(_serve, tmp_path_factory, more)
            with process as agent:
                user = UsmUser("sha256-aes", "SHA-256", A, "AES-128", P, context="annex")
                found = await readings("pysnmp", Peer("127.0.0.1", agent.port, user))
                assert found[0].cells["1.3.6.1.2.1.1.1.0"] == b"Bruma 90 in the annex"
                assert found[0].cells["1.3.6.1.2.1.43.5.1.1.17.1"] == b"BR-9"
                plain = await readings("pysnmp", Peer("127.0.0.1", agent.port, AUTH_PRIV))
                assert plain[0].cells["1.3.6.1.2.1.43.5.1.1.17.1"] == b"TG-0001"

    run(main())


def _serve(tmp_path_factory: pytest.TempPathFactory, more: str):  # type: ignore[no-untyped-def]
    return serving(tmp_path_factory.mktemp("snmpd"), printer.colour_printer(), more)


def _flip(data: bytes) -> bytes:
    """Change the last octet: of an authenticated message that is within what the digest covers (RFC 3414 section 6)."""
    return data[:-1] + bytes([data[-1] ^ 1])


@pytest.mark.parametrize("how", ["SHA-1", "SHA-256 AES-128"])
def test_an_answer_changed_on_the_way_is_not_believed(run: Callable, agent: Agent, engine_name: str, how: str) -> None:
    async def main() -> None:
        engine = open_engine(engine_name)
        async with relaying(agent.port) as relay:
            peer = Peer("127.0.0.1", relay.port, CREDENTIALS[how], timeout=1)
            name = "1.3.6.1.2.1.1.5.0"
            assert await engine.get(peer, [name]) == {name: b"reading-room"}
            relay.back = _flip
            with pytest.raises((Silent, Garbled)):
                pytest.fail(f"believed {await engine.get(peer, [name], 0.5)}")
            relay.back = lambda data: data
            assert await engine.get(peer, [name]) == {name: b"reading-room"}
        await engine.close()

    run(main())


@pytest.mark.parametrize("how", ["v2c", "noAuthNoPriv", "SHA-256 AES-128"])
def test_what_comes_from_another_port_is_no_answer(run: Callable, agent: Agent, engine_name: str, how: str) -> None:
    async def main() -> None:
        engine = open_engine(engine_name)
        async with relaying(agent.port) as relay:
            peer = Peer("127.0.0.1", relay.port, CREDENTIALS[how], timeout=0.4)
            relay.from_elsewhere = True
            with pytest.raises(Silent):
                await engine.get(peer, ["1.3.6.1.2.1.1.5.0"])
            relay.from_elsewhere = False
            assert await engine.get(peer, ["1.3.6.1.2.1.1.5.0"], 2)
        await engine.close()

    run(main())


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts file descriptors in /proc")
@pytest.mark.parametrize("how", ["v2c", "SHA-256 AES-128"])
def test_no_file_descriptor_is_left_open(run: Callable, agent: Agent, engine_name: str, how: str) -> None:
    def held() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    async def main() -> None:
        engine = open_engine(engine_name)
        name = "1.3.6.1.2.1.1.5.0"
        before = 0
        for turn in range(6):
            for n in range(3):
                peer = Peer("127.0.0.1", agent.port, CREDENTIALS[how], deadline=20.0 + n)
                assert await engine.get(peer, [name])
                mute = Peer("127.0.0.1", 9, CREDENTIALS[how], timeout=0.05)
                with pytest.raises(Silent):  # nothing listens on the discard port, or nothing answers
                    await engine.get(mute, [name])
                await engine.forget(peer)
            if turn == 0:
                before = held()
        assert held() <= before
        await engine.close()

    run(main())


def test_lost_and_late_datagrams_under_version_3(run: Callable, agent: Agent, engine_name: str) -> None:
    async def main() -> None:
        reader = Reader(open_engine(engine_name))
        async with relaying(agent.port) as relay:
            peer = Peer("127.0.0.1", relay.port, AUTH_PRIV, timeout=0.2, retries=3, deadline=15)
            number = 0

            def lossy(data: bytes) -> bytes | None:
                nonlocal number
                number += 1
                return None if number % 15 == 3 else data

            relay.back = lossy
            found = await reader.read(peer)
            assert found.devices == (1,)
            assert found.traffic.retries > 0
            assert found.truncated == ()
        await reader.close()

    run(main())


def test_under_version_3_nothing_is_set_either(run: Callable, agent: Agent, engine_name: str) -> None:
    """The PDU type shows in messages that are not encrypted (authNoPriv)."""

    async def main() -> None:
        reader = Reader(open_engine(engine_name))
        async with relaying(agent.port) as relay:
            peer = Peer("127.0.0.1", relay.port, CREDENTIALS["SHA-1"])
            for full in (False, True, False):
                await reader.read(peer, full=full)
            await reader.probe(peer)
            kinds = {ber.pdu_tag(data) for data in relay.seen}
            assert len(relay.seen) > 10
            assert kinds <= {ber.GET, ber.GET_NEXT, ber.GET_BULK}
        await reader.close()

    run(main())


def test_a_context_that_the_agent_does_not_know_is_named(run: Callable, agent: Agent) -> None:
    # RFC 3413 section 3.2 asks for a report of snmpUnknownContexts; this agent drops the request without a word.
    assert isinstance(AUTH_PRIV, UsmUser)
    peer = Peer("127.0.0.1", agent.port, dataclasses.replace(AUTH_PRIV, context="nowhere"), timeout=0.5, deadline=2)
    with pytest.raises(Denied, match="the context 'nowhere'"):
        run(readings("pysnmp", peer))
