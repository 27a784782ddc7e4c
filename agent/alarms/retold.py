"""Alarm records as of an earlier moment, told again from the ledger. Pure.

The store keeps each alarm as it is now; how it was stands in the ledger's lines. What no line tells is left empty: whom
it was told to, and of its facts all but which printer it is about and where that stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from agent.alarms.facts import of_printer
from agent.alarms.lifecycle import Event
from agent.alarms.spells import LEDGER_KINDS
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import LedgerEntry, Printer, Scalar

REGRADED = "alarmRegraded"
KINDS = (*LEDGER_KINDS, REGRADED)
"""The kinds of ledger entry that records are told from."""


def records(entries: Iterable[LedgerEntry], at: datetime, printers: Mapping[int, Printer]) -> tuple[AlarmRecord, ...]:
    """Every alarm that the ledger knows as of ``at``, by key. ``entries``: of ``KINDS``, in any order.

    ``printers``: those whose names are known, by id.
    """
    told: dict[str, AlarmRecord] = {}
    for entry in sorted((one for one in entries if one.at <= at), key=lambda one: (one.at, one.id or 0)):
        key = str(entry.data.get("alarm") or "")
        if not key:
            continue
        record = told.get(key) or _new(key, entry, printers)
        if entry.kind == REGRADED:
            record = replace(record, severity=str(entry.data.get("after") or record.severity))
        elif entry.kind in LEDGER_KINDS:
            record = _follow(record, entry)
        told[key] = replace(record, revision=record.revision + 1)
    return tuple(told[key] for key in sorted(told))


def _new(key: str, entry: LedgerEntry, printers: Mapping[int, Printer]) -> AlarmRecord:
    known = printers.get(entry.printer_id) if entry.printer_id is not None else None
    facts: dict[str, Scalar] = {"rule": key.partition("|")[0], "subject": entry.subject}
    if known is not None:
        facts |= {name: value for name, value in of_printer(known).items() if value != ""}
    return AlarmRecord(
        key, key.partition("|")[0], entry.printer_id, entry.subject, AlarmState.NORMAL, entry.at, "",
        signal=False, signal_since=entry.at, facts=facts,
    )  # fmt: skip


def _follow(record: AlarmRecord, entry: LedgerEntry) -> AlarmRecord:
    data = entry.data
    try:
        after = AlarmState(str(data.get("after")))
    except ValueError:
        after = record.state
    text = entry.text.removeprefix(f"{record.rule}: ").removesuffix(f"; {data.get('reason')}")
    moved = replace(
        record,
        since=entry.at if after is not record.state else record.since,
        state=after,
        severity=str(data.get("severity") or record.severity),
        text=text,
        value=_number(data.get("value")),
        limit=_number(data.get("limit")),
        occurrence=int(_number(data.get("occurrence")) or record.occurrence),
        facts={**record.facts, "text": text},
    )
    if after is not AlarmState.SHELVED:
        moved = replace(moved, shelved_until=None, shelved_by="", shelved_reason="")
    if after is not AlarmState.SUPPRESSED:
        moved = replace(moved, suppressed_by="")
    return _happened(moved, str(data.get("event") or ""), entry)


def _happened(record: AlarmRecord, event: str, entry: LedgerEntry) -> AlarmRecord:
    """What the event itself says: of the condition, and of who did it."""
    data, at = entry.data, entry.at
    found: dict[str, Any] = {}
    match event:
        case Event.RAISE.value:
            found = {"active": True, "signal": True, "signal_since": at, "raised_at": at, "returned_at": None}
            found |= {"acknowledged_by": "", "acknowledged_at": None}
        case Event.CLEAR.value | Event.VANISH.value:
            found = {"active": False, "signal": False, "signal_since": at}
            found |= {"returned_at": at} if record.active else {}
        case Event.ACKNOWLEDGE.value if entry.who != "lowmark":
            # What was acknowledged before it was suppressed is acknowledged again by Lowmark itself.
            found = {"acknowledged_by": entry.who, "acknowledged_at": at}
        case Event.SHELVE.value:
            why = str(data.get("shelved_reason") or data.get("reason") or "")
            until = _moment(data.get("shelved_until"))
            found = {"shelved_until": until, "shelved_by": entry.who, "shelved_reason": why}
        case Event.UNSHELVE.value | Event.EXPIRE.value | Event.RESTORE.value:
            found = {"back_at": at}
        case Event.SUPPRESS.value:
            found = {"suppressed_by": str(data.get("suppressed_by") or "")}
    return replace(record, **found)


def _number(value: Scalar) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _moment(value: Scalar) -> datetime | None:
    try:
        return datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None
