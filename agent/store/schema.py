"""Bringing a store's tables up to this program, and refusing those it does not understand."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

from sqlalchemy import Connection, Engine, inspect, text

from agent.store.engine import Place, reading, writing
from agent.store.errors import StoreBusy, StoreCorrupt, StoreNewer, StoreRefused
from agent.store.translating import translated

VERSION_TABLE = "lowmark_version"
STEPS = ("0001", "0002", "0003", "0004", "0005", "0006")
"""The steps of ``migrations/versions``, in order; known here so that opening a store needs no Alembic if it is up to
date."""


_TURNS = 24
"""How often a store that another program is bringing up to date is asked again, each time for as long as a lock is
waited for: a large history takes its time to be copied."""


def bring_up_to_date(
    engine: Engine,
    place: Place,
    *,
    create: bool,
    target: str = STEPS[-1],
    keep: Callable[[str], object] = lambda _step: None,
) -> None:
    """Run the steps that are missing, all in one transaction under the writer's lock.

    ``keep``: called under the lock with the step of a store that has something to be changed, before anything is; what
    it raises leaves the store as it was.

    Raises StoreNewer for a store of a newer program, StoreCorrupt for a file that is something else, StoreRefused when
    there is no store and ``create`` is False.
    """
    for turn in range(_TURNS):
        with reading(engine, place) as connection:
            if _version(connection, place, create) == target:
                return
        try:
            _take_steps(engine, place, create, target, keep)
        except StoreBusy:
            if turn + 1 == _TURNS:
                raise
        else:
            return


def _take_steps(engine: Engine, place: Place, create: bool, target: str, keep: Callable[[str], object]) -> None:
    if place.is_sqlite:
        with translated(place.shown, place.url.password), engine.connect() as connection:
            # This cannot be said within a transaction, and it is remembered in the file.
            raw = connection.connection.driver_connection
            assert raw is not None  # noqa: S101  a pooled connection has one
            raw.execute("PRAGMA journal_mode = WAL")
    with writing(engine, place) as connection:
        found = _version(connection, place, create)
        if found == target:
            return
        if found is not None:
            keep(found)
        _run(connection, target)


def _version(connection: Connection, place: Place, create: bool) -> str | None:
    tables = set(inspect(connection).get_table_names())
    if VERSION_TABLE not in tables:
        strangers = tables if place.is_sqlite else tables & {"printer", "supply", "contact_run", "ledger"}
        if strangers:
            raise StoreCorrupt(
                f"{place.shown} holds tables of something else ({', '.join(sorted(strangers)[:3])} ...); "
                "name another store"
            )
        if not create:
            raise StoreRefused(f"there is no history in {place.shown} yet; let the agent run, or import one")
        return None
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()  # noqa: S608  a constant
    if found is not None and found not in STEPS:
        raise StoreNewer(
            f"the store {place.shown} was written by a newer Lowmark (step {found}; this one knows up to {STEPS[-1]}). "
            "Install the newer Lowmark again; going back would lose what it has written"
        )
    return None if found is None else str(found)


def _run(connection: Connection, target: str) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    folder = str(files("agent.store").joinpath("migrations"))
    config.set_main_option("script_location", folder.replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, target)
