"""The models of round, shelf and services for the API's document; see ``agent.web.schema``."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from pydantic import Field

from agent.web.schema_history import Entry
from agent.web.schema_reading import Shape


class Where(Shape):
    """Where a printer stands."""

    site: str
    building: str
    floor: str
    room: str


class Why(Shape):
    """Why a job is due, and the numbers behind it."""

    kind: str
    text: str
    p10: date | None
    p50: date | None
    p90: date | None
    chance: float | None
    count: int | None
    due_count: int | None
    since: datetime | None


class BringPart(Shape):
    """A part to carry."""

    part: str
    what: str
    count: int
    place: str
    on_shelf: int | None
    note: str


class WorkStep(Shape):
    """One step of the work."""

    stage: str
    text: str
    card: str


class JobCard(Shape):
    """One job at one printer."""

    key: str
    printer_id: int
    deed: str
    supply: str
    title: str
    urgency: Literal["standsStill", "overdue", "due", "joins"]
    why: list[Why]
    bring: list[BringPart]
    minutes: int
    given_up: int | None
    steps: list[WorkStep]
    cautions: list[str]
    proof: str
    follows: list[str]


class RoundVisit(Shape):
    """All jobs at one printer."""

    number: int
    printer_id: int
    printer: str
    model: str
    place: Where
    urgency: str
    minutes: int
    walk: int
    next_day: date | None
    bring: list[BringPart]
    steps: list[WorkStep]
    cautions: list[str]
    cards: list[JobCard]


class CarryPart(Shape):
    """What the whole round takes of one part from one place."""

    part: str
    what: str
    place: str
    count: int
    on_shelf: int | None


class LackingPart(Shape):
    """What nobody can carry, because none is left."""

    part: str
    what: str
    count: int
    note: str


class WaitingJob(Shape):
    """A job that is not on this round."""

    key: str
    printer_id: int
    printer: str
    place: Where
    deed: str
    title: str
    why: str
    due: date | None
    next_day: date | None
    is_due: bool


class Sums(Shape):
    """The sums behind one decision, in minutes of work."""

    key: str
    printer_id: int
    printer: str
    title: str
    decision: Literal["now", "join", "wait"]
    why: str
    chance: float
    standstill: float
    risk: float
    pages: int
    money: str | None
    waste: float
    walk: float
    cost_now: float
    cost_later: float
    held: bool


class RoundAnswer(Shape):
    """The round of a day."""

    format: Literal["lowmark.round.v1"]
    as_of: datetime
    site: str | None
    day: date
    next_day: date | None
    zone: str
    minutes: int
    currency: str | None
    visits: list[RoundVisit]
    carry: list[CarryPart]
    lacking: list[LackingPart]
    waits: list[WaitingJob]
    weighings: list[Sums]
    cautions: list[str]
    remarks: list[str]


# --- the shelf ------------------------------------------------------------------------------------------------------


class Pile(Shape):
    """How many of a part lie at one place."""

    part: str
    place: str
    count: int = Field(ge=0)
    counted: datetime | None


class PartFit(Shape):
    """A printer that uses a part."""

    printer_id: int
    printer: str
    supplies: list[str]


class Part(Shape):
    """A part of the settings."""

    part: str
    description: str
    models: list[str]
    supplies: list[str]
    price: str | None
    declared_yield: int | None
    fits: list[PartFit]


class Order(Shape):
    """What is on its way."""

    part: str
    count: int
    at: datetime
    who: str
    expected: datetime | None


class Asked(Shape):
    """How many will be asked for until a later order could be here."""

    mean: float
    p10: int
    p50: int
    p90: int


class Need(Shape):
    """A supply of a printer that will probably ask for the part."""

    printer_id: int
    printer: str
    supply: str
    within: float
    expected: float
    run_out: date | None
    basis: str


class Advised(Shape):
    """What to order of a part, and why."""

    part: str
    order: int
    by: date | None
    on_hand: int
    on_order: int
    up_to: int | None
    demand: Asked | None
    stock_out: float | None
    method: Literal["forecasts", "reorderPoint", "none"]
    reason: str
    cost: str | None
    because: list[Need]


class ShelfRemark(Shape):
    """Something that a person should look at."""

    part: str
    text: str


class ShelfAnswer(Shape):
    """The shelf. For an earlier moment, and until it is reckoned after the start of the agent, ``advice`` is empty."""

    format: Literal["lowmark.shelf.v1"]
    as_of: datetime
    currency: str
    service_level: float
    stock: list[Pile]
    parts: list[Part]
    orders: list[Order]
    advice: list[Advised]
    remarks: list[ShelfRemark]


class MovementAnswer(Shape):
    """What was written down about a part, and what lies there now."""

    format: Literal["lowmark.shelfMovement.v1"]
    entry: Entry
    stock: list[Pile]
    on_order: int
    doubts: list[str] = Field(description="what the settings say against it; it is written all the same")


# --- services -------------------------------------------------------------------------------------------------------


class DeedDone(Shape):
    """One thing done in a service."""

    subject: str
    part: str | None
    place: str | None
    from_shelf: bool
    renews: list[str]


class ServiceDone(Shape):
    """A service as it stands in the ledger."""

    id: int
    printer_id: int
    printer: str | None
    who: str
    at: datetime
    logged: datetime | None
    deeds: list[DeedDone]
    counter: int | None
    unit: str | None
    counter_from: str | None
    remarks: str
    photo: str | None
    corrects: int | None
    corrected_by: int | None
    withdrawn: bool
    accepted: bool


class ProofCheck(Shape):
    """One thing by which a service is proven."""

    kind: str
    subject: str
    state: Literal["waiting", "seen", "missing", "not-applicable"]
    words: str
    seen_at: datetime | None


class ProofShape(Shape):
    """A service, and what the printer shows of it."""

    service: ServiceDone
    state: Literal["proving", "proven", "unproven"]
    until: datetime
    proven_at: datetime | None
    superseded_by: int | None
    checks: list[ProofCheck]
    missing: list[str]


class ServiceAnswer(ProofShape):
    """A service as it was written down, its first proof, and what to know besides."""

    format: Literal["lowmark.service.v1"]
    notices: list[str]


class WithdrawnAnswer(Shape):
    """A service that was taken back."""

    format: Literal["lowmark.service.v1"]
    service: ServiceDone


class ProofsAnswer(Shape):
    """The services of the last thirty days, in order of time."""

    format: Literal["lowmark.proofs.v1"]
    as_of: datetime
    proofs: list[ProofShape]


class Hint(Shape):
    """A service that a printer shows although nobody logged it."""

    id: str
    printer_id: int
    printer: str | None
    kind: str
    subjects: list[str]
    at: datetime
    counter: int | None
    text: str


class SuggestionsAnswer(Shape):
    """What waits to be accepted."""

    format: Literal["lowmark.suggestions.v1"]
    as_of: datetime
    suggestions: list[Hint]
