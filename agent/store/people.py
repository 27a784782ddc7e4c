"""People, the browsers they signed in with, and tokens. Secrets are here as hashes alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, Protocol, TypeVar

from sqlalchemy import Connection, Row, delete, insert, select, update

from agent.model.fleet import LedgerEntry
from agent.model.people import Person, Session, Token, name_key
from agent.store import ledgers
from agent.store.moments import maybe_micros, maybe_moment, micros, moment
from agent.store.snapshot import clean
from agent.store.statements import upsert
from agent.store.tables import person, session, token

_T = TypeVar("_T")


class _Work(Protocol):
    def __call__(self, work: Callable[[Connection], _T]) -> _T: ...


class Register:
    """Who may come in. Each call is one transaction; ``entries`` are for the ledger, written with what they are about.

    May be called from any thread. Every method may raise StoreError.
    """

    def __init__(self, read: _Work, write: _Work) -> None:
        self._read = read
        self._write = write

    # --- people ---------------------------------------------------------------------------------------------------

    def people(self) -> tuple[Person, ...]:
        """Everybody, by name."""
        return self._read(lambda it: tuple(map(_person, it.execute(select(person).order_by(person.c.key)))))

    def person(self, name: str) -> Person | None:
        """Whoever is called so, whatever the case."""
        query = select(person).where(person.c.key == clean(name_key(name)))
        found = self._read(lambda connection: connection.execute(query).first())
        return None if found is None else _person(found)

    def save_person(self, given: Person, entries: Sequence[LedgerEntry], *, end_sessions: bool = False) -> None:
        """Write somebody who is new or has changed. ``end_sessions``: they have to sign in again everywhere."""
        row = {
            "key": clean(given.key),
            "name": clean(given.name),
            "role": given.role,
            "password": given.password,
            "made": micros(given.made),
            "changed": micros(given.changed),
        }

        def work(connection: Connection) -> None:
            connection.execute(upsert(connection, person), [row])
            if end_sessions:
                connection.execute(delete(session).where(session.c.person == row["key"]))
            ledgers.append(connection, entries)

        self._write(work)

    def remove_person(self, name: str, entries: Sequence[LedgerEntry]) -> bool:
        """Take somebody out, and end their sessions; False where there is nobody of that name."""
        key = clean(name_key(name))

        def work(connection: Connection) -> bool:
            connection.execute(delete(session).where(session.c.person == key))
            gone = connection.execute(delete(person).where(person.c.key == key)).rowcount > 0
            if gone:
                ledgers.append(connection, entries)
            return gone

        return self._write(work)

    def note(self, entries: Sequence[LedgerEntry]) -> None:
        """Write to the ledger alone."""
        self._write(lambda connection: ledgers.append(connection, entries))

    # --- sessions -------------------------------------------------------------------------------------------------

    def open_session(
        self, digest: str, name: str, now: datetime, entries: Sequence[LedgerEntry] = (), *, instead_of: str = ""
    ) -> None:
        """Somebody signed in. ``instead_of``: the digest of the session that this one takes the place of."""

        def work(connection: Connection) -> None:
            connection.execute(delete(session).where(session.c.digest == instead_of))
            at = micros(now)
            row = {"digest": digest, "person": clean(name_key(name)), "made": at, "seen": at}
            connection.execute(insert(session).values(**row))
            ledgers.append(connection, entries)

        self._write(work)

    def session(self, digest: str) -> Session | None:
        """The session with this digest and whose it is, as they are now."""
        query = (
            select(person, session.c.made.label("begun"), session.c.seen)
            .join(session, session.c.person == person.c.key)
            .where(session.c.digest == digest)
        )
        row = self._read(lambda connection: connection.execute(query).first())
        return None if row is None else Session(digest, _person(row), moment(row.begun), moment(row.seen))

    def seen(self, digest: str, now: datetime) -> None:
        """The session was used."""
        self._write(lambda it: it.execute(update(session).where(session.c.digest == digest).values(seen=micros(now))))

    def end_session(self, digest: str) -> bool:
        """Signed out; False where there was no such session."""
        return self._write(lambda it: it.execute(delete(session).where(session.c.digest == digest)).rowcount > 0)

    def forget_sessions(self, seen_before: datetime, made_before: datetime) -> int:
        """Take out sessions that are over by their age; how many."""
        over = (session.c.seen < micros(seen_before)) | (session.c.made < micros(made_before))
        return self._write(lambda it: it.execute(delete(session).where(over)).rowcount)

    # --- tokens ---------------------------------------------------------------------------------------------------

    def add_token(self, given: Token, entries: Sequence[LedgerEntry]) -> int:
        """Write a new token; gives its id."""
        row = {
            "digest": given.digest,
            "name": clean(given.name),
            "role": given.role,
            "made": micros(given.made),
            "made_by": clean(given.made_by),
            "expires": maybe_micros(given.expires),
        }

        def work(connection: Connection) -> int:
            found = connection.execute(insert(token).values(**row).returning(token.c.id)).scalar_one()
            ledgers.append(connection, entries)
            return int(found)

        return self._write(work)

    def tokens(self) -> tuple[Token, ...]:
        """Every token, those that are over included, in the order in which they were made."""
        return self._read(lambda it: tuple(map(_token, it.execute(select(token).order_by(token.c.id)))))

    def token(self, digest: str) -> Token | None:
        """The token with this digest."""
        row = self._read(lambda it: it.execute(select(token).where(token.c.digest == digest)).first())
        return None if row is None else _token(row)

    def token_used(self, token_id: int, now: datetime) -> None:
        """It let somebody in."""
        self._write(lambda it: it.execute(update(token).where(token.c.id == token_id).values(used=micros(now))))

    def revoke_token(self, token_id: int, now: datetime, entries: Sequence[LedgerEntry]) -> bool:
        """It lets nobody in from now on; False where there is no such token, or it was revoked before."""
        change = update(token).where(token.c.id == token_id, token.c.revoked.is_(None)).values(revoked=micros(now))

        def work(connection: Connection) -> bool:
            done = connection.execute(change).rowcount > 0
            if done:
                ledgers.append(connection, entries)
            return done

        return self._write(work)


def _person(row: Row[Any]) -> Person:
    return Person(row.name, row.role, moment(row.made), moment(row.changed), row.password)


def _token(row: Row[Any]) -> Token:
    return Token(
        row.id, row.name, row.role, moment(row.made), row.made_by, maybe_moment(row.expires), maybe_moment(row.used),
        maybe_moment(row.revoked), row.digest,
    )  # fmt: skip
