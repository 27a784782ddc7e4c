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
SITE_SILENT = "siteSilent"
RUN_OUT = "runOut"
SERVICE_UNPROVEN = "serviceUnproven"

WHEN = (
    SUPPLY_BELOW,
    SUPPLY_EMPTY,
    RECEPTACLE_NEARLY_FULL,
    UNREACHABLE,
    PRINTER_ALERT,
    COUNTER_ODDITY,
    SITE_SILENT,
    RUN_OUT,
    SERVICE_UNPROVEN,
    AGENT_UNWELL,
)
"""The kinds of condition that a rule can watch."""

ALERT_SEVERITIES = ("critical", "warning", "warningBinaryChangeEvent", "other")
ODDITIES = ("counterReset", "counterJump")
UNWELL = ("store", "buffer", "sweep", "deadLetters")

ODDITY_OFF_DELAY = timedelta(days=1)
"""A counter's oddity is a moment, not a condition that lasts: its alarm stands for a day unless the rule says else."""

USUAL_SHARE, USUAL_FEWEST = 0.8, 3
"""siteSilent: the share of a site's printers that must be silent, and how many it must have (common practice)."""

USUAL_CHANCE = 0.5
USUAL_WITHIN, LONGEST_WITHIN = timedelta(days=7), timedelta(days=365)

_FRACTIONAL = (SUPPLY_BELOW, RECEPTACLE_NEARLY_FULL)
_TIMED = (UNREACHABLE, SITE_SILENT)
_NAME_LIMIT = 64


@dataclass(frozen=True, slots=True)
class Rule:
    """One alarm rule. Raises ValueError, with every fault in one sentence each, when it makes no sense.

    ``when``: one of ``WHEN``. ``below``: a fraction 0 < f <= 1 of what is left (supplyBelow) or of the space that is
    left (receptacleNearlyFull); the alarm returns to normal at ``below + deadband`` and above. ``for_``: how long a
    printer must have been silent (unreachable, siteSilent). ``on_delay`` / ``off_delay``: how long the condition must
    hold, or be over, before the alarm follows; ``off_delay`` None takes the default of the kind (none; a day for
    counterOddity).

    ``kinds``: supply kinds by their RFC 3805 labels (supplyBelow, supplyEmpty, receptacleNearlyFull), kinds of finding
    (counterOddity, default ``ODDITIES``), parts of the agent (agentUnwell, default ``UNWELL``); empty means all.
    ``alert_severity`` and ``codes`` choose printer alerts by severity and by code label; ``codes`` may also name bits
    of hrPrinterDetectedErrorState (RFC 2790). An alert must satisfy both where both are given; if neither is,
    critical alerts are meant.

    ``share`` and ``fewest`` (siteSilent): of a site's printers that the rule covers, this share is silent, and there
    are at least so many; below ``share - deadband`` the site is heard again. ``within`` (None: a week) and ``chance``
    (runOut): a supply runs out within this time with at least this chance; below ``chance - deadband`` it is well.
    ``before_round``: instead of ``within``, before the next round at the printer's site. ``unstocked``: only what the
    shelf is known to have none of.

    ``sites``, ``tags``, ``printers``, ``models`` narrow the rule, each by exact name or shell pattern (``Quillon*``);
    empty means everywhere. ``tell``: names of channels. ``repeat``: tell again while nobody acknowledges.
    ``escalate_after`` and ``escalate_to``: the channels to tell besides when nobody acknowledges for so long.
    ``note``: the site's own words, added to each message. ``consequence``: what happens if nobody acts; ``action``:
    what to do; ``time_to_act``: how long there is for it (ISA-18.2 calls this rationalisation: an alarm that asks for
    nothing is none).
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
    escalate_after: timedelta | None = None
    escalate_to: tuple[str, ...] = ()
    share: float = USUAL_SHARE
    fewest: int = USUAL_FEWEST
    within: timedelta | None = None
    chance: float = USUAL_CHANCE
    before_round: bool = False
    unstocked: bool = False
    consequence: str = ""
    action: str = ""
    time_to_act: timedelta | None = None

    def __post_init__(self) -> None:
        if wrong := faults(self):
            raise ValueError("; ".join(wrong))

    @property
    def off(self) -> timedelta:
        """The off-delay in force."""
        if self.off_delay is not None:
            return self.off_delay
        return ODDITY_OFF_DELAY if self.when == COUNTER_ODDITY else timedelta(0)

    @property
    def ahead(self) -> timedelta:
        """How far a run-out rule looks ahead."""
        return USUAL_WITHIN if self.within is None else self.within

    def covers(self, printer: Printer) -> bool:
        """Whether the rule's filters let this printer through. A retired printer is covered by no rule."""
        if printer.retired is not None:
            return False
        return chooses(printer, self.sites, self.tags, self.printers) and lets(self.models, (printer.model,))


