"""The JSON of services, proofs and suggestions: of the commands and of the API alike. See docs/json-service.md."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from agent.model.fleet import Printer
from agent.model.proof import Check, Deed, Proof, Recorded, Service, Suggestion

Printers = Mapping[int, Printer]


def service(one: Service, printers: Printers) -> dict[str, Any]:
    """One service as it stands in the ledger."""
    return {
        "id": one.id,
        **_name(one.printer_id, printers),
        "who": one.who,
        "at": one.at,
        "logged": one.logged,
        "deeds": [_deed(deed) for deed in one.deeds],
        "counter": one.counter,
        "unit": one.unit or None,
        "counter_from": one.counter_from or None,
        "remarks": one.remarks,
        "photo": one.photo or None,
        "corrects": one.corrects,
        "corrected_by": one.corrected_by,
        "withdrawn": one.withdrawn,
        "accepted": one.accepted,
    }


def proof(one: Proof, printers: Printers) -> dict[str, Any]:
    """A service with what the printer shows of it."""
    return {
        "service": service(one.service, printers),
        "state": one.state,
        "until": one.until,
        "proven_at": one.proven_at,
        "superseded_by": one.superseded_by,
        "checks": [_check(check) for check in one.checks],
        "missing": list(one.missing),
    }


def proofs(found: Iterable[Proof], printers: Printers, as_of: object) -> dict[str, Any]:
    """``lowmark proofs --json``."""
    return {"as_of": as_of, "proofs": [proof(one, printers) for one in found]}


def recorded(one: Recorded, printers: Printers) -> dict[str, Any]:
    """``lowmark service --json``."""
    return {**proof(one.proof, printers), "notices": list(one.notices)}


def withdrawn(one: Service, printers: Printers) -> dict[str, Any]:
    """``lowmark service --withdraw --json``."""
    return {"service": service(one, printers)}


def suggestion(one: Suggestion, printers: Printers) -> dict[str, Any]:
    """One service that a printer shows although nobody logged it."""
    return {
        "id": one.id,
        **_name(one.printer_id, printers),
        "kind": one.kind,
        "subjects": list(one.subjects),
        "at": one.at,
        "counter": one.counter,
        "text": one.words,
    }


def suggestions(found: Iterable[Suggestion], printers: Printers, as_of: object) -> dict[str, Any]:
    """``lowmark suggestions --json``."""
    return {"as_of": as_of, "suggestions": [suggestion(one, printers) for one in found]}


def _name(printer_id: int, printers: Printers) -> dict[str, Any]:
    printer = printers.get(printer_id)
    return {"printer_id": printer_id, "printer": printer.name if printer is not None else None}


def _deed(one: Deed) -> dict[str, Any]:
    return {
        "subject": one.subject,
        "part": one.part or None,
        "place": one.place or None,
        "from_shelf": one.from_shelf,
        "renews": list(one.renews),
    }


def _check(one: Check) -> dict[str, Any]:
    return {"kind": one.kind, "subject": one.subject, "state": one.state, "words": one.words, "seen_at": one.seen_at}
