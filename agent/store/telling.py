"""Alarm records, and the outbox of messages about them."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, delete, func, select, update

from agent.model.alarm import AlarmRecord, Message
from agent.model.outbox import Letter
from agent.store.moments import micros, moment
from agent.store.snapshot import clean
from agent.store.statements import insert_or
from agent.store.tables import alarm, letter

Bases = Mapping[str, AlarmRecord | None]
"""What each record was made of: the one that was known before, None where there was none."""


def save_alarms(
    connection: Connection, records: Sequence[AlarmRecord], gone: Collection[str], bases: Bases
) -> tuple[str, ...]:
    """Write records and take out those named in ``gone``; gives back the keys of those that are stale, and left alone.

    One whose key is in ``bases`` is stale unless the store holds just what it was made of: a revision alone would not
    tell that somebody else counted as far. Without a base it is stale unless its revision is above the stored one's.
    One that is equal to the stored one is no news and no conflict.
    """
    made = [_row(record) for record in records]
    stored = _stored(connection, sorted({row["key"] for row in made} | set(gone)))
    stale = [key for key in sorted(gone) if key in bases and key in stored and not _is(stored[key], bases[key])]
    leaving = [{"_key": key} for key in sorted(gone) if key not in stale]
    if leaving:
        connection.execute(delete(alarm).where(alarm.c.key == bindparam("_key")), leaving)
    fresh = []
    for record, row in zip(records, made, strict=True):
        old, key = stored.get(row["key"]), row["key"]
        if old == (row["revision"], row["record"]):
            continue
        good = _is(old, bases[record.key]) if record.key in bases else old is None or old[0] < row["revision"]
        if good:
            fresh.append(row)
            stored[key] = (row["revision"], row["record"])
        else:
            stale.append(key)
    if fresh:
        statement: Any = insert_or(connection, alarm)
        rest = {name: statement.excluded[name] for name in ("state", "since", "revision", "record")}
        connection.execute(statement.on_conflict_do_update(index_elements=["key"], set_=rest), fresh)
    return tuple(stale)


def _is(stored: tuple[int, str] | None, base: AlarmRecord | None) -> bool:
    """Whether this is what the store holds. Compared as values: an older version may have written other words."""
    if stored is None or base is None:
        return stored is None and base is None
    return stored[0] == base.revision and AlarmRecord.from_data(json.loads(stored[1])) == base


def _stored(connection: Connection, keys: list[str]) -> dict[str, tuple[int, str]]:
    found: dict[str, tuple[int, str]] = {}
    for start in range(0, len(keys), 500):
        some = keys[start : start + 500]
        query = select(alarm.c.key, alarm.c.revision, alarm.c.record).where(alarm.c.key.in_(some))
        found.update({row[0]: (row[1], row[2]) for row in connection.execute(query)})
    return found


def _row(record: AlarmRecord) -> dict[str, Any]:
    return {
        "key": clean(record.key),
        "state": record.state.value,
        "since": micros(record.since),
        "revision": record.revision,
        "record": json.dumps(record.to_data(), ensure_ascii=True, sort_keys=True),
    }


def alarms(connection: Connection) -> tuple[AlarmRecord, ...]:
    """Every record, in order of key."""
    query = select(alarm.c.record).order_by(alarm.c.key)
    return tuple(AlarmRecord.from_data(json.loads(row[0])) for row in connection.execute(query))


def post(connection: Connection, messages: Sequence[Message]) -> None:
    """Put messages into the outbox; one that is there already, in whatever state, is not put again."""
    if not messages:
        return
    rows = [
        {
            "dedupe_key": clean(message.dedupe_key),
            "channel": clean(message.channel),
            "payload": json.dumps(message.to_data(), ensure_ascii=True, sort_keys=True),
            "created": micros(message.at),
            "next_try": micros(message.at),
            "tries": 0,
            "state": "waiting",
            "last_error": "",
            "changed": micros(message.at),
        }
        for message in messages
    ]
    connection.execute(insert_or(connection, letter).on_conflict_do_nothing(index_elements=["dedupe_key"]), rows)


def is_known(connection: Connection, dedupe_key: str) -> bool:
    """Whether this message is in the outbox, in whatever state."""
    query = select(letter.c.id).where(letter.c.dedupe_key == clean(dedupe_key))
    return connection.execute(query).first() is not None


def due(connection: Connection, now: datetime, limit: int) -> tuple[Letter, ...]:
    """Waiting letters whose time has come, the longest waiting first."""
    query = (
        select(letter)
        .where(letter.c.state == "waiting", letter.c.next_try <= micros(now))
        .order_by(letter.c.next_try, letter.c.id)
        .limit(limit)
    )
    return tuple(_letter(row) for row in connection.execute(query))


def in_state(connection: Connection, state: str) -> tuple[Letter, ...]:
    """Letters in this state, in the order in which they were written."""
    query = select(letter).where(letter.c.state == state).order_by(letter.c.id)
    return tuple(_letter(row) for row in connection.execute(query))


def mark(connection: Connection, letter_id: int, now: datetime, **values: Any) -> bool:
    """Change one letter; False when there is none with this id (in the state ``was``, if given)."""
    was = values.pop("was", None)
    if values.pop("tried", False):
        values["tries"] = letter.c.tries + 1
    change = update(letter).where(letter.c.id == letter_id).values(changed=micros(now), **values)
    if was is not None:
        change = change.where(letter.c.state == was)
    return connection.execute(change).rowcount > 0


def counts(connection: Connection) -> dict[str, int]:
    """How many letters are in each state."""
    found = dict.fromkeys(("waiting", "sent", "dead"), 0)
    found.update(
        {row[0]: row[1] for row in connection.execute(select(letter.c.state, func.count()).group_by(letter.c.state))}
    )
    return found


def forget_sent(connection: Connection, before: datetime) -> int:
    """Take out letters that were sent before this moment: nobody tells those again."""
    return connection.execute(
        delete(letter).where(letter.c.state == "sent", letter.c.changed < micros(before))
    ).rowcount


def _letter(row: Row[Any]) -> Letter:
    return Letter(
        id=row.id,
        dedupe_key=row.dedupe_key,
        channel=row.channel,
        payload=row.payload,
        created=moment(row.created),
        next_try=moment(row.next_try),
        tries=row.tries,
        state=row.state,
        last_error=row.last_error,
    )