def chooses(printer: Printer, sites: tuple[str, ...], tags: tuple[str, ...], printers: tuple[str, ...]) -> bool:
    """Whether these names or patterns choose the printer; empty ones choose all."""
    return (
        lets(sites, (printer.place.site,))
        and lets(tags, printer.tags)
        and lets(printers, (printer.name, printer.address, printer.serial))
    )


def lets(patterns: tuple[str, ...], names: tuple[str, ...]) -> bool:
    """Whether one of the names is one of the patterns; no patterns let everything through."""
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
    if rule.when == SITE_SILENT and not 0 < rule.share <= 1:
        found.append(f"share must be a fraction above 0 and up to 1 (0.8 is eighty percent), not {rule.share}")
    if rule.when == SITE_SILENT and rule.fewest < 2:
        found.append("fewest must be 2 or more: one silent printer is no silent site")
    if rule.when == RUN_OUT and not 0 < rule.chance < 1:
        found.append(f"chance must lie between 0 and 1 (0.5 is as likely as not), not {rule.chance}")
    if rule.when in (SITE_SILENT, RUN_OUT) and not 0 <= rule.deadband < (
        rule.share if rule.when == SITE_SILENT else rule.chance
    ):
        found.append(f"deadband must be 0 or more, and less than the limit, not {rule.deadband}")
    return found


def _time_faults(rule: Rule) -> list[str]:
    zero = timedelta(0)
    given = {"for": rule.for_, "on_delay": rule.on_delay, "off_delay": rule.off_delay or zero}
    found = [f"{name} must not be negative" for name, span in given.items() if span < zero]
    if rule.for_ and rule.when not in _TIMED and rule.when in WHEN:
        found.append(f"for has no meaning for {rule.when}; use on_delay")
    if rule.repeat is not None and rule.repeat < timedelta(minutes=1):
        found.append("repeat must be a minute or longer")
    if rule.within is not None and rule.when == RUN_OUT and not zero < rule.within <= LONGEST_WITHIN:
        found.append(f"within must be a time of at most {LONGEST_WITHIN.days} days")
    if rule.within is not None and rule.when != RUN_OUT and rule.when in WHEN:
        found.append(f"within has no meaning for {rule.when}")
    if (rule.before_round or rule.unstocked) and rule.when != RUN_OUT and rule.when in WHEN:
        found.append(f"before_round and unstocked have no meaning for {rule.when}")
    if rule.before_round and rule.within is not None:
        found.append("within and before_round do not go together: one of them says how far it looks ahead")
    if (rule.escalate_after is None) is bool(rule.escalate_to):
        found.append("escalate_after and escalate_to go together: after which time, and to whom")
    if rule.escalate_after is not None and rule.escalate_after < timedelta(minutes=1):
        found.append("escalate_after must be a minute or longer")
    if rule.time_to_act is not None and rule.time_to_act <= zero:
        found.append("time_to_act must be longer than nothing")
    return found


def _choice_faults(rule: Rule) -> list[str]:
    found = []
    if rule.when != PRINTER_ALERT and (rule.codes or rule.alert_severity) and rule.when in WHEN:
        found.append(f"codes and alert_severity have no meaning for {rule.when}")
    known = ", ".join(ALERT_SEVERITIES)
    strange = [word for word in rule.alert_severity if word not in ALERT_SEVERITIES]
    found += [f"alert_severity must be among {known}, not {word!r}" for word in strange]
    if rule.kinds and rule.when in (UNREACHABLE, SITE_SILENT, PRINTER_ALERT):
        found.append(f"kinds has no meaning for {rule.when}")
    if rule.when == AGENT_UNWELL:
        found += [f"kinds must be among {', '.join(UNWELL)}, not {kind!r}" for kind in rule.kinds if kind not in UNWELL]
        if rule.sites or rule.tags or rule.printers or rule.models:
            found.append("sites, tags, printers and models have no meaning for agentUnwell")
    return found
