"""A dry run: the history replayed through other rules, and held against the alarms that came. Pure.

The rules are judged whenever something was new, and whenever a delay was over, at moments at which the printer was
really asked. Nothing is replayed of the agent itself and of run-outs: what they were judged by is not in the history.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from agent.alarms.engine import judge
from agent.alarms.past import Past
from agent.alarms.rules import AGENT_UNWELL, COUNTER_ODDITY, RUN_OUT, SERVICE_UNPROVEN, SITE_SILENT, UNREACHABLE, Rule
from agent.alarms.sites import has_site_rules
from agent.alarms.spells import Spell, Story, story
from agent.alarms.windows import PREFIX, Window
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import LedgerEntry, PrinterView

NOT_REPLAYED = (AGENT_UNWELL, RUN_OUT, SERVICE_UNPROVEN)
WARM_UP = timedelta(days=7)
"""So much earlier the replay begins, so that what stood at the beginning stands and its delays are over."""


NEXT = timedelta(microseconds=1)
STEP = timedelta(minutes=1)
SLACK = timedelta(minutes=2)
"""Alarms that miss one another by so little are the same: a replayed one comes with the sweep after the real one."""


class _Replay:
    def __init__(self, pasts: Sequence[Past], rules: Sequence[Rule], windows: Sequence[Window]) -> None:
        self.pasts = list(pasts)
        self.windows = windows
        # Whom they tell stays: an alarm hides a lesser one only from those who hear of it. The messages go nowhere.
        self.rules = [replace(rule, repeat=None) for rule in rules if rule.when not in NOT_REPLAYED]
        self.by_rule = {rule.name: rule for rule in self.rules}
        self.sites = has_site_rules(self.rules)
        self.waits = {rule.for_ for rule in self.rules if rule.when in (UNREACHABLE, SITE_SILENT)}
        self.ledger: list[LedgerEntry] = []
        self.records: dict[int, dict[str, AlarmRecord]] = {}
        self.site_records: dict[str, AlarmRecord] = {}
        self.views: dict[int, PrinterView] = {}
        self.queue: list[tuple[datetime, int, bool]] = []
        self.planned: set[tuple[datetime, int, bool]] = set()

    def run(self, begin: datetime, end: datetime) -> list[LedgerEntry]:
        for at, past in enumerate(self.pasts):
            turns = past.turns()
            self._plan(at, begin, contact=True)
            for moment in past.changes():
                if begin < moment <= end:
                    self._push(at, moment, contact=moment in turns)
        while self.queue and self.queue[0][0] <= end:
            self._step(*self._next())
        return self.ledger

    def _plan(self, at: int, moment: datetime, *, contact: bool = False) -> None:
        asked = self.pasts[at].asked(moment)
        if asked is not None:
            self._push(at, asked, contact=contact)

    def _push(self, at: int, moment: datetime, *, contact: bool) -> None:
        if (moment, at, contact) not in self.planned:
            self.planned.add((moment, at, contact))
            heapq.heappush(self.queue, (moment, at, contact))

    def _next(self) -> tuple[datetime, dict[int, bool]]:
        """The next moment, and the printers that were asked then: whether their contact may matter to a site."""
        now = self.queue[0][0]
        asked: dict[int, bool] = {}
        while self.queue and self.queue[0][0] == now:
            _, at, contact = heapq.heappop(self.queue)
            self.planned.discard((now, at, contact))
            asked[at] = asked.get(at, False) or contact
        return now, asked

    def _step(self, now: datetime, asked: dict[int, bool]) -> None:
        seen = {at: view for at in asked if (view := self.pasts[at].view(now)) is not None}
        self.views.update(seen)
        turned = any(asked[at] or not view.reachable for at, view in seen.items())
        whole = list(self.views.values()) if self.sites and turned else None
        records = dict(self.site_records)
        for at in seen:
            records |= self.records.get(at, {})
        found = judge(self.rules, list(seen.values()), records, now, whole=whole, windows=self.windows)
        self.ledger += found.ledger
        places = {view.printer.id: at for at, view in seen.items()}
        for record in found.records:
            self._home(record, places)[record.key] = record
        for key in found.gone:
            self._home(records[key], places).pop(key, None)
        for at, view in seen.items():
            self._plan_delays(at, view, now)
        if any(record.printer_id is None and not record.signal for record in found.records):
            self._ask_the_suppressed(now)

    def _ask_the_suppressed(self, now: datetime) -> None:
        """A site is heard again: its printers that are still silent speak for themselves when they are asked next."""
        for at, some in self.records.items():
            if any(record.state is AlarmState.SUPPRESSED for record in some.values()):
                self._plan(at, now + NEXT)

    def _home(self, record: AlarmRecord, places: dict[int, int]) -> dict[str, AlarmRecord]:
        if record.printer_id is None:
            return self.site_records
        return self.records.setdefault(places[record.printer_id], {})

    def _plan_delays(self, at: int, view: PrinterView, now: datetime) -> None:
        """Judge again when a delay of this printer, or of its site, may be over."""
        for record in (*self.records.get(at, {}).values(), *self.site_records.values()):
            since, rule = record.pending_since, self.by_rule.get(record.rule)
            if since is not None and rule is not None:
                due = since + (rule.on_delay if record.signal else rule.off)
                if due > now:
                    self._plan(at, due, contact=record.printer_id is None)
            if record.suppressed_by.startswith(PREFIX):
                self._plan(at, now + STEP, contact=record.printer_id is None)  # the window may be over by then
            if record.signal and rule is not None and rule.when == COUNTER_ODDITY:
                self._plan(at, now + NEXT)  # it is the matter of a moment, and over with the next answer
        if not view.reachable:
            for wait in self.waits:
                if view.since + wait > now:
                    self._plan(at, view.since + wait, contact=True)


def replay(
    pasts: Sequence[Past], rules: Sequence[Rule], begin: datetime, end: datetime, windows: Sequence[Window] = ()
) -> Story:
    """The alarms that ``rules`` would have made of these histories from ``begin`` to ``end``.

    ``windows``: the maintenance windows that would have been.
    """
    return story(_Replay(pasts, rules, windows).run(begin, end), end)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One alarm of the comparison. ``beside``: other rules that were (or would have been) heard of the same thing."""

    spell: Spell
    beside: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """``new``: would have come. ``missed``: came, and would not have. ``kept``: how many come either way."""

    new: tuple[Outcome, ...]
    missed: tuple[Outcome, ...]
    kept: int


