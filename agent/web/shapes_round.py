"""The round as JSON data: ``lowmark round --json`` and the API alike. See docs/json-round.md."""

from __future__ import annotations

from typing import Any

from agent.model.fleet import Place
from agent.model.round import Bring, Card, Reason, Round, Step, Visit, Wait, Weighing

Data = dict[str, Any]


def round_data(made: Round) -> Data:
    """The payload of ``lowmark.round.v1``."""
    return {
        "as_of": made.as_of,
        "site": made.site or None,
        "day": made.day,
        "next_day": made.next_day,
        "zone": made.zone,
        "minutes": made.minutes,
        "currency": made.currency or None,
        "visits": [visit(one) for one in made.visits],
        "carry": [
            {"part": one.part, "what": one.what, "place": one.place, "count": one.count, "on_shelf": one.on_shelf}
            for one in made.carry
        ],
        "lacking": [{"part": one.part, "what": one.what, "count": one.count, "note": one.note} for one in made.lacking],
        "waits": [wait(one) for one in made.waits],
        "weighings": [weighing(one) for one in made.weighings],
        "cautions": list(made.cautions),
        "remarks": list(made.remarks),
    }


def visit(one: Visit) -> Data:
    """All jobs at one printer."""
    return {
        "number": one.number,
        "printer_id": one.printer_id,
        "printer": one.printer,
        "model": one.model,
        "place": _place(one.place),
        "urgency": one.urgency,
        "minutes": one.minutes,
        "walk": one.walk,
        "next_day": one.next_day,
        "bring": [_bring(part) for part in one.bring],
        "steps": [_step(step) for step in one.steps],
        "cautions": list(one.cautions),
        "cards": [card(each) for each in one.cards],
    }


def card(one: Card) -> Data:
    """One job."""
    return {
        "key": one.key,
        "printer_id": one.printer_id,
        "deed": one.deed,
        "supply": one.supply,
        "title": one.title,
        "urgency": one.urgency,
        "why": [_reason(each) for each in one.why],
        "bring": [_bring(part) for part in one.bring],
        "minutes": one.minutes,
        "given_up": one.given_up,
        "steps": [_step(step) for step in one.steps],
        "cautions": list(one.cautions),
        "proof": one.proof,
        "follows": list(one.follows),
    }


def wait(one: Wait) -> Data:
    """A job that is not on the round."""
    return {
        "key": one.key,
        "printer_id": one.printer_id,
        "printer": one.printer,
        "place": _place(one.place),
        "deed": one.deed,
        "title": one.title,
        "why": one.why,
        "due": one.due,
        "next_day": one.next_day,
        "is_due": one.is_due,
    }


def weighing(one: Weighing) -> Data:
    """The sums of one decision; minutes are rounded to a tenth."""
    return {
        "key": one.key,
        "printer_id": one.printer_id,
        "printer": one.printer,
        "title": one.title,
        "decision": one.decision,
        "why": one.why,
        "chance": round(one.chance, 4),
        "standstill": round(one.standstill, 1),
        "risk": round(one.risk, 1),
        "pages": round(one.pages),
        "money": None if one.money is None else str(one.money),
        "waste": round(one.waste, 1),
        "walk": round(one.walk, 1),
        "cost_now": round(one.cost_now, 1),
        "cost_later": round(one.cost_later, 1),
        "held": one.held,
    }


def _place(one: Place) -> Data:
    return {"site": one.site, "building": one.building, "floor": one.floor, "room": one.room}


def _bring(one: Bring) -> Data:
    return {
        "part": one.part,
        "what": one.what,
        "count": one.count,
        "place": one.place,
        "on_shelf": one.on_shelf,
        "note": one.note,
    }


def _step(one: Step) -> Data:
    return {"stage": one.stage, "text": one.text, "card": one.card}


def _reason(one: Reason) -> Data:
    return {
        "kind": one.kind,
        "text": one.text,
        "p10": one.p10,
        "p50": one.p50,
        "p90": one.p90,
        "chance": None if one.chance is None else round(one.chance, 4),
        "count": one.count,
        "due_count": one.due_count,
        "since": one.since,
    }
