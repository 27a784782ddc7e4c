"""Statements that several parts of the store use."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Table, bindparam, insert, update
from sqlalchemy.dialects import postgresql, sqlite

ERROR_LENGTH = 500
"""Longest error text that is kept."""


def insert_many(connection: Connection, table: Table, values: list[dict[str, Any]]) -> list[int]:
    """Insert rows and give their ids, in the same order."""
    if not values:
        return []
    returning = insert(table).returning(table.c.id, sort_by_parameter_order=True)
    return [row[0] for row in connection.execute(returning, values)]


def close(points: Table) -> Any:
    """The statement that ends the open run of a series: parameters ``id`` and ``end``."""
    series = points.primary_key.columns[0]
    return update(points).where(series == bindparam("id"), points.c.until.is_(None)).values(until=bindparam("end"))


def insert_or(connection: Connection, table: Table) -> Any:
    """``INSERT`` in the dialect of this connection, which knows ``ON CONFLICT``."""
    return postgresql.insert(table) if connection.dialect.name == "postgresql" else sqlite.insert(table)


def upsert(connection: Connection, table: Table) -> Any:
    """``INSERT`` that replaces the row of the same primary key."""
    statement = insert_or(connection, table)
    keys = [column.name for column in table.primary_key.columns]
    rest = {column.name: statement.excluded[column.name] for column in table.columns if column.name not in keys}
    return statement.on_conflict_do_update(index_elements=keys, set_=rest)
