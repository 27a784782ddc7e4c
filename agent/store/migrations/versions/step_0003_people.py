"""People who may sign in, the sessions of their browsers, and tokens for programs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _moment(name: str, *, always: bool = True) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=not always)


def upgrade() -> None:
    """Make them."""
    op.create_table(
        "person",
        _text("key"),
        _text("name"),
        _text("role"),
        _text("password"),
        _moment("made"),
        _moment("changed"),
        sa.PrimaryKeyConstraint("key", name="pk_person"),
    )
    op.create_table(
        "session",
        _text("digest"),
        _text("person"),
        _moment("made"),
        _moment("seen"),
        sa.PrimaryKeyConstraint("digest", name="pk_session"),
        sa.ForeignKeyConstraint(["person"], ["person.key"], name="fk_session_person"),
    )
    op.create_index("ix_session_person", "session", ["person"])
    op.create_table(
        "token",
        sa.Column("id", _ID, nullable=False, autoincrement=True),
        _text("digest"),
        _text("name"),
        _text("role"),
        _moment("made"),
        _text("made_by"),
        _moment("expires", always=False),
        _moment("used", always=False),
        _moment("revoked", always=False),
        sa.PrimaryKeyConstraint("id", name="pk_token"),
        sa.UniqueConstraint("digest", name="uq_token_digest"),
    )
