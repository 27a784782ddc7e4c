"""Alarm rules: what is watched, where, from which limit on, and who is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from fnmatch import fnmatchcase

from agent.model.alarm import SEVERITIES
from agent.model.fleet import Printer

SUPPLY_BELOW = "supplyBelow"
SUPPLY_EMPTY = "supplyEmpty"
RECEPTACLE_NEARLY_FULL = "receptacleNearlyFull"
UNREACHABLE = "unreachable"
PRINTER_ALERT = "printerAlert"
COUNTER_ODDITY = "counterOddity"
AGENT_UNWELL = "agentUnwell"

WHEN = (
    SUPPLY_BELOW,
    SUPPLY_EMPTY,
    RECEPTACLE_NEARLY_FULL,
    UNREACHABLE,
    PRINTER_ALERT,
    COUNTER_ODDITY,
    AGENT_UNWELL,
)
"""The kinds of condition that a rule can watch."""

ALERT_SEVERITIES = ("critical", "warning", "warningBinaryChangeEvent", "other")
ODDITIES = ("counterReset", "counterJump")
UNWELL = ("store", "buffer", "sweep", "deadLetters")

ODDITY_OFF_DELAY = timedelta(days=1)
"""A counter's oddity is a moment, not a condition that lasts: its alarm stands for a day unless the rule says else."""

_FRACTIONAL = (SUPPLY_BELOW, RECEPTACLE_NEARLY_FULL)
_NAME_LIMIT = 64


@dataclass(frozen=True, slots=True)
class Rule:
    """One alarm rule. Raises ValueError, with every fault in one sentence each, when it makes no sense.

    ``when``: one of ``WHEN``. ``below``: a fraction 0 < f <= 1 of what is left (supplyBelow) or of the space that is
    left (receptacleNearlyFull); the alarm returns to normal at ``below + deadband`` and above. ``for_``: how long a
    printer must have been silent (unreachable). ``on_delay`` / ``off_delay``: how long the condition must hold, or be
    over, before the alarm follows; ``off_delay`` None takes the default of the kind (none; a day for counterOddity).

    ``kinds``: supply kinds by their RFC 3805 labels (supplyBelow, supplyEmpty, receptacleNearlyFull), kinds of finding
    (counterOddity, default ``ODDITIES``), parts of the agent (agentUnwell, default ``UNWELL``); empty means all.
    ``alert_severity`` and ``codes`` choose printer alerts by severity and by code label; ``codes`` may also name bits
    of hrPrinterDetectedErrorState (RFC 2790). An alert must satisfy both where both are given; if neither is,
    critical alerts are meant.

    ``sites``, ``tags``, ``printers``, ``models`` narrow the rule, each by exact name or shell pattern (``Quillon*``);
    empty means everywhere. ``tell``: names of channels. ``repeat``: tell again while nobody acknowledges.
    ``note``: the site's own words, added to each message.
    """

    name: str
    when: str
    below: float | None = None
    deadband: float = 0.02
    for_: timedelta = timedelta(0)
    on_delay: timedelta = timedelta(0)
    off_delay: timedelta | None = None
    severity: str = "medium"
    kinds: tuple[str, ...] = ()
    alert_severity: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    printers: tuple[str, ...] = ()
    models: tuple[str, ...] = ()
    tell: tuple[str, ...] = ()
    repeat: timedelta | None = None
    tell_returned: bool = True
    note: str = ""

    def __post_init__(self) -> None:
        if wrong := faults(self):
            raise ValueError("; ".join(wrong))

    @property
    def off(self) -> timedelta:
        """The off-delay in force."""
        if self.off_delay is not None:
            return self.off_delay
        return ODDITY_OFF_DELAY if self.when == COUNTER_ODDITY else timedelta(0)

    def covers(self, printer: Printer) -> bool:
        """Whether the rule's filters let this printer through. A retired printer is covered by no rule."""
        if printer.retired is not None:
            return False
        return (
            _lets(self.sites, (printer.place.site,))
            and _lets(self.tags, printer.tags)
            and _lets(self.printers, (printer.name, printer.address, printer.serial))
            and _lets(self.models, (printer.model,))
        )


def _lets(patterns: tuple[str, ...], names: tuple[str, ...]) -> bool:
    if not patterns:
        return True
    return any(name and (name == pattern or fnmatchcase(name, pattern)) for pattern in patterns for name in names)


def faults(rule: Rule) -> list[str]:
    """Everything that is wrong with ``rule``, one sentence each; empty when it is sound."""
    return [*_name_faults(rule), *_limit_faults(rule), *_time_faults(rule), *_choice_faults(rule)]


def _name_faults(rule: Rule) -> list[str]:
    found = []
    if not rule.name or len(rule.name) > _NAME_LIMIT or "|" in rule.name or not rule.name.isprintable():
        found.append(f"name must be 1 to {_NAME_LIMIT} printable characters without '|', not {rule.name!r}")
    if rule.when not in WHEN:
        found.append(f"when must be one of {', '.join(WHEN)}, not {rule.when!r}")
    if rule.severity not in SEVERITIES:
        found.append(f"severity must be one of {', '.join(SEVERITIES)}, not {rule.severity!r}")
    return found


def _limit_faults(rule: Rule) -> list[str]:
    found = []
    if rule.when in _FRACTIONAL:
        if rule.below is None:
            found.append(f"below is missing: {rule.when} needs a fraction such as 0.1")
        elif not 0 < rule.below <= 1:
            found.append(f"below must be a fraction above 0 and up to 1 (0.1 is ten percent), not {rule.below}")
        elif not 0 <= rule.deadband < 1 or rule.below + rule.deadband > 1:
            found.append(f"deadband must be 0 or more, and below + deadband no more than 1, not {rule.deadband}")
    elif rule.below is not None and rule.when in WHEN:
        found.append(f"below has no meaning for {rule.when}")
    return found


def _time_faults(rule: Rule) -> list[str]:
    zero = timedelta(0)
    given = {"for": rule.for_, "on_delay": rule.on_delay, "off_delay": rule.off_delay or zero}
    found = [f"{name} must not be negative" for name, span in given.items() if span < zero]
    if rule.for_ and rule.when != UNREACHABLE and rule.when in WHEN:
        found.append(f"for has no meaning for {rule.when}; use on_delay")
    if rule.repeat is not None and rule.repeat < timedelta(minutes=1):
        found.append("repeat must be a minute or longer")
    return found


def _choice_faults(rule: Rule) -> list[str]:
    found = []
    if rule.when != PRINTER_ALERT and (rule.codes or rule.alert_severity) and rule.when in WHEN:
        found.append(f"codes and alert_severity have no meaning for {rule.when}")
    known = ", ".join(ALERT_SEVERITIES)
    strange = [word for word in rule.alert_severity if word not in ALERT_SEVERITIES]
    found += [f"alert_severity must be among {known}, not {word!r}" for word in strange]
    if rule.kinds and rule.when in (UNREACHABLE, PRINTER_ALERT):
        found.append(f"kinds has no meaning for {rule.when}")
    if rule.when == AGENT_UNWELL:
        found += [f"kinds must be among {', '.join(UNWELL)}, not {kind!r}" for kind in rule.kinds if kind not in UNWELL]
        if rule.sites or rule.tags or rule.printers or rule.models:
            found.append("sites, tags, printers and models have no meaning for agentUnwell")
    return found
