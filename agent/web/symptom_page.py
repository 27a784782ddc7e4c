"""The page from paper to part: a form that asks what is seen, and the suspects in order. It changes nothing."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import QueryParams

from agent.insight.process import packaged
from agent.insight.symptoms import NotSeen, care, colours, distance, match_words, rank, read, roller_words
from agent.model.alert_words import TRAINING
from agent.web.house import House
from agent.web.leaf import as_of, asked_moment
from agent.web.shapes_symptom import ADVICE

SHOWN = 5
"""So many suspects stand open on the page; the others are folded away."""


def asked(house: House, printer_id: int, query: QueryParams) -> dict[str, Any] | None:
    """What the page shows; None where there is no such printer.

    ``fault`` is (field, text) where something cannot be; then there is no ranking.
    """
    whose = house.printers().get(printer_id) if printer_id < 2**53 else None
    then = asked_moment(query, house)
    case = house.case(printer_id, then) if whose is not None else None
    if whose is None or case is None:
        return None
    process = packaged()
    seen, every = query.get("seen", "")[:60].strip(), query.get("every", "")[:40].strip()
    there = colours(case)
    colour = query.get("colour", "")
    fault: tuple[str, str] | None = None
    ranking = None
    try:
        if seen:
            # A form sends all its fields: a distance that says nothing about this kind is left aside.
            known = process.kind_of(seen)
            useful = known is None or process.symptoms[known].distance
            sight = read(process, seen, distance(every) if useful else None, colour if colour in there else "")
            ranking = rank(process, case, sight)
    except NotSeen as failure:
        fault = failure.where, str(failure)
    return {
        **as_of(query, house, then),
        "printer": whose,
        "zone": whose.place.zone,
        "now": case.as_of,
        "process": process,
        "kinds": tuple(process.symptoms.values()),
        "chosen": process.symptoms[ranking.seen.kind] if ranking is not None else None,
        "picked": process.kind_of(seen),
        "every": every,
        "colour": colour if colour in there else "",
        "colours": there,
        "ranking": ranking,
        "fault": fault,
        "first": ranking.suspects[:SHOWN] if ranking is not None else (),
        "rest": ranking.suspects[SHOWN:] if ranking is not None else (),
        "cautions": care(ranking.suspects[:SHOWN]) if ranking is not None else (),
        "who": TRAINING,
        "advice": ADVICE,
        "match_words": match_words,
        "roller_words": roller_words,
    }
