"""What may be behind a symptom, as JSON data: ``lowmark.symptom.v1``, of the command and of the API alike."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import Field

from agent.insight.process import Process
from agent.insight.symptoms import care
from agent.model.alert_words import TRAINING
from agent.model.fleet import Printer
from agent.model.symptom import Match, Ranking, Suspect, Symptom
from agent.web.schema_reading import Shape
from agent.web.shapes import Data

ADVICE = (
    "Common practice, no source: an order to look in, no diagnosis. The maker's manual prevails; leave work inside the "
    "printer to qualified service."
)


def symptom(process: Process, whose: Printer, as_of: datetime, ranking: Ranking | None) -> Data:
    """The kinds of symptom there are; and the suspects, where something was said to be seen."""
    return {
        "as_of": as_of,
        "printer_id": whose.id,
        "printer": whose.name,
        "model": whose.model,
        "site": whose.place.site,
        "kinds": [_kind(one) for one in process.symptoms.values()],
        "seen": None
        if ranking is None
        else {
            **_kind(process.symptoms[ranking.seen.kind]),
            "every": ranking.seen.every,
            "colour": ranking.seen.colour or None,
        },
        "verdict": None if ranking is None else ranking.verdict,
        "suspects": [] if ranking is None else [_suspect(process, one) for one in ranking.suspects],
        "rollers": [] if ranking is None else [_match(one) for one in ranking.rollers],
        "notes": [] if ranking is None else list(ranking.notes),
        "cautions": [] if ranking is None else list(care(ranking.suspects)),
        "advice": ADVICE,
    }


def _kind(one: Symptom) -> Data:
    return {"kind": one.kind, "title": one.title, "look": one.look, "first": one.first, "distance": one.distance}


def _suspect(process: Process, one: Suspect) -> Data:
    return {
        "part": one.part,
        "name": one.name,
        "stages": list(process.titles(one.stages)),
        "units": list(one.units),
        "weight": one.weight,
        "score": round(one.score, 3),
        "why": one.why,
        "reasons": [
            {"kind": reason.kind, "factor": round(reason.factor, 3), "text": reason.text} for reason in one.reasons
        ],
        "check": one.check,
        "who": one.who,
        "who_text": TRAINING[one.who],
        "cautions": list(one.cautions),
        "rollers": [_match(match) for match in one.matches],
    }


def _match(one: Match) -> Data:
    return {
        "roller": one.roller.name,
        "diameter": one.roller.diameter,
        "around": round(one.roller.around, 2),
        "turns": round(one.turns, 4),
        "expected": round(one.expected, 2),
        "deviation": round(one.deviation, 2),
        "tolerance": round(one.tolerance, 2),
        "fits": one.fits,
    }


# --- for the document of the API ------------------------------------------------------------------------------------


class Kind(Shape):
    """A kind of symptom."""

    kind: str
    title: str
    look: str
    first: str
    distance: bool = Field(description="whether a distance in mm says something about it")


class SeenSymptom(Kind):
    """What was said to be seen."""

    every: float | None = Field(description="mm")
    colour: str | None


class SymptomReason(Shape):
    """Something known that makes a part more suspect (factor above 1) or less."""

    kind: str
    factor: float
    text: str


class RollerMatch(Shape):
    """A roller against the distance, in mm."""

    roller: str
    diameter: float | None
    around: float
    turns: float
    expected: float
    deviation: float
    tolerance: float
    fits: bool


class SuspectPart(Shape):
    """A part that may be behind it: ``score`` is ``weight`` times all factors."""

    part: str
    name: str
    stages: list[str]
    units: list[str]
    weight: int
    score: float
    why: str
    reasons: list[SymptomReason]
    check: str
    who: str
    who_text: str
    cautions: list[str]
    rollers: list[RollerMatch]


class SymptomAnswer(Shape):
    """The kinds of symptom; with ``seen``, the suspects, the likeliest first."""

    format: Literal["lowmark.symptom.v1"]
    as_of: datetime
    printer_id: int
    printer: str
    model: str
    site: str
    kinds: list[Kind]
    seen: SeenSymptom | None
    verdict: str | None
    suspects: list[SuspectPart]
    rollers: list[RollerMatch]
    notes: list[str]
    cautions: list[str]
    advice: str