def compare(real: Story, made: Story, rules: Sequence[Rule], begin: datetime, end: datetime) -> Comparison:
    """Hold replayed alarms against those that came between ``begin`` and ``end``.

    Two are the same alarm when they are of one rule and subject, and stand at the same time.
    """
    left_out = {rule.name for rule in rules if rule.when in NOT_REPLAYED}
    came = [one for one in real.spells if one.heard and one.rule not in left_out and "|agent|" not in one.key]
    would = [one for one in made.spells if one.heard]
    new = tuple(_alone(would, came, begin, end))
    missed = tuple(_alone(came, would, begin, end))
    kept = sum(_within(one, begin, end) for one in came) - len(missed)
    return Comparison(new, missed, kept)


def _alone(some: Sequence[Spell], others: Sequence[Spell], begin: datetime, end: datetime) -> Iterator[Outcome]:
    about: dict[tuple[int | None, str], list[Spell]] = {}
    for one in others:
        about.setdefault((one.printer_id, one.subject), []).append(one)
    for one in some:
        if _within(one, begin, end):
            near = [other for other in about.get((one.printer_id, one.subject), ()) if _together(one, other, end)]
            if all(other.key != one.key for other in near):
                yield Outcome(one, tuple(sorted({other.rule for other in near})))


def _within(spell: Spell, begin: datetime, end: datetime) -> bool:
    return spell.heard is not None and begin <= spell.heard <= end


def _together(one: Spell, other: Spell, end: datetime) -> bool:
    return one.raised - SLACK <= (other.returned or end) and other.raised - SLACK <= (one.returned or end)
