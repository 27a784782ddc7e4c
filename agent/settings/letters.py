"""Letters: what is written to people in the morning and once a week, besides alarms."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from agent.settings.channels import MailAddress
from agent.settings.hours import CLOCK, Day
from agent.settings.section import Section
from agent.settings.units import KeyName, Name, OneOrMany, Text, Zone, matching

LOCALE = matching(r"[A-Za-z]{2,3}([_-][A-Za-z0-9]{2,8})*", "a language tag like en or en-GB")


class Letter(Section):
    """A letter that is written regularly."""

    name: Annotated[KeyName, Field(description="What the letter is called.")]
    kind: Annotated[
        Literal["morning", "weekly"],
        Field(description="morning: what today's round holds. weekly: the fleet in words and pictures."),
    ]
    channel: Annotated[Name, Field(description="The mail channel that carries it.")]
    to: Annotated[
        tuple[MailAddress, ...],
        OneOrMany(),
        Field(max_length=100, description="Who gets it; left out: the receivers of the channel."),
    ] = ()
    sites: Annotated[
        tuple[Name, ...], OneOrMany(), Field(description="Only printers of these sites; * and ? stand for anything.")
    ] = ()
    at: Annotated[Text, CLOCK, Field(description="When it is written, by the clock of the zone.")] = "06:30"
    days: Annotated[
        tuple[Day, ...],
        OneOrMany(),
        Field(description="On which days; left out: morning letters on working days, weekly ones on Monday."),
    ] = ()
    zone: Annotated[
        Zone | None,
        Field(description="IANA time zone; left out: that of the first site that is meant, else the agent's."),
    ] = None
    locale: Annotated[
        Text | None,
        LOCALE,
        Field(
            description="How days and numbers are written, like en-GB; left out: as at the first site that is meant."
        ),
    ] = None
