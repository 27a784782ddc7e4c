"""Alarm states, the outbox, and what was already written."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _moment(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=False)


def upgrade() -> None:
    """Make them."""
    op.create_table(
        "alarm",
        _text("key"),
        _text("state"),
        _moment("since"),
        _moment("revision"),
        _text("record"),
        sa.PrimaryKeyConstraint("key", name="pk_alarm"),
    )
    op.create_table(
        "letter",
        sa.Column("id", _ID, nullable=False, autoincrement=True),
        _text("dedupe_key"),
        _text("channel"),
        _text("payload"),
        _moment("created"),
        _moment("next_try"),
        sa.Column("tries", sa.Integer, nullable=False),
        _text("state"),
        _text("last_error"),
        _moment("changed"),
        sa.PrimaryKeyConstraint("id", name="pk_letter"),
        sa.UniqueConstraint("dedupe_key", name="uq_letter_dedupe_key"),
    )
    op.create_index("ix_letter_state", "letter", ["state", "next_try"])
    op.create_table("receipt", _text("token"), _moment("at"), sa.PrimaryKeyConstraint("token", name="pk_receipt"))
    op.create_table("note", _text("key"), _text("value"), sa.PrimaryKeyConstraint("key", name="pk_note"))
