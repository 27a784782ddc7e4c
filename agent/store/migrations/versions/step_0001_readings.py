"""Printers, contacts, levels, counters, statuses and the ledger."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _series(name: str, of: str, *values: sa.Column[int] | sa.Column[str]) -> None:
    """One table of points, and the rule that a series has at most one open run."""
    id_column = f"{of}_id"
    op.create_table(
        name,
        sa.Column(
            id_column,
            _ID,
            sa.ForeignKey(f"{of}.id", name=f"fk_{name}_{id_column}"),
            nullable=False,
            autoincrement=False,
        ),
        sa.Column("at", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("until", sa.BigInteger),
        *values,
        sa.PrimaryKeyConstraint(id_column, "at", name=f"pk_{name}"),
        sqlite_with_rowid=False,
    )
    is_open = sa.text("until IS NULL")
    op.create_index(f"uq_{name}_open", name, [id_column], unique=True, sqlite_where=is_open, postgresql_where=is_open)


def _printer_id(table: str) -> sa.Column[int]:
    key = sa.ForeignKey("printer.id", name=f"fk_{table}_printer_id")
    return sa.Column("printer_id", _ID, key, nullable=False, autoincrement=False)


def _id(table: str) -> tuple[sa.Column[int], sa.PrimaryKeyConstraint]:
    column = sa.Column("id", _ID, nullable=False, autoincrement=True)
    return column, sa.PrimaryKeyConstraint("id", name=f"pk_{table}")


def upgrade() -> None:
    """Make them."""
    op.create_table(
        "printer",
        *_id("printer"),
        _text("name"),
        _text("address"),
        sa.Column("device_index", sa.Integer, nullable=False),
        *(_text(name) for name in ("serial", "mac", "model", "site", "building", "floor", "room", "zone", "tags")),
        sa.Column("first_seen", sa.BigInteger),
        sa.Column("retired", sa.BigInteger),
    )
    op.create_table(
        "contact_run",
        _printer_id("contact_run"),
        sa.Column("first", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("last", sa.BigInteger, nullable=False),
        sa.Column("reachable", sa.Boolean, nullable=False),
        sa.Column("failure", sa.Text),
        _text("error"),
        sa.PrimaryKeyConstraint("printer_id", "first", name="pk_contact_run"),
        sqlite_with_rowid=False,
    )
    _supplies()
    _counters()
    _series("status_point", "printer", _text("status"))
    op.create_table(
        "status_thinning",
        _printer_id("status_thinning"),
        sa.Column("thinned", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("printer_id", name="pk_status_thinning"),
    )
    op.create_table(
        "snapshot",
        _printer_id("snapshot"),
        sa.Column("at", sa.BigInteger, nullable=False),
        sa.Column("reading", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("printer_id", name="pk_snapshot"),
    )
    op.create_table(
        "ledger",
        *_id("ledger"),
        sa.Column("at", sa.BigInteger, nullable=False),
        _text("kind"),
        _text("text"),
        sa.Column("printer_id", _ID, sa.ForeignKey("printer.id", name="fk_ledger_printer_id")),
        _text("subject"),
        _text("who"),
        _text("data"),
    )
    op.create_index("ix_ledger_at", "ledger", ["at"])
    op.create_index("ix_ledger_printer", "ledger", ["printer_id", "at"])


def _supplies() -> None:
    op.create_table(
        "supply",
        *_id("supply"),
        _printer_id("supply"),
        _text("key"),
        _text("unit"),
        _text("kind"),
        _text("supply_class"),
        sa.Column("colorant", sa.Text),
        _text("description"),
        sa.Column("thinned", sa.BigInteger, nullable=False, server_default=sa.text("0")),
    )
    op.create_index("uq_supply", "supply", ["printer_id", "key", "unit"], unique=True)
    op.create_index("ix_supply_thinned", "supply", ["thinned"])
    _series(
        "supply_point",
        "supply",
        sa.Column("level", sa.BigInteger, nullable=False),
        sa.Column("capacity", sa.BigInteger, nullable=False),
    )


def _counters() -> None:
    op.create_table(
        "counter",
        *_id("counter"),
        _printer_id("counter"),
        _text("name"),
        _text("unit"),
        sa.Column("wraps_at", sa.BigInteger, nullable=False),
        sa.Column("thinned", sa.BigInteger, nullable=False, server_default=sa.text("0")),
    )
    op.create_index("uq_counter", "counter", ["printer_id", "name", "unit"], unique=True)
    op.create_index("ix_counter_thinned", "counter", ["thinned"])
    _series("counter_point", "counter", sa.Column("value", sa.BigInteger, nullable=False))
