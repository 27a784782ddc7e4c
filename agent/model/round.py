"""The round: what a technician carries where on a day, why now, how it is done safely, and how it will be proven.

A ``Card`` is one job, a ``Visit`` the jobs at one printer, a ``Round`` the visits of a day in the order of the walk.
What is not on the round is a ``Wait`` with its reason. All texts are lines for a person, clean of control characters.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal

from agent.model.fleet import Place

# How urgent a card is, from the most urgent to the least.
STANDS = "standsStill"
"""The printer stands still, or will not print as it should, until this is done."""
OVERDUE = "overdue"
DUE = "due"
JOINS = "joins"
"""Not due yet; it joins a visit that happens anyway."""
URGENCY = (STANDS, OVERDUE, DUE, JOINS)

# What a reason rests on.
EMPTY = "empty"
RUN_OUT = "runOut"
COUNTER = "counter"
DAYS = "days"
REPORTED = "reported"
FOLLOWS = "follows"
ALARM = "alarm"
UNPROVEN = "unproven"
JOINING = "joining"
WEIGHED = "weighed"

# The stages of the work, in the order of the trade.
STAGES = (
    *("pause", "counter", "power", "cool", "protect", "look", "fit", "start", "reset", "test", "calibrate", "resume"),
    "log",
)

# What is decided of a job.
NOW = "now"
JOIN = "join"
WAIT = "wait"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a job is due, in words, and the numbers behind it (None: this reason has none).

    ``kind``: empty, runOut, counter, days, reported, follows, alarm, unproven, weighed or joining. ``p10``, ``p50``,
    ``p90``: days of the site. ``chance``: that it runs out (falls due) before the next round. ``count``: the counter
    now, ``due_count`` where it falls due. ``since``: since when it is so.
    """

    kind: str
    text: str
    p10: date | None = None
    p50: date | None = None
    p90: date | None = None
    chance: float | None = None
    count: int | None = None
    due_count: int | None = None
    since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Bring:
    """A part to carry. ``part``: its name in the settings, "" where no part of the settings fits (``what`` says what).

    ``place``: where it lies; "" when none is on the shelf, or nobody counted. ``on_shelf``: how many lie there before
    the round, None where nobody ever counted this part. ``note``: what there is to say besides, such as
    ``none on the shelf: 2 ordered, expected 28 Nov`` or ``none on the shelf and none ordered: order now``.
    """

    part: str
    what: str
    count: int
    place: str
    on_shelf: int | None
    note: str = ""

    @property
    def lacking(self) -> bool:
        """Whether it is known that there is none to carry."""
        return not self.place and self.on_shelf is not None


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the work. ``stage``: one of STAGES. ``card``: the key of the job that it belongs to, "" for all."""

    stage: str
    text: str
    card: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """One job at one printer.

    ``key``: stable as long as the job is the same, and safe in a URL path: ``17.toner.cyan``. ``deed``: what
    ``lowmark service --did`` takes; "" where nothing is logged because the printer itself shows that it is over.
    ``follows``: deeds due by this one at the same visit (a calibration after an exchange), which may be logged with it.
    ``supply``: the supply it is about, "" for none. ``minutes``: of work, without the walk and without ``follows``.
    ``proof``: how Lowmark will see that it worked. ``given_up``: impressions that are given up because it is done now
    and not at the last moment, None where that is not known or means nothing. ``urgency``: one of URGENCY.
    """

    key: str
    printer_id: int
    deed: str
    title: str
    why: tuple[Reason, ...]
    bring: tuple[Bring, ...]
    minutes: int
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    proof: str
    urgency: str
    given_up: int | None = None
    follows: tuple[str, ...] = ()
    supply: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """All jobs at one printer, in one walk.

    ``steps``: those of all cards in the order of the trade, what they share said once; ``cautions`` likewise.
    ``minutes``: the work of all cards and of what follows them; ``walk``: minutes to get there and back, as reckoned.
    ``next_day``: the day of the next round here, None if there is none within a year.
    """

    number: int
    printer_id: int
    printer: str
    model: str
    place: Place
    cards: tuple[Card, ...]
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    minutes: int
    walk: int
    urgency: str
    next_day: date | None
    bring: tuple[Bring, ...] = ()


@dataclass(frozen=True, slots=True)
class Carry:
    """What the whole round takes of one part from one place. ``on_shelf``: see ``Bring``."""

    part: str
    what: str
    place: str
    count: int
    on_shelf: int | None


@dataclass(frozen=True, slots=True)
class Lack:
    """What the round wants and nobody can carry, because none is left. ``note``: what is ordered, or to be ordered."""

    part: str
    what: str
    count: int
    note: str


@dataclass(frozen=True, slots=True)
class Wait:
    """A job that is not on this round, and why. ``due``: the median day on which it falls due, None if not known.

    ``next_day``: the day of the next round at its site. ``is_due``: whether it is due already (then ``why`` says what
    keeps it off the round).
    """

    key: str
    printer_id: int
    printer: str
    place: Place
    deed: str
    title: str
    why: str
    due: date | None = None
    next_day: date | None = None
    is_due: bool = False


@dataclass(frozen=True, slots=True)
class Weighing:
    """The sums behind one decision, all in minutes of work. ``decision``: now, join or wait; ``why`` in words.

    ``chance``: that it runs out (falls due) before the next round. ``standstill``: what that would cost. ``risk``:
    their product. ``pages``: impressions given up by doing it on this round (expected), ``money``: what these are worth
    where a price is known, ``waste``: the same in minutes. ``walk``: 0 where somebody goes there anyway.
    ``cost_now``: ``waste`` + ``walk``. ``cost_later``: the least that waiting will cost, with the walk and the risk of
    all rounds to come. ``held``: the settings' limit for ``chance`` decided, whatever the sums say.
    """

    key: str
    printer_id: int
    printer: str
    title: str
    decision: str
    why: str
    chance: float
    standstill: float
    risk: float
    pages: float
    money: Decimal | None
    waste: float
    walk: float
    cost_now: float
    cost_later: float
    held: bool = False


@dataclass(frozen=True, slots=True)
class Round:
    """The round of one day, at one site or (``site`` "") at all of them.

    ``day``: the day of the round, in the zone of the sites. ``next_day``: the earliest next round of the sites
    visited; each visit has its own. ``carry``, ``lacking``: in sum, by part and place. ``minutes``: work and walks.
    ``cautions``: all of them, each once, the most general last. ``remarks``: what somebody should know besides, such as
    a whole site that is silent.
    """

    site: str
    day: date
    next_day: date | None
    as_of: datetime
    zone: str
    visits: tuple[Visit, ...]
    waits: tuple[Wait, ...]
    carry: tuple[Carry, ...] = ()
    lacking: tuple[Lack, ...] = ()
    minutes: int = 0
    cautions: tuple[str, ...] = ()
    weighings: tuple[Weighing, ...] = ()
    remarks: tuple[str, ...] = ()
    currency: str = ""

    @property
    def cards(self) -> tuple[Card, ...]:
        """Every card, in the order of the walk."""
        return tuple(card for visit in self.visits for card in visit.cards)

    def card(self, key: str) -> Card | None:
        """The card with this key."""
        return next((one for one in self.cards if one.key == key), None)

    def visit_of(self, key: str) -> Visit | None:
        """The visit on which the card with this key is."""
        return next((one for one in self.visits if any(card.key == key for card in one.cards)), None)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """When and how rounds are made at one site. ``days``: weekdays, Monday 0 .. Sunday 6. ``walk``: minutes."""

    days: tuple[int, ...] = (0, 1, 2, 3, 4)
    walk: float = 10.0
    off: frozenset[date] = frozenset()


@dataclass(frozen=True, slots=True)
class Swap:
    """How long the exchange of a kind of supply takes, and what there is to do and to take care of besides."""

    minutes: int
    steps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RoundTerms:
    """What the settings say about rounds.

    ``standstill``: minutes of work that a printer costs when it runs dry. ``late``: what a job costs that is overdue.
    ``sure``: the chance with which nothing may run dry before the next round, whatever the sums say. ``pages``: so many
    pages left in a cartridge without price are worth a minute of work; ``minute``: what a minute costs, in the currency
    of the shelf, for parts with a price. ``swaps``: by kind of supply (RFC 3805). ``join_within``: what is expected
    later than so many days after the round joins no visit.
    """

    rhythm: Rhythm = Rhythm()
    sites: tuple[tuple[str, Rhythm], ...] = ()
    standstill: float = 90.0
    late: float = 15.0
    sure: float = 0.9
    pages: float = 30.0
    minute: Decimal = Decimal("0.60")
    swaps: tuple[tuple[str, Swap], ...] = field(default=())
    join_within: float = 14.0

    def rhythm_of(self, site: str) -> Rhythm:
        """The rhythm of one site."""
        return next((rhythm for name, rhythm in self.sites if name == site), self.rhythm)

    def swap_of(self, kind: str) -> Swap | None:
        """What the settings say about the exchange of this kind of supply."""
        return next((swap for name, swap in self.swaps if name == kind), None)


def card_path(key: str) -> str:
    """The path of a card's page, below the root of the pages."""
    return f"/cards/{key}"
