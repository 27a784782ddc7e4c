"""Maintenance windows that people open."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "opened_window",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("ends", sa.BigInteger, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_opened_window"),
    )
