"""Photos that belong to services: kept once under the SHA-256 of their content, which is all that names them.

Photos that early versions kept as they were given were made the picture alone afterwards, and kept their names.
"""

from __future__ import annotations

from datetime import datetime
from hashlib import sha256

from sqlalchemy import Connection, select

from agent.store.moments import micros
from agent.store.statements import insert_or
from agent.store.tables import photo

WITHHELD = "withheld"
"""The media type of a photo that could not be made the picture alone (step 0006): it is kept, and shown to nobody."""


def keep(connection: Connection, content: bytes, media_type: str, at: datetime) -> str:
    """Keep a photo and give its name; one that is there already stays as it is."""
    name = sha256(content).hexdigest()
    row = {"name": name, "at": micros(at), "media_type": media_type, "content": content}
    connection.execute(insert_or(connection, photo).values(row).on_conflict_do_nothing(index_elements=["name"]))
    return name


def read(connection: Connection, name: str) -> tuple[bytes, str] | None:
    """Content and media type; None where there is no such photo, or none that may be shown."""
    found = connection.execute(select(photo.c.content, photo.c.media_type).where(photo.c.name == name)).first()
    return None if found is None or found.media_type == WITHHELD else (bytes(found.content), str(found.media_type))
