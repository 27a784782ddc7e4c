"""Copies of a store that is in use, and the way back. Every copy is read back and compared before it counts.

A copy is made within one read transaction of the source, so it belongs to one moment, whatever is written meanwhile;
in WAL mode neither holds up the other (https://www.sqlite.org/backup.html, https://www.sqlite.org/isolation.html).
PostgreSQL has tools of its own for this, which these functions name instead of doing it by halves.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import blake2b
from pathlib import Path

from sqlalchemy import URL, exc

from agent.store import engine as engines
from agent.store.engine import Place
from agent.store.errors import StoreBusy, StoreCorrupt, StoreError, StoreFull, StoreGone, StoreNewer, StoreRefused
from agent.store.schema import STEPS, VERSION_TABLE
from agent.store.translating import translated

_PATIENCE = 5.0
_TRIES = 12  # a quarter of a second each: how often a locked store is asked again
_ROWS_AT_ONCE = 2_000
_UPGRADED = ".of-step-"
KEPT = 3
"""How many copies made before upgrades stay beside a store."""
_SPARE = 1.05  # of the space that a copy takes, to allow for what is written meanwhile


class NotThisWay(StoreRefused):
    """The call is wrong for this store or this file; ``str()`` says what to do instead."""

    status = 2


@dataclass(frozen=True, slots=True)
class Content:
    """What a database file holds. ``step``: of the schema. ``digest``: BLAKE2b over schema and every row."""

    step: str
    tables: int
    rows: int
    octets: int
    digest: str


@dataclass(frozen=True, slots=True)
class Copied:
    """A copy that was read back. ``aside``: where the former store was kept, where there was one to replace."""

    file: Path
    content: Content
    aside: Path | None = None


def back_up(url: str, target: Path, *, replace: bool = False) -> Copied:
    """Copy the store at ``url`` into the one file ``target``, while it may be in use.

    The copy appears under its name only when it has been read back and equals the source; a file that is there stays
    unless ``replace``. Raises StoreError; NotThisWay for PostgreSQL, and for a file that would be overwritten.
    """
    place = engines.find(url)
    if not place.is_sqlite:
        raise NotThisWay(_with_pg_dump(place, target))
    source = _existing(place)
    if not target.parent.is_dir():
        raise NotThisWay(f"there is no folder {target.parent} to put the copy in; make it first")
    if target.exists() and (not replace or target.samefile(source)):
        ours = target.samefile(source)
        hint = "that is the store itself; name another file" if ours else "name another one, or say --replace"
        raise NotThisWay(f"{target} is there already: {hint}")
    with _sqlite(place.shown), closing(_open(source)) as store:
        return _copy(store, target, place.shown)


def restore(url: str, source: Path, now: datetime, *, online: bool = False) -> Copied:
    """Put the copy ``source`` in the place of the store at ``url``; a store that is there is kept aside first.

    ``online``: also while other programs have the store open. They see the restored history at their next look, but
    must be started again since they remember things. Raises StoreError; NotThisWay when it is open and not ``online``.
    """
    place = engines.find(url)
    if not place.is_sqlite:
        raise NotThisWay(_with_pg_restore(place, source))
    target = Path(place.url.database or "")
    if not source.is_file():
        raise NotThisWay(f"there is no copy at {source}")
    if not target.parent.is_dir():
        raise NotThisWay(f"there is no folder {target.parent} to restore into; make it first")
    if target.exists() and target.samefile(source):
        raise NotThisWay(f"{source} is the store itself; name a copy made by lowmark backup")
    with _sqlite(str(source)), closing(_open(source)) as copy:
        _sound(copy, source)
        aside = _make_way(target, place.shown, now, online=online) if target.exists() else None
        content = _begin(copy, str(source))
        with _sqlite(place.shown):
            _pour(copy, target, place.shown)
            with closing(sqlite3.connect(target, timeout=_PATIENCE, isolation_level=None)) as made:
                made.execute("PRAGMA journal_mode = WAL")
        _compare(content, target, place.shown)
        _to_disk(target)
    return Copied(target, content, aside)


def save_aside(file: Path, now: datetime) -> Path:
    """Keep a copy of the SQLite store ``file`` beside it, named after the moment; gives its path. Raises StoreError."""
    aside = _aside(file, now)
    with _sqlite(str(file)), closing(_open(file)) as store:
        _copy(store, aside, str(file))
    return aside


def keep_before_upgrade(place: Place, step: str, now: datetime) -> Path | None:
    """Copy an SQLite store of ``step`` beside itself before its tables are changed; gives the copy's path.

    To be called under the writer's lock, so that the copy holds what is about to be changed. The latest ``KEPT`` such
    copies stay, older ones go. PostgreSQL changes its tables within the transaction and is copied by its own tools:
    None. Raises StoreError, in words that say why a copy is made at all.
    """
    if not place.is_sqlite:
        return None
    file = Path(place.url.database or "")
    kept = file.with_name(f"{file.name}{_UPGRADED}{step}-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}")
    try:
        with _sqlite(place.shown), closing(_open(file)) as store:
            _copy(store, kept, place.shown)
    except StoreError as error:
        raise type(error)(
            f"{place.shown} is of an older Lowmark (step {step}) and is copied before its tables are changed; "
            f"that did not work, and nothing was changed: {error}"
        ) from None
    for old in kept_before_upgrades(file)[:-KEPT]:
        with suppress(OSError):
            old.unlink()
    return kept


def kept_before_upgrades(file: Path) -> list[Path]:
    """The copies that upgrades left beside the SQLite store ``file``, oldest first."""
    begin = re.compile(re.escape(f"{file.name}{_UPGRADED}") + r"\d{4}-(\d{8}T\d{6}Z)")
    with suppress(OSError):
        found = [(match[1], one) for one in file.parent.iterdir() if (match := begin.fullmatch(one.name))]
        return [one for _, one in sorted(found)]
    return []


def way_back(place: Place) -> str:
    """What may be put back in place of a store that a newer Lowmark has upgraded; empty where nothing is there."""
    if not place.is_sqlite:
        return ""
    file = Path(place.url.database or "")
    known = [one for one in kept_before_upgrades(file) if one.name.removeprefix(f"{file.name}{_UPGRADED}")[:4] in STEPS]
    if not known:
        return ""
    return f", unless you want to go back to the copy made before that: lowmark restore {shlex.quote(str(known[-1]))}"


def _make_way(target: Path, shown: str, now: datetime, *, online: bool) -> Path:
    """Keep what is at ``target``; what is damaged is put aside as it is, so that a sound store can take its place."""
    if not online and _in_use(target, shown):
        raise NotThisWay(
            f"another program has the store {shown} open: stop the agent first, "
            "or restore under it with --online and start it again at once"
        )
    try:
        with _sqlite(shown), closing(_open(target)) as store:
            tables = _tables(store)
        if tables and VERSION_TABLE not in tables:
            raise NotThisWay(
                f"{shown} holds tables of something else ({', '.join(list(tables)[:3])} ...); name another"
            )
        return save_aside(target, now)
    except (StoreCorrupt, StoreNewer) as error:
        if online:
            raise NotThisWay(
                f"{error}. It cannot be replaced while it may be open; stop the agent, leave out --online"
            ) from None
        aside = _aside(target, now)
        try:
            for tail in ("-wal", "-shm", ""):
                file = target.with_name(f"{target.name}{tail}")
                if file.exists():
                    file.replace(aside.with_name(f"{aside.name}{tail}"))
        except OSError as problem:
            raise StoreGone(f"{target} cannot be put aside as {aside}: {problem.strerror or problem}") from None
        return aside


def _aside(file: Path, now: datetime) -> Path:
    return file.with_name(f"{file.name}.before-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}")


# --- one copy --------------------------------------------------------------------------------------------------------


def _copy(store: sqlite3.Connection, target: Path, shown: str) -> Copied:
    partial = target.with_name(f".{target.name}.partial")
    content = _begin(store, shown)
    free = shutil.disk_usage(target.parent).free
    if free < content.octets * _SPARE:
        raise StoreFull(f"the copy takes {content.octets:,} octets and {target.parent} has {free:,} left; make room")
    try:
        partial.unlink(missing_ok=True)
        os.close(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        _pour(store, partial, shown)
        with closing(sqlite3.connect(partial, isolation_level=None)) as made:
            made.execute("PRAGMA journal_mode = DELETE")  # so that the copy is one file, whole by itself
        _compare(content, partial, str(target))
        _to_disk(partial)
        partial.replace(target)
        _to_disk(target.parent)
    except OSError as error:
        raise StoreGone(f"the copy {target} cannot be written: {error.strerror or error}") from None
    finally:
        for left in (partial, partial.with_name(f"{partial.name}-journal"), partial.with_name(f"{partial.name}-wal")):
            with suppress(OSError):
                left.unlink(missing_ok=True)
    return Copied(target, content)


def _begin(store: sqlite3.Connection, shown: str) -> Content:
    """Hold on to this moment of the store, and say what it holds. Raises StoreCorrupt, StoreNewer."""
    if not store.in_transaction:
        store.execute("BEGIN")
    return _content(store, shown)


def _pour(store: sqlite3.Connection, target: Path, shown: str) -> None:
    """All pages in one step; the moment held by ``store`` is the one that is copied."""
    refused = 0

    def asked(status: int, _left: int, _whole: int) -> None:
        nonlocal refused
        refused += status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
        if refused > _TRIES:
            raise StoreBusy(f"another program keeps {target} locked; try again, or stop that program")

    try:
        with closing(sqlite3.connect(target, timeout=0, isolation_level=None)) as made:
            store.backup(made, pages=-1, progress=asked, sleep=0.25)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_FULL):
            raise StoreGone(f"{target} cannot be written with the content of {shown}: {error}") from None
        raise


def _compare(wanted: Content, file: Path, shown: str) -> None:
    """Read ``file`` back. Raises StoreCorrupt unless it is sound and holds exactly what is ``wanted``."""
    with _sqlite(shown), closing(_open(file)) as made:
        _sound(made, file)
        got = _content(made, shown)
    if got != wanted:
        raise StoreCorrupt(
            f"the copy {shown} does not hold what was copied ({got.rows:,} rows read back, {wanted.rows:,} expected); "
            "do not rely on it, look at the disk, and try again"
        )


def _sound(store: sqlite3.Connection, file: Path) -> None:
    """Raises StoreCorrupt for a damaged file (https://www.sqlite.org/pragma.html#pragma_integrity_check)."""
    said = [str(row[0]) for row in store.execute("PRAGMA integrity_check(3)")]
    if said != ["ok"]:
        raise StoreCorrupt(f"{file} is damaged: {said[0]}; take an older copy")
    broken = store.execute("PRAGMA foreign_key_check").fetchone()
    if broken is not None:
        raise StoreCorrupt(
            f"{file} is damaged: a row of {broken[0]} refers to one that is not there; take another copy"
        )


def _content(store: sqlite3.Connection, shown: str) -> Content:
    tables = _tables(store)
    if VERSION_TABLE not in tables:
        raise StoreCorrupt(f"{shown} is no history of Lowmark")
    found = store.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()  # noqa: S608 - a constant
    step = str(found[0]) if found else ""
    if step not in STEPS:
        raise StoreNewer(f"{shown} was written by a newer Lowmark (step {step}); use that one for it")
    made = blake2b(digest_size=16)
    rows = 0
    for name, sql in tables.items():
        made.update(f"{name}\n{sql}\n".encode())
        quoted = name.replace('"', '""')
        found_rows = store.execute(f'SELECT * FROM "{quoted}" NOT INDEXED')  # noqa: S608 - quoted
        while some := found_rows.fetchmany(_ROWS_AT_ONCE):
            rows += len(some)
            made.update(repr(some).encode("utf-8", "surrogatepass"))
    pages, size = (store.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "page_size"))
    return Content(step, len(tables), rows, pages * size, made.hexdigest())


