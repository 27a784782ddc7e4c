"""Upkeep plans: work that is due by pages, by days, after an exchange, or when the printer says so."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from pydantic import Field

from agent.model.upkeep import Plan
from agent.settings.rollers import Rollers
from agent.settings.section import Section
from agent.settings.units import Duration, Name, OneOrMany, Text, between, matching


class Upkeep(Section):
    """One plan: what is to be done to which printers, and when."""

    name: Annotated[
        Name,
        matching(r"[^,|]{1,64}", "a name of at most 64 characters without comma and |"),
        Field(description="What commands call it: lowmark service PRINTER --did NAME."),
    ]
    what: Annotated[Text, Field(description="What is to be done, in words.")] = ""
    models: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only these models, like Quillon*; * and ? are wild.")
    ] = ("*",)
    colour_only: Annotated[bool, Field(description="Only printers that have a colour supply.")] = False
    impressions: Annotated[
        int | None, Field(ge=1, le=1_000_000_000, description="Due every so many impressions of the life counter.")
    ] = None
    every: Annotated[Duration | None, between("1d", "3650d"), Field(description="Due every so many days.")] = None
    after: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="Due after an exchange of these: supplies (toner:cyan, opc) or the names of other plans."),
    ] = ()
    reports: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="Due when the printer says so: error bits (RFC 2790) or alert codes (RFC 3805)."),
    ] = ()
    renews: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="The supplies that are new afterwards; the printer must then show them as new."),
    ] = ()
    reset_sweeps: Annotated[
        int, Field(ge=1, le=10_000, description="After so many sweeps it must show them as new (renews).")
    ] = 5
    needs: Annotated[tuple[Name, ...], OneOrMany(), Field(description="The parts that it takes, one of each.")] = ()
    minutes: Annotated[int | None, Field(ge=1, le=10_000, description="How long it takes.")] = None
    cautions: Annotated[
        tuple[Text, ...],
        OneOrMany(),
        Field(description="What to take care of, besides what Lowmark says by itself about such parts."),
    ] = ()

    rollers: Annotated[
        Rollers | None, Field(description="What turns in these models, for lowmark symptom: a mark that repeats.")
    ] = None

    def plan(self) -> Plan:
        """The plan as the core takes it."""
        return Plan(
            name=self.name,
            what=self.what or self.name,
            models=self.models,
            colour_only=self.colour_only,
            impressions=self.impressions,
            days=None if self.every is None else max(1, round(self.every / timedelta(days=1))),
            after=self.after,
            reports=self.reports,
            renews=self.renews,
            reset_sweeps=self.reset_sweeps,
            needs=self.needs,
            minutes=self.minutes,
            cautions=self.cautions,
            rollers=self.rollers.rollers() if self.rollers is not None else (),
        )


_COLOURED = tuple(
    f"{kind}:{colour}" for kind in ("toner", "tonerCartridge", "opc") for colour in ("cyan", "magenta", "yellow")
)

USUAL_UPKEEP = (
    Upkeep(name="maintenance", what="Maintenance that the printer asks for", reports=("overduePreventMaint",)),
    # That colours drift when a part that makes them is exchanged is common practice of the trade, no source.
    Upkeep(
        name="calibration",
        what="Calibrate the colours",
        colour_only=True,
        after=(*_COLOURED, "transferUnit", "developer", "maintenance"),
        minutes=5,
    ),
)
"""The plans in force where the file has no ``upkeep`` at all."""
