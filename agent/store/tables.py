"""The tables. Private to the store: everyone else sees values of ``agent.model``.

Moments are microseconds since the epoch. A point (``*_point``) is a run: every reading from ``at`` to ``until`` showed
the value. ``until`` is NULL in the one run of a series that is still open: it then reaches to the printer's latest
answered contact, so that a sweep over an idle fleet writes nothing but the ends of contact runs.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

Id = BigInteger().with_variant(Integer, "sqlite")
"""SQLite numbers the rows of INTEGER PRIMARY KEY by itself, and of no other type."""

printer = Table(
    "printer",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("name", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("device_index", Integer, nullable=False),
    Column("serial", Text, nullable=False),
    Column("mac", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("building", Text, nullable=False),
    Column("floor", Text, nullable=False),
    Column("room", Text, nullable=False),
    Column("zone", Text, nullable=False),
    Column("tags", Text, nullable=False),  # a JSON list
    Column("first_seen", BigInteger),
    Column("retired", BigInteger),
)

contact_run = Table(
    "contact_run",
    metadata,
    Column("printer_id", Id, ForeignKey("printer.id"), primary_key=True, autoincrement=False),
    Column("first", BigInteger, primary_key=True, autoincrement=False),
    Column("last", BigInteger, nullable=False),
    Column("reachable", Boolean, nullable=False),
    Column("failure", Text),
    Column("error", Text, nullable=False),
    sqlite_with_rowid=False,
)

supply = Table(
    "supply",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("printer_id", Id, ForeignKey("printer.id"), nullable=False),
    Column("key", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("supply_class", Text, nullable=False),
    Column("colorant", Text),
    Column("description", Text, nullable=False),
    Column("thinned", BigInteger, nullable=False, server_default=text("0")),
    Index("uq_supply", "printer_id", "key", "unit", unique=True),
    Index("ix_supply_thinned", "thinned"),
)

supply_point = Table(
    "supply_point",
    metadata,
    Column("supply_id", Id, ForeignKey("supply.id"), primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
    Column("until", BigInteger),
    Column("level", BigInteger, nullable=False),  # -1 other, -2 unknown, -3 some (RFC 3805 section 2.4)
    Column("capacity", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
Index(
    "uq_supply_point_open",
    supply_point.c.supply_id,
    unique=True,
    sqlite_where=supply_point.c.until.is_(None),
    postgresql_where=supply_point.c.until.is_(None),
)

counter = Table(
    "counter",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("printer_id", Id, ForeignKey("printer.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("wraps_at", BigInteger, nullable=False),
    Column("thinned", BigInteger, nullable=False, server_default=text("0")),
    Index("uq_counter", "printer_id", "name", "unit", unique=True),
    Index("ix_counter_thinned", "thinned"),
)

counter_point = Table(
    "counter_point",
    metadata,
    Column("counter_id", Id, ForeignKey("counter.id"), primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
    Column("until", BigInteger),
    Column("value", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
Index(
    "uq_counter_point_open",
    counter_point.c.counter_id,
    unique=True,
    sqlite_where=counter_point.c.until.is_(None),
    postgresql_where=counter_point.c.until.is_(None),
)

status_point = Table(
    "status_point",
    metadata,
    Column("printer_id", Id, ForeignKey("printer.id"), primary_key=True, autoincrement=False),
    Column("at", BigInteger, primary_key=True, autoincrement=False),
    Column("until", BigInteger),
    Column("status", Text, nullable=False),  # JSON, see snapshot.py
    sqlite_with_rowid=False,
)
Index(
    "uq_status_point_open",
    status_point.c.printer_id,
    unique=True,
    sqlite_where=status_point.c.until.is_(None),
    postgresql_where=status_point.c.until.is_(None),
)

status_thinning = Table(
    "status_thinning",
    metadata,
    Column("printer_id", Id, ForeignKey("printer.id"), primary_key=True, autoincrement=False),
    Column("thinned", BigInteger, nullable=False),
)

snapshot = Table(
    "snapshot",
    metadata,
    Column("printer_id", Id, ForeignKey("printer.id"), primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
    Column("reading", LargeBinary, nullable=False),  # the latest Reading, see snapshot.py
)

ledger = Table(
    "ledger",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("at", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("printer_id", Id, ForeignKey("printer.id")),
    Column("subject", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("data", Text, nullable=False),  # a JSON object
    Index("ix_ledger_at", "at"),
    Index("ix_ledger_printer", "printer_id", "at"),
)

alarm = Table(
    "alarm",
    metadata,
    Column("key", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("revision", BigInteger, nullable=False),
    Column("record", Text, nullable=False),  # a JSON object
)

letter = Table(
    "letter",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("dedupe_key", Text, nullable=False, unique=True),
    Column("channel", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("created", BigInteger, nullable=False),
    Column("next_try", BigInteger, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("last_error", Text, nullable=False),
    Column("changed", BigInteger, nullable=False),
    Index("ix_letter_state", "state", "next_try"),
)

receipt = Table(
    "receipt",
    metadata,
    Column("token", Text, primary_key=True),
    Column("at", BigInteger, nullable=False),
)

photo = Table(
    "photo",
    metadata,
    Column("name", Text, primary_key=True),  # SHA-256 of the content as it was kept first, in hexadecimal
    Column("at", BigInteger, nullable=False),
    Column("media_type", Text, nullable=False),
    Column("content", LargeBinary, nullable=False),
)

note = Table("note", metadata, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))

person = Table(
    "person",
    metadata,
    Column("key", Text, primary_key=True),  # the name without case
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("password", Text, nullable=False),  # an Argon2id hash, or nothing
    Column("made", BigInteger, nullable=False),
    Column("changed", BigInteger, nullable=False),
)

session = Table(
    "session",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("person", Text, ForeignKey("person.key"), nullable=False),
    Column("made", BigInteger, nullable=False),
    Column("seen", BigInteger, nullable=False),
    Index("ix_session_person", "person"),
)

token = Table(
    "token",
    metadata,
    Column("id", Id, primary_key=True, autoincrement=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("made", BigInteger, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("expires", BigInteger),
    Column("used", BigInteger),
    Column("revoked", BigInteger),
)

opened_window = Table(
    "opened_window",
    metadata,
    Column("name", Text, primary_key=True),
    Column("ends", BigInteger, nullable=False),
    Column("content", Text, nullable=False),  # a JSON object
)
