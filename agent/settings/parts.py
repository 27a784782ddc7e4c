"""Spare parts and the shelf: what fits where, what it costs, where it is kept, and how it is ordered."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal, InvalidOperation
from typing import Annotated

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema

from agent.model.shelf import OrderTerms, SparePart
from agent.settings.section import Section
from agent.settings.units import Duration, Fraction, Name, OneOrMany, Text, between, matching, read_text, wrong

_MOST_MONEY = Decimal(1_000_000)


def _read_money(given: object) -> Decimal:
    """``89.50`` as it is written: money is never a binary fraction."""
    expected = "an amount of money like 89.50, without the currency"
    if isinstance(given, Decimal):
        return given
    text = read_text(given)
    if isinstance(text, bool) or not isinstance(text, str | int):
        raise wrong(expected)
    try:
        amount = Decimal(str(text))
    except InvalidOperation:
        raise wrong(expected, "digits and a point; the currency is said once, under shelf") from None
    exponent = amount.as_tuple().exponent
    if not amount.is_finite() or not 0 <= amount <= _MOST_MONEY or not isinstance(exponent, int) or exponent < -4:
        raise wrong(f"{expected}, from 0 to {_MOST_MONEY:,}")
    return amount


Money = Annotated[
    Decimal,
    BeforeValidator(_read_money),
    PlainSerializer(str, return_type=str),
    WithJsonSchema(
        {"anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": r"^[0-9]+(\.[0-9]{1,4})?$"}]}
    ),
]


class Part(Section):
    """One kind of spare part."""

    name: Annotated[
        Name,
        matching(r"[^,|]{1,64}", "a name of at most 64 characters without comma and |"),
        Field(description="What commands and plans call it, such as its order number."),
    ]
    description: Annotated[Text, Field(description="What it is, in words.")] = ""
    models: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="The models of printer that it fits, like Quillon*; * and ? are wild."),
    ] = ("*",)
    supplies: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="The supplies whose place it takes: kinds (toner) or kinds with colour (toner:cyan)."),
    ] = ()
    declared_yield: Annotated[
        int | None,
        Field(alias="yield", ge=1, le=100_000_000, description="Its declared yield, in impressions."),
    ] = None
    price: Annotated[Money | None, Field(description="What one costs, in the currency of the shelf.")] = None
    minimum: Annotated[int, Field(ge=1, le=100_000, description="The fewest that can be ordered.")] = 1
    pack: Annotated[int, Field(ge=1, le=100_000, description="It comes in packs of so many.")] = 1
    lead_time: Annotated[
        Duration | None, between("0s", "3650d"), Field(description="From order to delivery; else that of the shelf.")
    ] = None
    lead_time_spread: Annotated[
        Duration | None,
        between("0s", "3650d"),
        Field(description="Standard deviation of the lead time; else that of the shelf."),
    ] = None


class ShelfPlace(Section):
    """Where spare parts lie."""

    name: Annotated[Name, Field(description="What people call it.")]
    sites: Annotated[
        tuple[Name, ...],
        OneOrMany(),
        Field(description="Printers of these sites are served from it; * and ? are wild; left out: any."),
    ] = ()


class Shelf(Section):
    """Where spare parts are kept, and how they are ordered."""

    places: Annotated[
        tuple[ShelfPlace, ...], Field(description="The places; without them, places are what the commands say.")
    ] = ()
    currency: Annotated[
        Text, matching(r"[A-Z]{3}", "an ISO 4217 code like EUR"), Field(description="ISO 4217 code of all prices.")
    ] = "EUR"
    service_level: Annotated[
        Fraction, Field(gt=0, lt=1, description="The chance with which there shall be enough until the next delivery.")
    ] = 0.95
    review: Annotated[Duration, between("1h", "365d"), Field(description="How often somebody orders.")] = timedelta(
        days=7
    )
    lead_time: Annotated[
        Duration, between("0s", "3650d"), Field(description="From order to delivery, where the part does not say.")
    ] = timedelta(days=5)
    lead_time_spread: Annotated[
        Duration,
        between("0s", "3650d"),
        Field(description="Standard deviation of the lead time, where the part does not say."),
    ] = timedelta(days=2)

    def spare(self, part: Part) -> SparePart:
        """One part as the core takes it."""
        lead = self.lead_time if part.lead_time is None else part.lead_time
        spread = self.lead_time_spread if part.lead_time_spread is None else part.lead_time_spread
        return SparePart(
            name=part.name,
            description=part.description,
            models=part.models,
            supplies=part.supplies,
            declared_yield=part.declared_yield,
            price=part.price,
            terms=OrderTerms(
                lead_days=lead / timedelta(days=1),
                lead_sd=spread / timedelta(days=1),
                review_days=self.review / timedelta(days=1),
                level=self.service_level,
                minimum=part.minimum,
                pack=part.pack,
            ),
        )
