"""Being the only one at work on a PostgreSQL history: a lock that its server keeps for as long as a connection lasts.

It is an advisory lock of the session (PostgreSQL, "Explicit Locking"), one for each schema of a database, and the name
of the session says who holds it. When its holder dies, the server frees it with the connection; where a whole machine
is gone without a word, the server notices within two minutes, since it is asked to knock (``tcp_keepalives_*``).
"""

from __future__ import annotations

import os
import socket
import zlib

from sqlalchemy import Connection, Engine, exc, text

from agent.store.engine import Place
from agent.store.translating import translated

_CLASS = 0x4C6F776D
_MARK = "lowmark"
_KNOCK = (("tcp_keepalives_idle", "30"), ("tcp_keepalives_interval", "15"), ("tcp_keepalives_count", "4"))
_HOLDER = """
SELECT who.application_name FROM pg_locks AS held JOIN pg_stat_activity AS who ON who.pid = held.pid
WHERE held.locktype = 'advisory' AND held.granted AND held.objsubid = 2
AND held.database = (SELECT oid FROM pg_database WHERE datname = current_database())
AND held.classid = CAST(:kind AS oid) AND held.objid = CAST(:one AS oid)
"""


class Holding:
    """The lock on one history, taken or not. ``purpose``: one word that others are told. Not for several threads."""

    def __init__(self, engine: Engine, place: Place, purpose: str) -> None:
        self._engine = engine
        self._place = place
        self._name = f"{_MARK} {purpose} {socket.gethostname()[:40]}:{os.getpid()}"
        self._connection: Connection | None = None

    def take(self) -> tuple[str, str] | None:
        """Take it. None: it is ours; else whose it is: purpose, and ``host:process``. Raises StoreError."""
        self.let_go()
        with translated(self._place.shown, self._place.url.password):
            connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            connection.detach()  # it is not for others, and really ends when it is closed
            try:
                words = self._ask(connection)
            except BaseException:
                connection.close()
                raise
        if words is None:
            self._connection = connection
            return None
        connection.close()
        if len(words) == 3 and words[0] == _MARK:
            return words[1], words[2]
        return "", ""

    def _ask(self, connection: Connection) -> list[str] | None:
        """Ask for the lock over this connection; the name of the session that holds it, by words, where it is taken."""
        for setting, value in (("application_name", self._name), *_KNOCK):
            connection.execute(text("SELECT set_config(:name, :value, false)"), {"name": setting, "value": value})
        schema = str(connection.execute(text("SELECT current_schema()")).scalar())
        numbers = {"kind": _CLASS, "one": zlib.crc32(schema.encode()) & 0x7FFFFFFF}
        lock = text("SELECT pg_try_advisory_lock(CAST(:kind AS int), CAST(:one AS int))")
        if connection.execute(lock, numbers).scalar():
            return None
        return str(connection.execute(text(_HOLDER), numbers).scalar() or "").split(" ", 2)

    def keeps(self) -> bool:
        """Whether it is ours still. Where the connection was lost it is taken anew; False: another one has it by now.

        Raises StoreError while the server cannot be asked.
        """
        if self._connection is not None:
            try:
                self._connection.execute(text("SELECT 1"))
            except exc.DBAPIError:
                self.let_go()
        return self._connection is not None or self.take() is None

    def let_go(self) -> None:
        """Give it back; nothing happens where it is not ours."""
        connection, self._connection = self._connection, None
        if connection is not None:
            try:
                connection.close()
            except exc.DBAPIError:
                connection.invalidate()
