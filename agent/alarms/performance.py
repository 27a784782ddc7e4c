"""How well the alarms serve the people who get them: figures against those of EEMUA 191 and ISA-18.2. Pure.

The figures to compare with are those of control rooms, written down from memory:

    rate         below 1 alarm in 10 minutes a person is very likely acceptable, 2 can be managed, 5 ask too much
    flood        more than 10 alarms in 10 minutes a person
    top ten      the ten most frequent alarms make 5 % of all at most (meaningful with hundreds of alarms only)
    chattering   none
    stale        fewer than 5 stand for more than 24 hours
    severity     about 80 % low, 15 % medium, 5 % high: if everything is grave, nothing is
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from agent.alarms.advice import Advice, advise
from agent.alarms.rules import Rule
from agent.alarms.spells import CHATTER_WINDOW, STALE, Spell, Standing, chattering, most_within, story
from agent.model.alarm import SEVERITIES, AlarmState
from agent.model.day_words import clock_words
from agent.model.fleet import LedgerEntry
from agent.model.wording import percent_words

TEN_MINUTES = timedelta(minutes=10)
MOST_FREQUENT = 10
ACCEPTABLE, MANAGEABLE, DEMANDING = 1.0, 2.0, 5.0
FLOOD = 10
TOP_SHARE, TOP_NEEDS = 0.05, 200
STALE_FEWER = 5
GRAVE_SHARE = 0.2
SHARE_NEEDS = 20


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure against the standard's. ``good`` None: it says nothing with so few alarms."""

    name: str
    value: float
    target: str
    good: bool | None
    words: str


@dataclass(frozen=True, slots=True)
class Frequent:
    """An alarm, how often it was heard, and its share of all."""

    key: str
    count: int
    share: float
    text: str


@dataclass(frozen=True, slots=True)
class Chatter:
    """An alarm that chattered: the most times within the window, and when."""

    key: str
    count: int
    at: datetime


@dataclass(frozen=True, slots=True)
class Old:
    """An alarm that stands for long, or is set aside: since when, its state, and what the ledger says of it."""

    key: str
    since: datetime
    state: AlarmState
    text: str


@dataclass(frozen=True, slots=True)
class RuleFigures:
    """What one rule did. ``acknowledged``: the share that a person acknowledged; ``lasted``: the median, in seconds."""

    rule: str
    count: int
    share: float
    acknowledged: float
    lasted: float


@dataclass(frozen=True, slots=True)
class Performance:
    """The report from ``since`` to ``at``. ``heard``: alarms that people could hear of; ``hidden``: set aside ones.

    ``per_ten_minutes`` is for one person. ``to_acknowledge``: the median time until a person acknowledged, in seconds.
    """

    since: datetime
    at: datetime
    people: int
    heard: int
    hidden: int
    per_day: float
    per_day_each: float
    per_ten_minutes: float
    severities: Mapping[str, int]
    to_acknowledge: float | None
    measures: tuple[Measure, ...]
    frequent: tuple[Frequent, ...]
    chattering: tuple[Chatter, ...]
    stale: tuple[Old, ...]
    shelved: tuple[Old, ...]
    rules: tuple[RuleFigures, ...]
    advice: tuple[Advice, ...]


def performance(
    entries: Iterable[LedgerEntry],
    rules: Sequence[Rule],
    since: datetime,
    at: datetime,
    *,
    people: int | None = None,
    window: timedelta = CHATTER_WINDOW,
    zone: str = "UTC",
) -> Performance:
    """The report as of ``at``. ``entries``: the ledger from its beginning, so that what stands long is known.

    ``people``: how many share the alarms; None: as many as acknowledged one in this time, one at least. ``window``:
    see ``spells.chattering``. ``zone``: in which moments are told. Raises ValueError unless ``since`` is before ``at``.
    """
    if since >= at:
        raise ValueError("the report must begin before it ends")
    told = story(entries, at)
    raised = [one for one in told.spells if one.raised >= since or (one.heard is not None and one.heard >= since)]
    spells = [one for one in raised if one.heard is not None]
    number = people or max(1, len({one.by for one in spells if one.by}))
    days = (at - since).total_seconds() / 86400
    moments = sorted(one.heard for one in spells if one.heard is not None)
    chatter = chattering(spells, window)
    stale = _stale(told.spells, told.states, at)
    frequent = _frequent(spells)
    severities = Counter(one.severity for one in spells)
    rate = len(spells) / (days * 144 * number)
    waits = [(one.acknowledged - one.heard).total_seconds() for one in spells if one.acknowledged and one.heard]
    figures = _rule_figures(spells, at)
    return Performance(
        since=since,
        at=at,
        people=number,
        heard=len(spells),
        hidden=len(raised) - len(spells),
        per_day=len(spells) / days,
        per_day_each=len(spells) / days / number,
        per_ten_minutes=rate,
        severities={word: severities[word] for word in SEVERITIES},
        to_acknowledge=median(waits) if waits else None,
        measures=(
            _rate(rate),
            _flood(moments, number, zone),
            _top(frequent, len(spells)),
            Measure("chattering", len(chatter), "none", not chatter, "alarms that came again and again in no time"),
            Measure(
                "stale", len(stale), f"fewer than {STALE_FEWER}", len(stale) < STALE_FEWER, "standing for over 24 hours"
            ),
            _graveness(severities, len(spells)),
        ),
        frequent=frequent,
        chattering=tuple(Chatter(key, count, when) for key, (count, when) in sorted(chatter.items())),
        stale=stale,
        shelved=_in(told.states, AlarmState.SHELVED),
        rules=figures,
        advice=advise(rules, spells, at, chatter=frozenset(chatter), stale=[one.key for one in stale]),
    )


