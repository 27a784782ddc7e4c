"""Alarm rules in the settings file, and the usual ones."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Literal

from pydantic import Field

from agent.alarms.rules import PRINTER_ALERT, RECEPTACLE_NEARLY_FULL, USUAL_CHANCE, USUAL_FEWEST, USUAL_SHARE, Rule
from agent.settings.section import Section
from agent.settings.units import Duration, Fraction, KeyName, Name, OneOrMany, Text, between

Severity = Literal["low", "medium", "high", "urgent"]
AlertSeverity = Literal["critical", "warning", "warningBinaryChangeEvent", "other"]
Condition = Literal[
    "supplyBelow",
    "supplyEmpty",
    "receptacleNearlyFull",
    "unreachable",
    "printerAlert",
    "counterOddity",
    "siteSilent",
    "runOut",
    "serviceUnproven",
    "agentUnwell",
]

USUAL_SILENCE = {"unreachable": timedelta(minutes=30), "siteSilent": timedelta(minutes=5)}
"""How long a silence must last where a rule does not say; that of a site is shorter, since it stands for the others."""


class Alarm(Section):
    """One alarm rule."""

    name: Annotated[KeyName, Field(description="What the rule is called.")]
    when: Annotated[Condition, Field(description="What is watched.")]
    below: Annotated[
        Fraction | None,
        Field(description="supplyBelow: share that is left. receptacleNearlyFull: space that is left (10%)."),
    ] = None
    deadband: Annotated[
        Fraction, Field(description="How far above the limit it has to come before all is well again.")
    ] = 0.02
    on_delay: Annotated[
        Duration, between("0s", "365d"), Field(description="How long it must last before it counts.")
    ] = timedelta(0)
    off_delay: Annotated[
        Duration | None, Field(description="How long it must be over before it is over (counterOddity: 1d, else 0s).")
    ] = None
    lasting: Annotated[
        Duration | None,
        Field(alias="for", description="How long the silence must last (unreachable: 30m, siteSilent: 5m)."),
    ] = None
    share: Annotated[Fraction, Field(description="siteSilent: the share of a site's printers that must be silent.")] = (
        USUAL_SHARE
    )
    fewest: Annotated[
        int, Field(ge=2, le=10_000, description="siteSilent: a site must have at least so many printers.")
    ] = USUAL_FEWEST
    within: Annotated[
        Duration | None, between("1h", "365d"), Field(description="runOut: how far it looks ahead (7d).")
    ] = None
    chance: Annotated[
        Fraction, Field(description="runOut: the chance of running out within that time, from which on it counts.")
    ] = USUAL_CHANCE
    before_round: Annotated[
        bool, Field(description="runOut: it looks ahead to the next round at the printer's site, instead of within.")
    ] = False
    unstocked: Annotated[bool, Field(description="runOut: only what the shelf is known to have none of.")] = False
    severity: Annotated[Severity, Field(description="How grave.")] = "medium"
    kinds: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="Only these: kinds of supply (toner, opc ...), of counterOddity, or parts of the agent."),
    ] = ()
    alert_severity: Annotated[
        tuple[AlertSeverity, ...],
        OneOrMany(),
        Field(description="printerAlert: only alerts of these severities (critical)."),
    ] = ()
    codes: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="printerAlert: only alerts of these codes, like jam.")
    ] = ()
    sites: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only these sites; * and ? stand for anything.")
    ] = ()
    tags: Annotated[tuple[Name, ...], OneOrMany(), Field(description="Only printers with one of these tags.")] = ()
    printers: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only these printers, by name, address or serial number.")
    ] = ()
    models: Annotated[tuple[Name, ...], OneOrMany(), Field(description="Only these models, like Quillon*.")] = ()
    tell: Annotated[
        Annotated[tuple[Name, ...], OneOrMany()] | None,
        Field(description="The channels to tell; without it all, [] for none."),
    ] = None
    repeat: Annotated[
        Duration | None, between("1m", "365d"), Field(description="Tell again so often while nobody acknowledges.")
    ] = None
    tell_returned: Annotated[bool, Field(description="Tell also when all is well again.")] = True
    note: Annotated[Text, Field(description="Words of your own, added to each message.")] = ""
    escalate_after: Annotated[
        Duration | None, between("1m", "365d"), Field(description="Tell more people when nobody acknowledges so long.")
    ] = None
    escalate_to: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="The channels to tell then, besides those of tell.")
    ] = ()
    consequence: Annotated[
        Text, Field(description="What happens if nobody acts; messages say it. Else the usual one.")
    ] = ""
    action: Annotated[Text, Field(description="What to do; messages say it. Else the usual one.")] = ""
    time_to_act: Annotated[
        Duration | None,
        between("1m", "365d"),
        Field(description="How long there is to do it; messages say it. Else the usual time."),
    ] = None

    def rule(self, channels: tuple[str, ...]) -> Rule:
        """The rule itself; ``channels`` are told where the file names none. Raises ValueError."""
        below = self.below
        if below is None and self.when == RECEPTACLE_NEARLY_FULL:
            below = 0.10
        usual = self._usual()
        lasting = self.lasting
        if lasting is None:
            lasting = USUAL_SILENCE.get(self.when, timedelta(0))
        return Rule(
            name=self.name,
            when=self.when,
            below=below,
            deadband=self.deadband,
            for_=lasting,
            on_delay=self.on_delay,
            off_delay=self.off_delay,
            severity=self.severity,
            kinds=self.kinds,
            alert_severity=self.alert_severity,
            codes=self.codes,
            sites=self.sites,
            tags=self.tags,
            printers=self.printers,
            models=self.models,
            tell=channels if self.tell is None else self.tell,
            repeat=self.repeat,
            tell_returned=self.tell_returned,
            note=self.note,
            escalate_after=self.escalate_after,
            escalate_to=self.escalate_to,
            share=self.share,
            fewest=self.fewest,
            within=self.within,
            chance=self.chance,
            before_round=self.before_round,
            unstocked=self.unstocked,
            consequence=self.consequence or usual.consequence,
            action=self.action or usual.action,
            time_to_act=self.time_to_act or usual.time_to_act,
        )

    def _usual(self) -> Alarm:
        """The rule whose consequence, action and time hold for this one, where it says none of its own."""
        if self.when == PRINTER_ALERT and set(self.alert_severity) - {"critical"}:
            return _WARNING
        return next(one for one in (*USUAL_ALARMS, *_BESIDES) if one.when == self.when)


USUAL_ALARMS = (
    Alarm(
        name="supply-empty",
        when="supplyEmpty",
        severity="high",
        on_delay=timedelta(minutes=2),
        consequence="The printer prints no more, or no more in this colour.",
        action="Bring the part and swap it.",
        time_to_act=timedelta(hours=4),
    ),
    Alarm(
        name="supply-low",
        when="supplyBelow",
        below=0.15,
        deadband=0.03,
        on_delay=timedelta(minutes=10),
        consequence="It will run out.",
        action="See that one is on the shelf, and swap it when pages grow pale or it is empty.",
        time_to_act=timedelta(days=3),
    ),
    Alarm(
        name="waste-nearly-full",
        when="receptacleNearlyFull",
        below=0.10,
        on_delay=timedelta(minutes=10),
        consequence="The printer stops when it is full, and may spill.",
        action="Bring an empty one and swap it.",
        time_to_act=timedelta(days=2),
    ),
    Alarm(
        name="printer-silent",
        when="unreachable",
        consequence="Nobody knows whether it prints and what it needs.",
        action="Look whether it is switched on and on the network.",
        time_to_act=timedelta(days=1),
    ),
    Alarm(
        name="site-silent",
        when="siteSilent",
        severity="high",
        consequence="Nobody knows what the printers there need; probably nobody can print there.",
        action="Look at the network and the power of the site.",
        time_to_act=timedelta(hours=1),
    ),
    Alarm(
        name="printer-stopped",
        when="printerAlert",
        alert_severity=("critical",),
        on_delay=timedelta(minutes=10),
        consequence="Nothing is printed until somebody goes there.",
        action="Go and do what the printer asks for.",
        time_to_act=timedelta(hours=4),
    ),
    Alarm(
        name="counter-odd",
        when="counterOddity",
        severity="low",
        consequence="Counts and forecasts of this printer may be wrong.",
        action="Find out whether a part was exchanged, and write it into the ledger.",
        time_to_act=timedelta(days=7),
    ),
    Alarm(
        name="agent-unwell",
        when="agentUnwell",
        severity="high",
        on_delay=timedelta(minutes=2),
        consequence="Lowmark may lose readings or be late with alarms.",
        action="See what it says is wrong, and mend that.",
        time_to_act=timedelta(hours=8),
    ),
)
"""The rules in force where the file has no ``alarms`` at all. Their figures: common practice, no source."""

_WARNING = Alarm(
    name="printer-warns",
    when="printerAlert",
    consequence="What the printer warns of may grow worse, and stop it.",
    action="See what the printer asks for, and do it on the next round.",
    time_to_act=timedelta(days=2),
)
_BESIDES = (
    Alarm(
        name="runs-out",
        when="runOut",
        consequence="It will probably be used up before somebody comes.",
        action="See that one is on the shelf, and bring it on the next round.",
        time_to_act=timedelta(days=3),
    ),
    Alarm(
        name="not-proven",
        when="serviceUnproven",
        consequence="The work is taken for done, and perhaps was not; what is due is reckoned from it.",
        action="Look at the printer: do what is missing there, or correct the entry.",
        time_to_act=timedelta(days=1),
    ),
)
"""What holds for these, which are in force only where the file has them."""
