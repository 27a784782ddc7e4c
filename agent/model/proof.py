"""Services with their proof: what somebody did at a printer, and what the printer shows of it afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

WAITING = "waiting"
SEEN = "seen"
MISSING = "missing"
NOT_APPLICABLE = "not-applicable"

PROVING = "proving"
PROVEN = "proven"
UNPROVEN = "unproven"

LEVEL_BACK = "level-back"
COUNTER_RESET = "counter-reset"
ALERT_GONE = "alert-gone"
CALIBRATION = "calibration"
READ = "read"

COUNTER_LIVE = "live"
COUNTER_GIVEN = "given"
COUNTER_LAST_KNOWN = "last known"
COUNTER_SEEN = "seen"


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing done in a service. ``subject``: a plan's name or a supply's key.

    ``part``, ``place``: what was taken from where on the shelf; empty where the entry does not say. ``from_shelf``
    False: nothing was taken. ``renews``: the supplies that a plan renewed by it.
    """

    subject: str
    part: str = ""
    place: str = ""
    from_shelf: bool = True
    renews: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Service:
    """One service at one printer: one entry of the ledger. ``id``: that entry's id.

    ``at``: when the work was done; ``logged``: when it was written down. ``counter`` counts ``unit`` (impressions,
    sheets); ``counter_from``: ``live`` (read from the printer at that moment), ``given`` (by the person), ``last
    known`` (it could not be read) or ``seen`` (in readings of that time), "" without a counter. ``photo``: the store's
    name for it, "" without one. ``corrects``: id of the service in whose place this one stands. ``corrected_by``: id of
    the one that stands in its own place. ``withdrawn``: it was taken back. ``accepted``: it came from a suggestion.
    """

    id: int
    printer_id: int
    who: str
    at: datetime
    deeds: tuple[Deed, ...]
    counter: int | None = None
    unit: str = ""
    counter_from: str = ""
    remarks: str = ""
    photo: str = ""
    corrects: int | None = None
    corrected_by: int | None = None
    withdrawn: bool = False
    accepted: bool = False
    logged: datetime | None = None

    @property
    def holds(self) -> bool:
        """Whether it is still said: neither corrected nor withdrawn."""
        return not self.withdrawn and self.corrected_by is None


@dataclass(frozen=True, slots=True)
class Check:
    """One thing by which a service is proven.

    ``kind``: ``level-back`` (the supply shows more than before), ``counter-reset`` (the part's own counter starts
    anew), ``alert-gone``, ``calibration`` (still open or done; it does not hold up the proof) or ``read`` (the printer
    answered since). ``subject``: the supply, the alert's code or the plan; empty for ``read``. ``state``: ``waiting``,
    ``seen``, ``missing`` (the set time is over) or ``not-applicable``. ``words``: a sentence, with the numbers before
    and after. ``seen_at``: the first reading that showed it.
    """

    kind: str
    subject: str
    state: str
    words: str
    seen_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Proof:
    """A service and what the printer shows of it, as of a moment.

    ``state``: ``proving`` (within the set time), ``proven``, or ``unproven`` with ``missing``, sentences for a person.
    ``until``: the end of the set time; while the printer is silent that is reckoned as if it answered from now on.
    ``proven_at``: the reading that completed it. ``superseded_by``: of an unproven one, the id of a later service that
    did all of it again, so that nobody need do anything about this one any more.
    """

    service: Service
    checks: tuple[Check, ...]
    state: str
    until: datetime
    missing: tuple[str, ...] = ()
    proven_at: datetime | None = None
    superseded_by: int | None = None


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A service that a printer shows although nobody logged it. ``id``: what ``accept`` is told.

    ``kind``: ``swapSeen`` (a supply was exchanged) or ``serviceNotLogged`` (a plan's part is new, its counter went
    back). ``subjects``: what the entry would say was done. ``counter``: what the printer's counter was then.
    """

    id: str
    printer_id: int
    kind: str
    subjects: tuple[str, ...]
    at: datetime
    counter: int | None
    words: str


@dataclass(frozen=True, slots=True)
class Done:
    """What a person says was done at a printer.

    ``did``: plans and supplies. ``parts``: which part was taken for which of them; ``place``: from where;
    ``from_shelf`` False: nothing was taken. ``at``: when, None for now. ``counter``: as read at the printer, None to
    have it asked. ``photo``: the content of an image file. ``corrects``: id of the service that this one takes the
    place of; what is not said anew stays as it was said there.
    """

    printer_id: int
    did: tuple[str, ...]
    who: str
    at: datetime | None = None
    parts: Mapping[str, str] = field(default_factory=dict)
    place: str = ""
    from_shelf: bool = True
    counter: int | None = None
    remarks: str = ""
    photo: bytes | None = None
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """A service as it was written down, its first proof, and what the person should know: sentences."""

    service: Service
    proof: Proof
    notices: tuple[str, ...] = ()
