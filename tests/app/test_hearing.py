"""What is heard becomes an asking: gathered, not too often, and held when it must be."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable

from agent.app import hearing
from agent.app.hearing import Hearing, users
from agent.model.wire import Peer, UsmUser
from agent.settings import Settings
from agent.sweep.station import Station, Stop


def settings(port: int, **more: object) -> Settings:
    return Settings.model_validate({"listen": {"notifications": f"127.0.0.1:{port}"}, **more})


def stations(*hosts: str) -> list[Station]:
    return [Station(Stop(Peer(host, 1161))) for host in hosts]


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Asked:
    """Keeps who was asked when; ``slow`` makes an asking last."""

    def __init__(self) -> None:
        self.calls: list[list[str]] = []
        self.times: list[float] = []
        self.slow: dict[str, asyncio.Event] = {}

    async def __call__(self, stations: list[Station]) -> None:
        hosts = [station.stop.peer.host for station in stations]
        self.calls.append(hosts)
        self.times.append(asyncio.get_running_loop().time())
        for host in hosts:
            if host in self.slow:
                await self.slow[host].wait()


@contextlib.asynccontextmanager
async def going(*hosts: str, **more: object) -> AsyncIterator[tuple[Hearing, Asked]]:
    asked = Asked()
    one = Hearing(asked, asyncio.get_running_loop().time)
    await one.start(settings(free_port(), **more), stations(*hosts))
    try:
        yield one, asked
    finally:
        await one.stop()


async def until(reached: Callable[[], bool], seconds: float = 4.0) -> None:
    async with asyncio.timeout(seconds):
        while not reached():
            await asyncio.sleep(0.01)


def test_what_comes_within_a_moment_is_asked_once_and_together() -> None:
    async def go() -> None:
        async with going("127.0.0.2", "127.0.0.3", "127.0.0.4") as (one, asked):
            for source in ("127.0.0.2", "127.0.0.3", "127.0.0.2", "127.0.0.9"):
                one.heard(source)
            await until(lambda: bool(asked.calls))
            await asyncio.sleep(0.3)
            assert [sorted(call) for call in asked.calls] == [["127.0.0.2", "127.0.0.3"]]

    asyncio.run(go())


def test_a_printer_is_not_asked_again_at_once_but_a_later_alert_is_not_lost() -> None:
    async def go() -> None:
        async with going("127.0.0.2") as (one, asked):
            one.heard("127.0.0.2")
            await until(lambda: len(asked.calls) == 1)
            for _ in range(50):
                one.heard("127.0.0.2")
            await until(lambda: len(asked.calls) == 2)
            assert asked.times[1] - asked.times[0] >= hearing.PAUSE_SECONDS - 0.05

    asyncio.run(go())


def test_one_that_does_not_answer_holds_up_no_other() -> None:
    async def go() -> None:
        async with going("127.0.0.2", "127.0.0.3") as (one, asked):
            asked.slow["127.0.0.2"] = asyncio.Event()
            one.heard("127.0.0.2")
            await until(lambda: len(asked.calls) == 1)
            one.heard("127.0.0.3")
            await until(lambda: asked.calls[-1] == ["127.0.0.3"], 1)
            asked.slow["127.0.0.2"].set()

    asyncio.run(go())


def test_nobody_is_asked_while_settings_are_taken_up() -> None:
    async def go() -> None:
        async with going("127.0.0.2", "127.0.0.3") as (one, asked):
            asked.slow["127.0.0.2"] = asyncio.Event()
            one.heard("127.0.0.2")
            await until(lambda: len(asked.calls) == 1)
            asyncio.get_running_loop().call_later(0.1, asked.slow["127.0.0.2"].set)
            async with one.quiet():
                assert asked.slow["127.0.0.2"].is_set(), "what was under way has ended"
                one.heard("127.0.0.3")
                await asyncio.sleep(0.4)
                assert len(asked.calls) == 1
            await until(lambda: asked.calls[-1] == ["127.0.0.3"], 1)

    asyncio.run(go())


def test_other_stations_are_heard_after_a_reload() -> None:
    async def go() -> None:
        async with going("127.0.0.2") as (one, asked):
            one.heard("127.0.0.2")
            one.renew(settings(1), stations("127.0.0.5"))
            one.heard("127.0.0.2")
            one.heard("127.0.0.5")
            await until(lambda: bool(asked.calls))
            await asyncio.sleep(0.3)
            assert asked.calls == [["127.0.0.5"]]

    asyncio.run(go())


def test_printers_listed_by_name_are_known_by_their_addresses() -> None:
    async def go() -> None:
        async with going("localhost") as (one, asked):
            await until(lambda: bool(one._homes))
            one.heard("127.0.0.1")
            await until(lambda: asked.calls == [["localhost"]])

    asyncio.run(go())


def test_it_is_off_unless_it_is_set() -> None:
    async def go() -> None:
        one = Hearing(Asked(), asyncio.get_running_loop().time)
        await one.start(Settings(), stations("127.0.0.2"))
        assert one.counts == {}
        one.heard("127.0.0.2")
        one.renew(Settings(), ())
        async with one.quiet():
            pass
        await one.stop()

    asyncio.run(go())


def test_the_users_are_those_of_the_credentials(monkeypatch) -> None:
    monkeypatch.setenv("WATCH_PHRASE", "watch-auth-phrase")
    found = users(
        Settings.model_validate(
            {
                "credentials": {
                    "old": {"version": "2c"},
                    "watch": {"version": "3", "user": "watch", "auth": "SHA-256", "auth_key": {"env": "WATCH_PHRASE"}},
                    "gone": {"version": "3", "user": "gone", "auth": "SHA-256", "auth_key": {"env": "NO_SUCH_PHRASE"}},
                }
            }
        )
    )
    assert found == [UsmUser("watch", "SHA-256", "watch-auth-phrase")]
