"""Which rule to change, and how: worked out from what its alarms did. Pure.

The figures from which on something is advised are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from agent.alarms.rules import COUNTER_ODDITY, Rule
from agent.alarms.spells import Spell
from agent.alarms.wording import span

DELAYS = tuple(timedelta(minutes=minutes) for minutes in (2, 5, 10, 15, 30, 60, 120, 240, 720, 1440))
"""The delays worth proposing."""

FEW, MANY = 4, 10
"""Of fewer alarms than ``FEW`` nothing is concluded; of ``MANY`` it is strange that nobody acknowledged one."""

LARGE_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Advice:
    """What to change: the rule, its key in the settings (or empty), the value to try, and why in a sentence."""

    rule: str
    key: str
    value: str
    why: str


def advise(
    rules: Sequence[Rule], spells: Sequence[Spell], at: datetime, *, chatter: Collection[str], stale: Sequence[str]
) -> tuple[Advice, ...]:
    """Advice for each rule whose alarms give reason for it, the rules with the most alarms first.

    ``spells``: what people heard. ``chatter``: keys of alarms that chattered; ``stale``: keys that stand for long.
    """
    known = {rule.name: rule for rule in rules}
    by_rule: dict[str, list[Spell]] = {}
    for one in spells:
        by_rule.setdefault(one.rule, []).append(one)
    old: dict[str, int] = {}
    for key in stale:
        name = key.partition("|")[0]
        old[name] = old.get(name, 0) + 1
    found: list[Advice] = []
    for name in sorted({*by_rule, *old}, key=lambda name: (-len(by_rule.get(name, ())), name)):
        some, rule = by_rule.get(name, []), known.get(name)
        found += _again(name, rule, some, any(one.key in chatter for one in some))
        found += _short(name, rule, some, at)
        found += _unseen(name, some)
        if old.get(name):
            found.append(Advice(name, "", "", _stale_words(old[name])))
        found += _large(name, some, len(spells), len(by_rule))
    found += _unreasoned(rules, by_rule)
    return tuple(found)


def _again(name: str, rule: Rule | None, some: Sequence[Spell], chatters: bool) -> list[Advice]:
    """Alarms that come back soon after they went: an off-delay joins them."""
    gaps = []
    last: dict[str, Spell] = {}
    for one in some:
        before = last.get(one.key)
        if before is not None and before.returned is not None:
            gaps.append(one.raised - before.returned)
        last[one.key] = one
    now = rule.off if rule is not None else timedelta(0)
    for delay in DELAYS:
        joined = sum(gap < delay for gap in gaps)
        if delay > now and joined >= max(3, len(some) / 2):
            lead = "chatters: " if chatters else ""
            why = f"{lead}{joined} of {len(some)} came again within {span(delay)} of their return; they would be one"
            return [Advice(name, "off_delay", _written(delay), why)]
    if chatters:
        return [Advice(name, "deadband", "", "chatters: widen its deadband, or give it an off_delay")]
    return []


def _short(name: str, rule: Rule | None, some: Sequence[Spell], at: datetime) -> list[Advice]:
    """Alarms that are over before anybody could act: an on-delay spares them."""
    if len(some) < FEW or (rule is not None and rule.when == COUNTER_ODDITY):
        return []
    now = rule.on_delay if rule is not None else timedelta(0)
    for delay in DELAYS[:6]:
        spared = sum(one.returned is not None and one.lasted(at) < delay for one in some)
        if delay > now and spared >= len(some) / 2:
            why = f"{spared} of {len(some)} were over within {span(delay)}; they would not have come"
            return [Advice(name, "on_delay", _written(now + delay), why)]
    return []


def _unseen(name: str, some: Sequence[Spell]) -> list[Advice]:
    if len(some) < MANY or any(one.acknowledged is not None for one in some):
        return []
    why = f"nobody acknowledged any of {len(some)}: if nothing is to be done about them, tell nobody or take it out"
    return [Advice(name, "tell", "[]", why)]


def _large(name: str, some: Sequence[Spell], count: int, rules: int) -> list[Advice]:
    if rules < 3 or count < MANY * 2 or len(some) < count * LARGE_SHARE:
        return []
    return [Advice(name, "", "", f"makes {len(some)} of all {count} alarms: begin here")]


def _stale_words(count: int) -> str:
    stand = "alarm stands" if count == 1 else "alarms stand"
    return f"{count} {stand} for more than a day: act on it, shelve it with a reason, or narrow the rule"


def _unreasoned(rules: Sequence[Rule], heard: Collection[str]) -> list[Advice]:
    """Rules that were heard and do not say what for."""
    return [
        Advice(rule.name, "action", "", "does not say what to do, nor what happens otherwise (action, consequence)")
        for rule in rules
        if rule.name in heard and not (rule.action and rule.consequence)
    ]


def _written(length: timedelta) -> str:
    """As the settings write it: ``10m``, ``2h``, ``1d``."""
    minutes = int(length.total_seconds()) // 60
    if minutes % 1440 == 0 and minutes:
        return f"{minutes // 1440}d"
    return f"{minutes // 60}h" if minutes % 60 == 0 and minutes else f"{minutes}m"
