"""Who may hear of changes, and for how long."""

from __future__ import annotations

import threading
import time as real_time

import httpx
import pytest

from agent.app.keeper import Keeper
from agent.store import Store
from agent.web import Server, build_app
from agent.web.gate import Gate
from agent.web.live import Bulletin
from tests.doors.house import GOOD, READY, Time, keeper_of, sign_in
from tests.web.world import StoreHouse


@pytest.fixture
def keeper(store: Store, time: Time) -> Keeper:
    made = keeper_of(store, time)
    made.add("Lark", "look", GOOD, "root")
    return made


def test_only_who_is_signed_in_listens_and_only_while_that_lasts(lived_in: StoreHouse, keeper: Keeper) -> None:
    bulletin = Bulletin(heartbeat=0.2)
    app = build_app(lambda _: (b"", "text/plain"), lambda: READY, lived_in, gate=Gate(keeper, True), bulletin=bulletin)
    with (
        Server(app) as server,
        httpx.Client(base_url=f"http://127.0.0.1:{server.port}", trust_env=False, timeout=20) as client,
    ):
        assert client.get("/live").status_code == 303
        assert not bulletin.wanted
        sign_in(client, "Lark", GOOD)
        lines: list[str] = []
        ended = threading.Event()

        def listen() -> None:
            with client.stream("GET", "/live") as answer:
                lines.extend(answer.iter_lines())
            ended.set()

        threading.Thread(target=listen, daemon=True).start()
        real_time.sleep(1.0)
        assert bulletin.wanted
        assert not ended.is_set()
        keeper.remove("Lark", "root")
        assert ended.wait(10)
        assert ": still here" in lines
        assert not bulletin.wanted


def test_what_a_page_asks_for_by_itself_does_not_lengthen_the_session(
    lived_in: StoreHouse, keeper: Keeper, time: Time
) -> None:
    app = build_app(lambda _: (b"", "text/plain"), lambda: READY, lived_in, gate=Gate(keeper, True))
    with (
        Server(app) as server,
        httpx.Client(base_url=f"http://127.0.0.1:{server.port}", trust_env=False, timeout=60) as client,
    ):
        sign_in(client, "Lark", GOOD)
        for _ in range(3):
            time.on(hours=5)
            by_itself = client.get("/alarms", headers={"x-lowmark-live": "1"}).status_code
            chart = client.get("/printers/1/pages.svg").status_code
        assert by_itself == chart == 303
        sign_in(client, "Lark", GOOD)
        for _ in range(3):
            time.on(hours=5)
            assert client.get("/alarms").status_code == 200
