"""Rounds: when they are made, what a walk and a standstill cost, and how the work is done by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from agent.model.round import Rhythm, RoundTerms, Swap
from agent.settings.parts import Money
from agent.settings.section import Section
from agent.settings.units import Duration, Fraction, Name, OneOrMany, Text, between

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
_MINUTE = timedelta(minutes=1)


class SiteRounds(Section):
    """What is different at one site."""

    site: Annotated[Name, Field(description="One of the sites.")]
    days: Annotated[
        tuple[Day, ...],
        OneOrMany(),
        Field(description="The days on which rounds are made there; left out: as elsewhere."),
    ] = ()
    walk: Annotated[
        Duration | None, between("0s", "1d"), Field(description="How long it takes to go to one printer there.")
    ] = None


class SwapWork(Section):
    """How an exchange is done, where that is not the usual way."""

    kinds: Annotated[
        tuple[Name, ...], OneOrMany(), Field(min_length=1, description="Kinds of supply as RFC 3805 calls them.")
    ]
    minutes: Annotated[int, Field(ge=1, le=1000, description="How long it takes.")]
    steps: Annotated[
        tuple[Text, ...],
        OneOrMany(),
        Field(description="The exchange itself, step by step; left out: the usual steps."),
    ] = ()
    cautions: Annotated[
        tuple[Text, ...], OneOrMany(), Field(description="What to take care of, besides what Lowmark says by itself.")
    ] = ()


class Rounds(Section):
    """When rounds are made, and what is weighed for them."""

    days: Annotated[
        tuple[Day, ...], OneOrMany(), Field(description="The days on which rounds are made; public holidays are none.")
    ] = ("mon", "tue", "wed", "thu", "fri")
    walk: Annotated[
        Duration, between("0s", "1d"), Field(description="How long it takes to go to one printer, there and back.")
    ] = timedelta(minutes=10)
    standstill: Annotated[
        Duration, between("0s", "30d"), Field(description="The work that is lost when a printer runs dry.")
    ] = timedelta(minutes=90)
    overdue: Annotated[
        Duration, between("0s", "30d"), Field(description="The same for upkeep that is not done in time.")
    ] = timedelta(minutes=15)
    sure: Annotated[
        Fraction,
        Field(
            gt=0, le=1, description="The chance with which nothing runs dry before the next round, whatever it costs."
        ),
    ] = 0.9
    join_within: Annotated[
        Duration,
        between("0s", "365d"),
        Field(description="Only what is expected to be due within this time joins a visit that is made anyway."),
    ] = timedelta(days=14)
    pages_a_minute: Annotated[
        int,
        Field(
            ge=1, le=100_000, description="So many pages left in a cartridge are worth a minute (parts without price)."
        ),
    ] = 30
    minute_costs: Annotated[
        Money,
        Field(gt=0, description="What a minute of work costs, in the currency of the shelf (parts with a price)."),
    ] = Decimal("0.60")
    sites: Annotated[tuple[SiteRounds, ...], Field(description="What is different at some sites.")] = ()
    work: Annotated[tuple[SwapWork, ...], Field(description="How exchanges are done, where not the usual way.")] = ()

    def terms(self, off: Mapping[str, frozenset[date]]) -> RoundTerms:
        """As the core takes them. ``off``: the days, by site, on which nobody works; every site is in it."""
        own = {one.site: one for one in self.sites}
        sites = []
        for name in dict.fromkeys([*off, *own]):
            given = own.get(name)
            days = given.days if given is not None and given.days else self.days
            walk = self.walk if given is None or given.walk is None else given.walk
            sites.append((name, Rhythm(_numbers(days), walk / _MINUTE, off.get(name, frozenset()))))
        return RoundTerms(
            rhythm=Rhythm(_numbers(self.days), self.walk / _MINUTE),
            sites=tuple(sites),
            standstill=self.standstill / _MINUTE,
            late=self.overdue / _MINUTE,
            sure=self.sure,
            join_within=self.join_within / timedelta(days=1),
            pages=float(self.pages_a_minute),
            minute=self.minute_costs,
            swaps=tuple(
                (kind, Swap(work.minutes, work.steps, work.cautions)) for work in self.work for kind in work.kinds
            ),
        )


def _numbers(days: Iterable[str]) -> tuple[int, ...]:
    return tuple(sorted({_DAYS.index(day) for day in days}))