def _rate(rate: float) -> Measure:
    if rate <= ACCEPTABLE:
        words = "very likely acceptable"
    elif rate <= MANAGEABLE:
        words = "can be managed"
    elif rate <= DEMANDING:
        words = "likely to ask too much"
    else:
        words = "very likely unacceptable"
    return Measure("rate", rate, "below 1 in 10 minutes a person", rate <= ACCEPTABLE, words)


def _flood(moments: list[datetime], people: int, zone: str) -> Measure:
    most, when = most_within(moments, TEN_MINUTES)
    each = most / people
    words = "no alarm at all" if when is None else f"most in 10 minutes a person, from {clock_words(when, zone)}"
    return Measure("flood", each, f"at most {FLOOD} in 10 minutes a person", each <= FLOOD, words)


def _top(frequent: Sequence[Frequent], count: int) -> Measure:
    share = sum(one.share for one in frequent)
    good = share <= TOP_SHARE if count >= TOP_NEEDS else None
    words = "share of the ten most frequent" + ("" if count >= TOP_NEEDS else "; says little of so few alarms")
    return Measure("topTen", share, f"at most {percent_words(TOP_SHARE)}", good, words)


def _graveness(severities: Mapping[str, int], count: int) -> Measure:
    grave = (severities.get("high", 0) + severities.get("urgent", 0)) / count if count else 0.0
    good = grave <= GRAVE_SHARE if count >= SHARE_NEEDS else None
    words = "share of high and urgent" + ("" if count >= SHARE_NEEDS else "; says little of so few alarms")
    return Measure("grave", grave, f"about 5 %, at most {percent_words(GRAVE_SHARE)}", good, words)


def _frequent(spells: Sequence[Spell]) -> tuple[Frequent, ...]:
    counts = Counter(one.key for one in spells)
    texts = {one.key: one.text for one in spells}
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))[:MOST_FREQUENT]
    return tuple(Frequent(key, count, count / len(spells), texts[key]) for key, count in ordered)


def _stale(spells: Sequence[Spell], states: Mapping[str, Standing], at: datetime) -> tuple[Old, ...]:
    """Those that stand for long and that nobody has set aside."""
    found = []
    for one in spells:
        state = states.get(one.key)
        shown = state is not None and state.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        if one.returned is None and shown and state is not None and at - one.raised > STALE:
            found.append(Old(one.key, one.raised, state.state, one.text))
    return tuple(sorted(found, key=lambda old: (old.since, old.key)))


def _in(states: Mapping[str, Standing], wanted: AlarmState) -> tuple[Old, ...]:
    found = [Old(key, one.since, one.state, one.text) for key, one in states.items() if one.state is wanted]
    return tuple(sorted(found, key=lambda old: (old.since, old.key)))


def _rule_figures(spells: Sequence[Spell], at: datetime) -> tuple[RuleFigures, ...]:
    by_rule: dict[str, list[Spell]] = {}
    for one in spells:
        by_rule.setdefault(one.rule, []).append(one)
    made = []
    for rule, some in by_rule.items():
        seen = sum(one.acknowledged is not None for one in some) / len(some)
        lasted = median(one.lasted(at).total_seconds() for one in some)
        made.append(RuleFigures(rule, len(some), len(some) / len(spells), seen, lasted))
    return tuple(sorted(made, key=lambda one: (-one.count, one.rule)))
