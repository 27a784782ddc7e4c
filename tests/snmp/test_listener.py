"""Notifications of a real sender (Debian's snmptrap) are heard; junk and floods cost little and keep nothing.

The notification of a printer is printerV2Alert (RFC 3805), 1.3.6.1.2.1.43.18.2.0.1; as an SNMPv1 trap: enterprise
1.3.6.1.2.1.43.18.2, generic 6 (enterpriseSpecific), specific 1 (RFC 3584 section 3.2).
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import resource
import socket
import time
from collections.abc import AsyncIterator, Callable, Sequence
from functools import partial
from pathlib import Path

import pytest

from agent.model.wire import UsmUser
from agent.snmp.gate import Gate
from agent.snmp.listener import CannotHear, Listener, plain_address
from agent.snmp.notification import read_plain
from agent.snmp.notification_usm import UsmReader
from tests.needs import debian

ALERT = "1.3.6.1.2.1.43.18.2.0.1"
ROW = ("1.3.6.1.2.1.43.18.1.1.2.1.5", "i", "3", "1.3.6.1.2.1.43.18.1.1.7.1.5", "i", "8")  # critical, jam
ENGINE = "0x80007ed90501020304"
USER = UsmUser("watch", "SHA-256", "watch-auth-phrase", "AES-128", "watch-priv-phrase")
NAMESAKE = UsmUser("watch", "SHA-1", "other-auth-phrase", "AES-128", "other-priv-phrase")
SIGNING = UsmUser("signing", "SHA-512", "signing-auth-phrase")
OPEN = UsmUser("open")
USERS = (NAMESAKE, USER, SIGNING, OPEN)
_PROTOCOLS = {"SHA-1": "SHA"}  # as net-snmp calls it


@contextlib.asynccontextmanager
async def listening(
    sources: Sequence[str] = ("127.0.0.1",), users: Sequence[UsmUser] = (), host: str = "127.0.0.1"
) -> AsyncIterator[tuple[Listener, list[str]]]:
    heard: list[str] = []
    listener = Listener(host, 0, heard.append, users)
    listener.know(sources)
    listener.start()
    try:
        yield listener, heard
    finally:
        listener.close()


async def send(port: int, *words: str, host: str = "127.0.0.1") -> tuple[int, str]:
    """Run snmptrap; its exit status and what it complained of."""
    command = [debian("snmp", "snmptrap"), "-r", "1", "-t", "1", *words[:-1], f"{host}:{port}", *words[-1].split(" ")]
    done = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT, env={**os.environ, "MIBS": ""}
    )
    told, _ = await asyncio.wait_for(done.communicate(), 15)
    return done.returncode or 0, told.decode()


async def until(reached: Callable[[], bool], seconds: float = 3.0) -> None:
    end = time.monotonic() + seconds
    while not reached() and time.monotonic() < end:
        await asyncio.sleep(0.01)
    assert reached()


def v2(oid: str = ALERT) -> str:
    """The arguments of a v2c or v3 notification: no uptime, its name, its variables."""
    return " ".join(("42", oid, *ROW))


def as_user(user: UsmUser, engine: str | None = ENGINE) -> list[str]:
    words = ["-v3", "-l", user.level, "-u", user.user, *(("-e", engine) if engine else ())]
    if user.auth and user.auth_key:
        words += ["-a", _PROTOCOLS.get(user.auth, user.auth), "-A", user.auth_key]
    if user.priv and user.priv_key:
        words += ["-x", user.priv.partition("-")[0], "-X", user.priv_key]
    return words


V1_TRAP = ("-v1", "-c", "somewhat", " ".join(("1.3.6.1.2.1.43.18.2", "127.0.0.1", "6", "1", "42", *ROW)))
HEARD = {
    "v1": V1_TRAP,
    "v2c": ("-v2c", "-c", "public", v2()),
    "v2c cold start": ("-v2c", "-c", "public", v2("1.3.6.1.6.3.1.1.5.1")),
    "v2c inform": ("-v2c", "-c", "public", "-Ci", v2()),
    "v3 authPriv": (*as_user(USER), v2()),
    "v3 authPriv, the other of that name": (*as_user(NAMESAKE), v2()),
    "v3 authNoPriv": (*as_user(SIGNING), v2()),
    "v3 noAuthNoPriv": (*as_user(OPEN), v2()),
    "v3 inform": (*as_user(SIGNING, None), "-Ci", v2()),
}


def test_notifications_of_every_version_are_heard() -> None:
    async def go() -> None:
        async with listening(users=USERS) as (listener, heard):
            for number, (kind, words) in enumerate(HEARD.items(), 1):
                listener._gate = Gate()  # as if they came one after the other in an hour
                # snmptrap waits for the response to an inform, and fails without one.
                assert await send(listener.port, *words) == (0, ""), kind
                await until(lambda number=number: len(heard) == number)
            assert set(heard) == {"127.0.0.1"}
            # Besides these there is only what comes before an SNMPv3 inform: the question for our engine.
            others = {name: count for name, count in listener.counts.items() if count and name != "heard"}
            assert set(others) == {"ignored"}

    asyncio.run(go())


NOT_HEARD = {
    "authenticationFailure v1": (("-v1", "-c", "public", "1.3.6.1.4.1.8072 127.0.0.1 4 0 42"), "ignored"),
    "authenticationFailure v2c": (("-v2c", "-c", "public", v2("1.3.6.1.6.3.1.1.5.5")), "ignored"),
    "v3 unknown user": ((*as_user(UsmUser("nobody", "SHA-256", "watch-auth-phrase")), v2()), "denied"),
    "v3 wrong key": ((*as_user(UsmUser("signing", "SHA-512", "another-phrase")), v2()), "denied"),
    "v3 wrong privacy key": (
        (*as_user(UsmUser("watch", "SHA-256", "watch-auth-phrase", "AES-128", "another-phrase")), v2()), "denied"),
    "v3 less than the user signs": ((*as_user(UsmUser("signing")), v2()), "denied"),
}  # fmt: skip


def test_what_is_no_reason_to_ask_is_counted_only() -> None:
    async def go() -> None:
        async with listening(users=USERS) as (listener, heard):
            for words, outcome in NOT_HEARD.values():
                listener._gate = Gate()
                before = listener.counts[outcome]
                await send(listener.port, *words)
                await until(lambda outcome=outcome, before=before: listener.counts[outcome] == before + 1)
            assert heard == []

    asyncio.run(go())


def test_an_inform_with_a_wrong_key_is_not_confirmed() -> None:
    async def go() -> None:
        async with listening(users=(SIGNING,)) as (listener, heard):
            stranger = UsmUser("signing", "SHA-512", "another-phrase")
            status, _ = await send(listener.port, *as_user(stranger, None), "-Ci", v2())
            assert status != 0
            assert heard == []
            assert listener.counts["denied"] > 0

    asyncio.run(go())


def test_senders_that_nobody_asks_are_ignored() -> None:
    async def go() -> None:
        async with listening(sources=("127.0.0.9",)) as (listener, heard):
            await send(listener.port, *HEARD["v2c"])
            await until(lambda: listener.counts["unknown"] == 1)
            listener.know(["127.0.0.1"])
            await send(listener.port, *HEARD["v2c"])
            await until(lambda: heard == ["127.0.0.1"])

    asyncio.run(go())


def test_both_families_are_heard_at_once() -> None:
    async def go() -> None:
        async with listening(sources=("127.0.0.1", "::1"), users=(SIGNING,), host="::") as (listener, heard):
            await send(listener.port, *HEARD["v3 inform"])
            await send(listener.port, *HEARD["v2c inform"], host="udp6:[::1]")
            await until(lambda: heard == ["127.0.0.1", "::1"])

    asyncio.run(go())


def test_the_users_may_change_while_it_listens() -> None:
    async def go() -> None:
        async with listening() as (listener, heard):
            await send(listener.port, *HEARD["v3 authNoPriv"])
            await until(lambda: listener.counts["denied"] == 1)
            listener.use((SIGNING,))
            await send(listener.port, *HEARD["v3 authNoPriv"])
            await until(lambda: heard == ["127.0.0.1"])

    asyncio.run(go())


def test_informs_go_on_after_a_restart() -> None:
    """The sender knows our engine by its id and boots (RFC 3414 section 3.2): the id stays, and boots only grow."""
    seen = []
    for at in (1_790_000_000.0, 1_790_000_030.0):
        reader = UsmReader((OPEN,), b"12345678", partial(float, at))
        seen.append((reader._engine_id, reader._boots))
        reader.use((UsmUser("other"),))
        seen.append((reader._engine_id, reader._boots))
    assert len({engine for engine, _ in seen}) == 1
    boots = [number for _, number in seen]
    assert boots == sorted(set(boots))
    assert boots[-1] < 2**31


def test_what_is_kept_of_senders_is_bounded() -> None:
    reader = UsmReader((OPEN,), b"12345678", time.time, senders=15)
    (trap,) = captured(*HEARD["v3 noAuthNoPriv"])
    engine = bytes.fromhex(ENGINE[2:])
    assert engine in trap
    for number in range(40):
        other = trap.replace(engine, engine[:-4] + number.to_bytes(4, "big"))
        assert reader.read(other, ("127.0.0.1", 9)).outcome == "heard"
        assert reader._engines[0].met <= 16


def captured(*words: str) -> list[bytes]:
    """The datagrams of one call of snmptrap, as they are on the wire."""

    async def go() -> list[bytes]:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as wire:
            wire.bind(("127.0.0.1", 0))
            wire.settimeout(3)
            await send(wire.getsockname()[1], *words)
            return [wire.recv(4096)]

    return asyncio.run(go())


def test_damaged_messages_are_counted_and_nothing_else() -> None:
    rng = random.Random(20)
    good = [*captured(*HEARD["v1"]), *captured(*HEARD["v2c"]), *captured(*HEARD["v3 authPriv"])]
    good += captured(*HEARD["v3 authNoPriv"])
    heard: list[str] = []
    listener = Listener("127.0.0.1", 0, heard.append, (USER, SIGNING), timer=iter(range(10**6)).__next__)
    listener.know(["127.0.0.1"])
    for _ in range(200):
        data = bytearray(rng.choice(good))
        for _ in range(rng.randrange(1, 6)):
            data[rng.randrange(len(data))] = rng.randrange(256)
        damaged = bytes(data[: rng.randrange(len(data) + 1)]) if rng.random() < 0.3 else bytes(data)
        listener._take(damaged, ("127.0.0.1", 9), whole=True)
    for data in (
        b"",
        b"\x30",
        b"\x30\x80",
        b"\x30\x84\xff\xff\xff\xff",
        bytes(4096),
        b"\x30" * 4096,
        b"\xa0\x80" * 999,
    ):
        listener._take(data, ("127.0.0.1", 9), whole=True)
    assert sum(listener.counts.values()) == 207
    assert listener.counts["garbled"] > 40
    assert listener.counts["unknown"] == listener.counts["dropped"] == 0


@pytest.mark.parametrize("version", [0, 1])
def test_a_request_is_no_notification(version: int) -> None:
    from agent.snmp import ber

    assert read_plain(ber.request(version, "public", ber.GET, 1, ["1.3.6.1.2.1.1.1.0"]), version).outcome == "ignored"


def resident() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


@pytest.mark.parametrize("kind", ["known", "unknown", "junk", "v3"])
def test_a_flood_holds_up_nothing_and_keeps_nothing(kind: str) -> None:
    """5,000 a second for half a second, from one sender; the loop's other work goes on, and memory stays."""
    trap = captured(*HEARD["v3 authPriv" if kind == "v3" else "v2c"])[0]
    data = bytes(random.Random(3).randrange(256) for _ in range(300)) if kind == "junk" else trap

    async def go() -> None:
        async with listening(("127.0.0.9",) if kind == "unknown" else ("127.0.0.1",), (USER,)) as (listener, heard):
            late, sent, before = [], 0, resident()
            began = time.monotonic()
            spent = time.process_time()
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                while (since := time.monotonic() - began) < 0.5:
                    while sent < since * 5_000:
                        sender.sendto(data, ("127.0.0.1", listener.port))
                        sent += 1
                    turn = time.monotonic()
                    await asyncio.sleep(0.001)
                    late.append(time.monotonic() - turn - 0.001)
            await until(lambda: sum(listener.counts.values()) >= sent)
            spent = time.process_time() - spent
            counts = listener.counts
            assert len(heard) <= 6  # five at once, and one more each second
            assert counts["unknown" if kind == "unknown" else "dropped"] >= sent - 6
            assert sorted(late)[len(late) // 2] < 0.05
            assert resident() - before < 8 * 2**20
            assert spent < 0.5, f"{spent:.2f} s of processor time, sending among them"

    asyncio.run(go())


def test_what_the_system_loses_is_counted() -> None:
    async def go() -> None:
        async with listening() as (listener, _):
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                for _ in range(6_000):  # while the loop is busy elsewhere
                    sender.sendto(bytes(1_000), ("127.0.0.1", listener.port))
                await asyncio.sleep(0.3)
                sender.sendto(bytes(10), ("127.0.0.1", listener.port))
                await until(lambda: sum(listener.counts.values()) >= 6_001)
            assert listener.counts["lost"] > 0

    asyncio.run(go())


def test_a_source_that_floods_takes_nothing_from_the_others() -> None:
    gate = Gate(burst=5, rate=1, all_burst=60, all_rate=20)
    assert sum(gate.admits("192.0.2.1", 0.0) for _ in range(10_000)) == 5
    assert gate.admits("192.0.2.2", 0.0)
    assert sum(gate.admits("192.0.2.1", second) for second in range(1, 11) for _ in range(100)) == 10
    # Many sources together pass no more than one bucket's worth either.
    assert sum(gate.admits(f"198.51.100.{n}", 10.0) for n in range(250)) <= 60


def test_a_port_that_is_taken_is_told_with_what_to_do() -> None:
    async def go() -> None:
        async with listening() as (listener, _):
            with pytest.raises(CannotHear, match=r"listen\.notifications"):
                Listener("127.0.0.1", listener.port, lambda _: None).start()

    asyncio.run(go())


def test_addresses_are_known_in_one_form() -> None:
    assert plain_address("::ffff:192.0.2.1") == "192.0.2.1"
    assert plain_address("fe80::1%eth0") == "fe80::1"
    assert plain_address("2001:db8::1") == "2001:db8::1"
