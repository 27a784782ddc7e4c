"""From what is seen on paper to the part behind it: the print process, symptoms, and suspects with their reasons."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

ROLLERS = MappingProxyType(
    {
        "drum": "drum",
        "charge roller": "charger",
        "developing roller": "developing",
        "toner roller": "developing",
        "transfer roller": "transfer",
        "transfer belt": "transfer",
        "fuser roller": "fuser",
        "pressure roller": "fuser",
        "registration roller": "registration",
        "feed roller": "feeder",
    }
)
"""What turns and may leave a mark at every turn, and the part of the process table that it belongs to."""


@dataclass(frozen=True, slots=True)
class Roller:
    """Something that turns in a model of printer. ``around``: the distance in mm at which it marks the paper again.

    ``diameter`` in mm, None where the distance itself was given (a maker's table, a belt).
    """

    name: str
    around: float
    diameter: float | None = None

    @classmethod
    def of_diameter(cls, name: str, diameter: float) -> Roller:
        """A roller that turns as fast as the paper moves: one turn is pi times its diameter of paper."""
        return cls(name, math.pi * diameter, diameter)


@dataclass(frozen=True, slots=True)
class Match:
    """A measured distance against one roller, in mm.

    ``turns``: the distance was compared with so many turns of the roller: 1, 2, 3, or a half or a third of one (two or
    three marks on the same roller). ``expected`` is that many turns; ``deviation`` measured less expected;
    ``tolerance`` how far it may be off; ``fits`` whether it is not further. Of all numbers of turns the best is told;
    one turn where none fits.
    """

    roller: Roller
    turns: float
    expected: float
    deviation: float
    tolerance: float
    fits: bool


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the print process. ``process``: whether it is one of the seven of electrophotography.

    ``source``: where the description comes from.
    """

    name: str
    title: str
    does: str
    process: bool
    source: str


@dataclass(frozen=True, slots=True)
class Piece:
    """A part behind stages of the process.

    ``stages``: names of stages, none for what has no place in the process. ``supplies``: kinds of supply (RFC 3805)
    that it is, or sits in. ``within``: parts in whose cartridge it often comes, where the printer tells of none of its
    own. ``who``: a PrtAlertTrainingLevelTC label. ``check``: what to check first. ``care``: cautions are those of this
    kind of supply or of this word. ``wears``: it wears with pages. ``said``: words by which a display speaks of it.
    """

    name: str
    title: str
    stages: tuple[str, ...]
    supplies: tuple[str, ...]
    within: tuple[str, ...]
    who: str
    check: str
    care: str
    wears: bool
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cause:
    """A part that may be behind a symptom. ``weight``: 1..10, how often it is. ``deaf``: kinds of clue without say."""

    part: str
    weight: int
    why: str
    deaf: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Symptom:
    """Something seen on paper, or heard and smelt at the printer.

    ``look``: how it is told from others. ``first``: what to try first. ``distance``: a distance in mm helps.
    """

    kind: str
    title: str
    look: str
    first: str
    distance: bool
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class Clue:
    """Something that Lowmark knows of this printer and that makes a part more suspect (``factor`` > 1) or less.

    ``kind``: spent, new, upkeep, uncalibrated, alert, jams, media, display. ``unit``: the supply (its key) or the tray
    (``tray:2``) that it is about; "" for the part as such.
    """

    kind: str
    part: str
    unit: str
    factor: float
    text: str


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a suspect stands where it stands: a factor, and the words for it."""

    kind: str
    factor: float
    text: str


@dataclass(frozen=True, slots=True)
class Suspect:
    """A part that may be behind what is seen. ``score`` = ``weight`` times the factors of all ``reasons``.

    ``name``: what it is called at this printer. ``units``: the supplies (keys) or trays meant. ``why``: how it brings
    the symptom about. ``matches``: rollers of it, where a distance was given.
    """

    part: str
    name: str
    stages: tuple[str, ...]
    units: tuple[str, ...]
    weight: int
    score: float
    why: str
    reasons: tuple[Reason, ...]
    check: str
    who: str
    cautions: tuple[str, ...]
    matches: tuple[Match, ...] = ()


@dataclass(frozen=True, slots=True)
class Seen:
    """What somebody saw. ``every``: a distance in mm. ``colour``: the colorant that it is in, "" where it is in all."""

    kind: str
    every: float | None = None
    colour: str = ""


@dataclass(frozen=True, slots=True)
class Ranking:
    """The suspects, the likeliest first, as of a moment. ``verdict``: how much the order can be trusted, a sentence.

    ``rollers``: every roller of the model against the distance. ``notes``: what a careful reader should know.
    """

    printer_id: int
    as_of: datetime
    seen: Seen
    suspects: tuple[Suspect, ...]
    rollers: tuple[Match, ...]
    verdict: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AlertPlace:
    """Where in the process an alert, an error bit or a supply belongs: the part, and its stages; "" where nowhere."""

    part: str = ""
    title: str = ""
    stages: tuple[str, ...] = ()
    who: str = ""
    care: str = ""
