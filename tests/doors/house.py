"""A store with people in it, and the whole application over it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import httpx
from argon2 import PasswordHasher

from agent.app.keeper import Keeper
from agent.model.health import Health
from agent.store import Store
from agent.web import Server, build_app
from agent.web.gate import Gate
from agent.web.house import House

START = datetime(2026, 3, 18, 14, 30, tzinfo=UTC)
READY = Health(settings_loaded=True, store_open=True, swept=True, heartbeat_age=0.2)
GOOD = "seven grey herons wait"
OTHER = "umbrella piano gravel tea"


@dataclass
class Time:
    """A clock that goes on when it is told to."""

    gone: timedelta = field(default_factory=timedelta)

    def now(self) -> datetime:
        return START + self.gone

    def timer(self) -> float:
        return self.gone.total_seconds()

    def on(self, **by: float) -> None:
        self.gone += timedelta(**by)


def keeper_of(store: Store, time: Time, *, dear: bool = False) -> Keeper:
    """``dear``: with hashes that cost as much as they really do."""
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    return Keeper(store, time.now, time.timer, hasher=None if dear else quick)


@contextmanager
def served(house: House, gate: Gate) -> Iterator[str]:
    """The address of the application with its doors set like this."""
    app = build_app(lambda _: (b"lowmark_up 1\n", "text/plain"), lambda: READY, house, gate=gate)
    with Server(app) as server:
        yield f"http://127.0.0.1:{server.port}"


@contextmanager
def visitor(address: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=address, trust_env=False, timeout=20) as client:
        yield client


def field_in(page: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    assert found is not None
    return found[1]


def sign_in(client: httpx.Client, name: str, password: str, there: str = "/printers") -> httpx.Response:
    page = client.get("/sign-in", params={"next": there})
    return client.post(
        "/sign-in", data={"csrf": field_in(page.text), "name": name, "password": password, "next": there}
    )