def _tables(store: sqlite3.Connection) -> dict[str, str]:
    """Name and definition of each table; empty for what is no database."""
    try:
        found = store.execute(
            "SELECT name, sql FROM sqlite_master "
            "WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!' ORDER BY name"
        ).fetchall()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
            return {}
        raise
    return {str(name): str(sql) for name, sql in found}


# --- the files -------------------------------------------------------------------------------------------------------


@contextmanager
def _sqlite(shown: str) -> Iterator[None]:
    """What sqlite3 raises becomes a StoreError about ``shown``."""
    with translated(shown):
        try:
            yield
        except sqlite3.Error as error:
            raise exc.DBAPIError("", (), error) from None


def _open(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{file.absolute().as_uri()}?mode=rw", uri=True, timeout=_PATIENCE, isolation_level=None)


def _existing(place: Place) -> Path:
    file = Path(place.url.database or "")
    if not file.is_file():
        raise StoreRefused(f"there is no store at {file}; name it with --store, or let the agent run first")
    return file


def _in_use(file: Path, shown: str) -> bool:
    """Whether another connection, even an idle one, has the store open.

    In WAL mode every connection keeps a shared lock on the file (https://www.sqlite.org/walformat.html#locks).
    """
    with _sqlite(shown), closing(sqlite3.connect(file, timeout=0.5, isolation_level=None)) as trial:
        try:
            trial.execute("PRAGMA locking_mode = EXCLUSIVE")
            trial.execute("BEGIN EXCLUSIVE")
            trial.execute("SELECT count(*) FROM sqlite_master").fetchone()
            trial.execute("ROLLBACK")
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                return True
            if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                return False  # what is damaged is the very thing to be replaced
            raise
        return False


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# --- PostgreSQL ------------------------------------------------------------------------------------------------------


def _address(place: Place) -> str:
    """The server's address as its own tools take it, without the password."""
    url = place.url
    bare = URL.create("postgresql", url.username, None, url.host, url.port, url.database, url.query)
    return shlex.quote(bare.render_as_string())


def _with_pg_dump(place: Place, target: Path) -> str:
    return (
        "this history is kept in PostgreSQL, whose own tool makes a consistent copy while the agent runs:\n"
        f"  pg_dump --format=custom --file={shlex.quote(str(target))} {_address(place)}\n"
        "(it asks for the password, or takes it from PGPASSFILE)"
    )


def _with_pg_restore(place: Place, source: Path) -> str:
    return (
        "this history is kept in PostgreSQL; stop the agent, and restore with PostgreSQL's own tool:\n"
        f"  pg_restore --clean --if-exists --single-transaction --dbname={_address(place)} {shlex.quote(str(source))}\n"
        "(it asks for the password, or takes it from PGPASSFILE)"
    )
