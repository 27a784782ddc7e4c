"""Of photos that were kept as they were given only the picture stays: not where, when and with what it was taken.

A photo keeps its name, by which the ledger knows it. One that cannot be taken apart stays as it is, and is shown no
more. Octets that are let go of are overwritten in an SQLite file.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from agent.store.pictures import stripped

revision = "0006"
down_revision = "0005"

WITHHELD = "withheld"
_PHOTO = sa.table("photo", sa.column("name"), sa.column("media_type"), sa.column("content", sa.LargeBinary))


def upgrade() -> None:
    """Go through all of them, one at a time: each may have some megabytes."""
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete = ON")
    for name, media_type in connection.execute(sa.select(_PHOTO.c.name, _PHOTO.c.media_type)).all():
        here = _PHOTO.c.name == name
        content = bytes(connection.execute(sa.select(_PHOTO.c.content).where(here)).scalar_one())
        try:
            plain = stripped(content, media_type)
        except ValueError:
            connection.execute(sa.update(_PHOTO).where(here).values(media_type=WITHHELD))
            continue
        if plain != content:
            connection.execute(sa.update(_PHOTO).where(here).values(content=plain))
