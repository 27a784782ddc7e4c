"""The ledger's lines about alarms, read back as spells: each raising with its end, as of any moment. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import LedgerEntry

LEDGER_KINDS = (
    "alarmRaised",
    "alarmReturned",
    "alarmAcknowledged",
    "alarmShelved",
    "alarmUnshelved",
    "alarmSuppressed",
    "alarmReleased",
    "alarmWithdrawn",
    "alarmRestored",
    "alarmClosed",
)
"""The kinds of ledger entry that a story of alarms is made of."""

CHATTER_COUNT, CHATTER_WINDOW = 3, timedelta(minutes=1)
"""An alarm chatters when it is heard three times or more within a minute (EEMUA 191 and IEC 62682, from memory)."""

LATELY = timedelta(days=1)
"""So long an alarm that chattered is marked so."""

STALE = timedelta(hours=24)
"""An alarm that stands for longer is stale (EEMUA 191 and IEC 62682, from memory)."""


@dataclass(slots=True)
class Spell:
    """One alarm from its raising to its return.

    ``heard``: when people could first hear of it; None if it was set aside all the time. ``returned``: None while it
    stands. ``acknowledged`` and ``by``: the first time that a person did so.
    """

    key: str
    rule: str
    printer_id: int | None
    subject: str
    severity: str
    text: str
    raised: datetime
    heard: datetime | None = None
    returned: datetime | None = None
    acknowledged: datetime | None = None
    by: str = ""

    def lasted(self, at: datetime) -> timedelta:
        """How long it stood, up to ``at``."""
        return (self.returned or at) - self.raised


@dataclass(frozen=True, slots=True)
class Standing:
    """In which state an alarm is, since when, who made it so and in which words of the ledger."""

    state: AlarmState
    since: datetime
    who: str
    text: str


@dataclass(frozen=True, slots=True)
class Story:
    """All spells in order of raising, and the state that each alarm is in at the end."""

    spells: tuple[Spell, ...]
    states: dict[str, Standing]


def story(entries: Iterable[LedgerEntry], at: datetime) -> Story:
    """What the ledger says of alarms up to ``at``. Entries of other kinds are left out; order of time is restored."""
    told: list[Spell] = []
    open_now: dict[str, Spell] = {}
    states: dict[str, Standing] = {}
    wanted = [one for one in entries if one.kind in LEDGER_KINDS and one.at <= at and one.data.get("alarm")]
    for entry in sorted(wanted, key=lambda one: (one.at, one.id or 0)):
        key = str(entry.data["alarm"])
        if entry.kind == "alarmRaised":
            open_now[key] = spell = _spell(key, entry)
            told.append(spell)
        elif (spell_now := open_now.get(key)) is not None:
            _follow(spell_now, entry)
            if spell_now.returned is not None:
                del open_now[key]
        _note(states, key, entry)
    return Story(tuple(told), states)


def _spell(key: str, entry: LedgerEntry) -> Spell:
    heard = entry.at if entry.data.get("after") == AlarmState.UNACKNOWLEDGED.value else None
    rule, _, _ = key.partition("|")
    severity = str(entry.data.get("severity") or "")
    said = entry.text.removeprefix(f"{rule}: ").removesuffix(f"; {entry.data.get('reason')}")
    return Spell(key, rule, entry.printer_id, entry.subject, severity, said, entry.at, heard)


def _follow(spell: Spell, entry: LedgerEntry) -> None:
    if entry.kind in ("alarmReturned", "alarmClosed"):
        spell.returned = entry.at
    elif entry.kind == "alarmAcknowledged":
        # What was acknowledged before it was suppressed is acknowledged again by Lowmark itself.
        if spell.acknowledged is None and entry.who != "lowmark":
            spell.acknowledged, spell.by = entry.at, entry.who
    elif spell.heard is None and entry.data.get("after") == AlarmState.UNACKNOWLEDGED.value:
        spell.heard = entry.at


def _note(states: dict[str, Standing], key: str, entry: LedgerEntry) -> None:
    try:
        after = AlarmState(str(entry.data.get("after")))
    except ValueError:
        return
    known = states.get(key)
    if known is None or known.state is not after:
        states[key] = Standing(after, entry.at, entry.who, entry.text)


def most_within(moments: list[datetime], window: timedelta) -> tuple[int, datetime | None]:
    """The most of ``moments`` (in order) that lie within one window of this length, and when that window begins."""
    most, when, first = 0, None, 0
    for last, moment in enumerate(moments):
        while moment - moments[first] > window:
            first += 1
        if last - first + 1 > most:
            most, when = last - first + 1, moments[first]
    return most, when


def chattering(spells: Iterable[Spell], window: timedelta = CHATTER_WINDOW) -> dict[str, tuple[int, datetime]]:
    """The alarms that chattered: key -> the most times that one was heard within the window, and when that began.

    ``window``: the standard's minute for alarms that are seen as they come. One that is polled can return and come
    again only with the next readings, so whoever polls gives the time of five sweeps.
    """
    by_key: dict[str, list[datetime]] = {}
    for spell in spells:
        if spell.heard is not None:
            by_key.setdefault(spell.key, []).append(spell.heard)
    found = {}
    for key, moments in by_key.items():
        most, when = most_within(sorted(moments), window)
        if most >= CHATTER_COUNT and when is not None:
            found[key] = (most, when)
    return found


def chatter_window(interval: timedelta) -> timedelta:
    """The window for alarms that are polled at this interval: five sweeps, a minute at least."""
    return max(CHATTER_WINDOW, 5 * interval)


def trembling(entries: Iterable[LedgerEntry], now: datetime) -> frozenset[str]:
    """The keys of the alarms that chattered, by the ledger's entries of the last ``LATELY``; see ``marks``.

    The status of printers is asked for each minute unless the settings say otherwise.
    """
    lately = (one for one in entries if one.at >= now - LATELY)
    return frozenset(chattering(story(lately, now).spells, chatter_window(timedelta(minutes=1))))


def marks(record: AlarmRecord, chattered: Collection[str], now: datetime) -> tuple[str, ...]:
    """What else is to be known of an alarm: ``chattering`` (within a day), ``stale`` (standing for over 24 hours).

    ``chattered``: the keys that ``trembling`` gives.
    """
    found = ("chattering",) if record.key in chattered else ()
    shown = record.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    if record.active and shown and record.raised_at is not None and now - record.raised_at > STALE:
        return (*found, "stale")
    return found
