"""Which alarm rule is the more urgent of two that watch the same supply. Pure.

An empty cartridge is also a low one, and one that will run out: whoever hears that it is empty needs to hear no more.
So of two rules the one whose condition goes further hides the other's alarm while both hold:

    supplyEmpty                             supplyBelow, runOut
    supplyBelow, receptacleNearlyFull       the same with a larger ``below``
    runOut within a time                    the same within a longer time

A level and a forecast say different things, so ``supplyBelow`` and ``runOut`` hide nothing of one another.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from agent.alarms import rules as watch
from agent.alarms.routes import ANYWHERE, Routes
from agent.alarms.rules import Rule
from agent.model.alarm import AlarmRecord, AlarmState, rank

ON_SUPPLIES = frozenset((watch.SUPPLY_EMPTY, watch.SUPPLY_BELOW, watch.RECEPTACLE_NEARLY_FULL, watch.RUN_OUT))
"""Kinds of rule whose alarms are about one supply."""

_LEVELS = (watch.SUPPLY_BELOW, watch.RECEPTACLE_NEARLY_FULL)


def gravest_first(rules: Iterable[Rule]) -> list[Rule]:
    """The rules in such an order that none comes after one whose alarm it hides; otherwise as they were."""
    given = list(rules)
    of_supplies = (rule for rule in given if rule.when in ON_SUPPLIES)
    in_turn = iter(sorted(of_supplies, key=lambda rule: (rule.when != watch.SUPPLY_EMPTY, _reach(rule))))
    return [next(in_turn) if rule.when in ON_SUPPLIES else rule for rule in given]


def _reach(rule: Rule) -> float:
    """How much is still left when the rule is met; of no meaning between different kinds."""
    if rule.when in _LEVELS:
        return rule.below or 0.0
    return rule.ahead.total_seconds() if rule.when == watch.RUN_OUT and not rule.before_round else 0.0


def above(lesser: Rule, rules: Iterable[Rule], routes: Routes) -> tuple[Rule, ...]:
    """The rules whose alarms hide that of ``lesser`` about the same supply, the most urgent first."""
    return tuple(rule for rule in gravest_first(rules) if hides(rule, lesser, routes))


def hides(greater: Rule, lesser: Rule, routes: Routes) -> bool:
    """Whether the alarm of ``greater`` stands for that of ``lesser``.

    It goes further, it is at least as grave, and all whom ``lesser`` would tell hear of it.
    """
    return (
        _goes_further(greater, lesser)
        and rank(greater.severity) >= rank(lesser.severity)
        and _hear(lesser.tell, greater.tell, greater, lesser, routes)
        and _hear(lesser.escalate_to, (*greater.tell, *greater.escalate_to), greater, lesser, routes)
    )


def _goes_further(greater: Rule, lesser: Rule) -> bool:
    if greater.when == watch.SUPPLY_EMPTY:
        return lesser.when in (watch.SUPPLY_BELOW, watch.RUN_OUT)
    if greater.when != lesser.when:
        return False
    if greater.when in _LEVELS:
        return (greater.below or 0.0) < (lesser.below or 0.0)
    return (
        greater.when == watch.RUN_OUT
        and not (greater.before_round or lesser.before_round)
        and greater.unstocked is lesser.unstocked
        and greater.ahead < lesser.ahead
    )


def _hear(wanted: Sequence[str], told: Sequence[str], greater: Rule, lesser: Rule, routes: Routes) -> bool:
    """Whether all channels that are ``wanted`` are among those ``told``, and take what ``greater`` watches."""
    for name in wanted:
        watches = routes.get(name, ANYWHERE).watches
        if watches and lesser.when not in watches:
            continue  # it would not hear of the lesser one either
        if name not in told or (watches and greater.when not in watches):
            return False
    return True


def stands_for(greater: AlarmRecord, lesser: AlarmRecord) -> bool:
    """Whether the more urgent of two alarms about one supply hides the lesser one now.

    Before the lesser one is raised it does so from the moment on at which its condition holds. One that people have
    before their eyes stays there until the other is raised, so that a level that trembles about nothing does not make
    it come and go.
    """
    if greater.state is AlarmState.OUT_OF_SERVICE:
        return False
    before_the_eyes = lesser.active and lesser.state is not AlarmState.SUPPRESSED
    return greater.active or (greater.signal and not before_the_eyes)
