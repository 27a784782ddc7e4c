"""Turning what a database library raises into a StoreError, in words that help and without the password."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import exc

from agent.store.errors import (
    StoreBusy,
    StoreCorrupt,
    StoreError,
    StoreFull,
    StoreGone,
    StoreRefused,
    StoreRejected,
)

_Failures = dict[tuple[int | str, ...], tuple[type[StoreError], str]]

_REJECTED = (StoreRejected, "the store {place} did not take a value: {why}")

_SQLITE: _Failures = {
    # The primary codes of https://www.sqlite.org/rescode.html
    (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED): (
        StoreBusy,
        "the store {place} is locked by another program; it is tried again",
    ),
    (sqlite3.SQLITE_FULL,): (StoreFull, "no space is left for the store {place}; make room on its disk"),
    (sqlite3.SQLITE_CANTOPEN,): (
        StoreGone,
        "the store {place} cannot be opened; look whether its folder is there and may be written",
    ),
    (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM): (
        StoreGone,
        "the store {place} may not be written; let the agent's user write the file and its folder",
    ),
    (sqlite3.SQLITE_IOERR,): (
        StoreGone,
        "the disk of the store {place} failed ({why}); look at the disk and its free space",
    ),
    (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB): (
        StoreCorrupt,
        "the store {place} is damaged or no database ({why}); put it aside and restore a copy, "
        "or let the agent begin a new one",
    ),
    (sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_RANGE): _REJECTED,
}

_POSTGRESQL: _Failures = {
    # The codes, or the two digits of a class, of https://www.postgresql.org/docs/15/errcodes-appendix.html
    ("55P03", "57014", "53300", "40"): (StoreBusy, "the store {place} is busy ({why}); it is tried again"),
    ("53",): (StoreFull, "the server of the store {place} has no space left: {why}"),
    ("28",): (
        StoreRefused,
        "the server does not let us into the store {place}; look at user and password: {why}",
    ),
    ("3D",): (StoreRefused, "the server has no database for the store {place}; make it with createdb: {why}"),
    ("42501",): (StoreRefused, "the user of the store {place} lacks a right: {why}"),
    ("22", "23"): _REJECTED,
    ("XX001", "XX002"): (StoreCorrupt, "the store {place} is damaged: {why}"),
}

_UNREACHED: _Failures = {
    # A connection that was refused has no code, only words.
    ("authentication failed", "no password supplied"): (
        StoreRefused,
        "the server does not let us into the store {place}; look at user and password",
    ),
    ("does not exist",): (StoreRefused, "the store {place} cannot be found on the server: {why}"),
}


@contextmanager
def translated(place: str, password: object = None) -> Iterator[None]:
    """Turn whatever the database library raises into a StoreError about the store shown as ``place``."""
    try:
        yield
    except exc.DBAPIError as error:
        raise _translate(error, place, _hush(str(error.orig), password)) from None
    except exc.TimeoutError:
        raise StoreBusy(f"the store {place} is busy: no connection became free in time") from None
    except sqlite3.OperationalError as error:
        raise StoreGone(f"the store {place} failed: {_hush(str(error), password)}") from None
    except OverflowError:
        raise StoreRejected("a number is too large for the store (64 bits)") from None


def _hush(words: str, password: object) -> str:
    """The first line, without the password in whatever form a library may show it."""
    line = words.strip().splitlines()[0] if words.strip() else "no reason given"
    return line.replace(str(password), "***") if password else line


def _translate(error: exc.DBAPIError, place: str, why: str) -> StoreError:
    kind, sentence = _kind(error, why)
    return kind(sentence.format(place=place, why=why))


def _kind(error: exc.DBAPIError, why: str) -> tuple[type[StoreError], str]:
    if isinstance(error, exc.DataError):
        return _REJECTED
    if isinstance(error.orig, sqlite3.Error):
        code = getattr(error.orig, "sqlite_errorcode", None)
        primary = None if code is None else code & 0xFF
        found = next((failure for codes, failure in _SQLITE.items() if primary in codes), None)
        return found or (StoreGone, "the store {place} failed: {why}")
    state = getattr(error.orig, "sqlstate", None)
    if state:
        found = next((failure for codes, failure in _POSTGRESQL.items() if state.startswith(codes)), None)
    else:
        found = next((it for words, it in _UNREACHED.items() if any(str(word) in why for word in words)), None)
    return found or (StoreGone, "the store {place} cannot be reached ({why}); look whether its server runs")
