"""Reaching the database: URLs, connections, transactions, and the translation of what goes wrong."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, exc, make_url, text

from agent.store.errors import StoreRefused
from agent.store.translating import translated

_WRITE = "lowmark_write"
_WRITER_LOCK = 0x4C6F776D
"""The key of the advisory lock that makes writers to one PostgreSQL store take turns."""

_PARAMETERS_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Place:
    """Where the store is. ``shown`` is fit for people and logs: it holds no password."""

    url: URL
    shown: str

    @property
    def is_sqlite(self) -> bool:
        """True for a file of our own, False for a server."""
        return self.url.get_backend_name() == "sqlite"


def find(url: str) -> Place:
    """Understand a store URL. Raises StoreRefused with what may be written instead."""
    hint = "write sqlite:///FILE or postgresql://USER@HOST/DATABASE"
    try:
        parsed = make_url(url)
    except exc.ArgumentError:
        raise StoreRefused(f"the store URL cannot be understood; {hint}") from None
    backend = parsed.get_backend_name()
    if backend == "postgresql":
        parsed = parsed.set(drivername="postgresql+psycopg")
    elif backend != "sqlite":
        raise StoreRefused(f"no store can be kept in {backend!r}; {hint}")
    elif parsed.database in (None, "", ":memory:"):
        raise StoreRefused("the store URL names no file; write e.g. sqlite:///lowmark.sqlite")
    if "password" in parsed.query:
        secret = parsed.query["password"]
        parsed = parsed.difference_update_query(["password"])
        parsed = parsed.set(password=secret if isinstance(secret, str) else secret[-1])
    return Place(parsed, parsed.render_as_string(hide_password=True))


def connect(place: Place, *, create: bool, patience: timedelta) -> Engine:
    """An engine for ``place``; nothing is asked of it yet. ``patience``: how long to wait for another's lock."""
    if place.is_sqlite:
        return _sqlite(place, create, patience)
    milliseconds = round(patience.total_seconds() * 1000)
    arguments: dict[str, Any] = {"connect_timeout": 5, "application_name": "lowmark"}
    given = place.url.query.get("options", "")
    limits = f"-c lock_timeout={milliseconds} -c statement_timeout=120000"
    arguments["options"] = f"{limits} {given if isinstance(given, str) else ' '.join(given)}"
    url = place.url.difference_update_query(["options"])
    try:
        engine = create_engine(url, connect_args=arguments, pool_pre_ping=True)
    except ModuleNotFoundError:
        raise StoreRefused(
            "keeping the history in PostgreSQL needs the driver psycopg; install it with: "
            "pip install 'lowmark[postgresql]'"
        ) from None

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if connection.get_execution_options().get(_WRITE):
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _WRITER_LOCK})

    return engine


def _sqlite(place: Place, create: bool, patience: timedelta) -> Engine:
    file = Path(place.url.database or "")
    if not file.exists():
        if not create:
            raise StoreRefused(
                f"there is no store at {file}; name an existing one with --store, or let the agent run first"
            )
        if not file.parent.is_dir():
            raise StoreRefused(f"the store {file} cannot be made: there is no folder {file.parent}")
    # The connection used last is used next: each has a cache of its own, and those that rest need not fill theirs.
    engine = create_engine(place.url, connect_args={"timeout": patience.total_seconds()}, pool_use_lifo=True)

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves, so that a writer can say it means to write
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")  # what was acknowledged outlives a power cut, too

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        write = connection.get_execution_options().get(_WRITE)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


@contextmanager
def writing(engine: Engine, place: Place) -> Iterator[Connection]:
    """One write transaction; no other writer gets in between. Raises StoreError."""
    with translated(place.shown, place.url.password), engine.connect() as plain:
        connection = plain.execution_options(**{_WRITE: True})
        with connection.begin():
            yield connection


@contextmanager
def reading(engine: Engine, place: Place) -> Iterator[Connection]:
    """One read transaction: all that is read in it belongs to one moment. Raises StoreError."""
    with translated(place.shown, place.url.password), engine.connect() as connection, connection.begin():
        yield connection


def chunks(ids: list[int]) -> Iterator[list[int]]:
    """Lists short enough for one statement's parameters."""
    for start in range(0, len(ids), _PARAMETERS_AT_ONCE):
        yield ids[start : start + _PARAMETERS_AT_ONCE]
