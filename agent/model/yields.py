"""What supplies really yield, what pages cost, and how often a printer stops."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from agent.model.insight import Life


@dataclass(frozen=True, slots=True)
class LifeYield:
    """One life against what was declared.

    ``pages``: impressions so far or in all. ``whole``: what it would have yielded from full to empty, None where too
    little of it was used to tell. ``ratio``: ``whole`` over the declared yield. ``coverage``: the coverage implied by
    that, in per cent a colour (declared yields are at about 5 %). ``pages_lost`` and ``money_lost``: left in it when it
    was swapped early. ``odds``: the chance that a cartridge of its kind dies so early, where that is remarkable.
    """

    printer_id: int
    printer: str
    life: Life
    part: str | None
    declared: int | None
    pages: int | None
    whole: float | None
    ratio: float | None
    coverage: float | None
    pages_lost: float | None
    money_lost: Decimal | None
    odds: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class ModelYield:
    """All whole lives of one kind of supply in one model of printer.

    ``figure``: mean - t(0.90, n-1) s / sqrt(n), the lower bound that a declared yield stands for; None with the
    ``reason`` where n is below 9. ``n`` lives in ``printers`` printers, of which ``stretched`` ended early (with little
    left) and were stretched to a whole life.
    """

    model: str
    supply: str
    part: str | None
    declared: int | None
    n: int
    printers: int
    stretched: int
    mean: float | None
    sd: float | None
    figure: float | None
    coverage: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Rate:
    """Events per 10,000 impressions, with the range that holds the true rate with a chance of 80 %."""

    events: int
    impressions: int
    per_10000: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Cost:
    """What a page costs, in the currency of the shelf.

    ``per_page`` with its 80 % range; None where nothing is known (``missing`` says what). ``estimated``: supplies whose
    yield is only declared and not seen yet. ``missing``: supplies without price or yield; the cost lacks them.
    ``lost``: money left in cartridges that were swapped early.
    """

    name: str
    impressions: int
    per_page: Decimal | None
    low: Decimal | None
    high: Decimal | None
    lost: Decimal
    pages_lost: float
    jams: Rate
    calls: Rate
    estimated: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PrinterCost:
    """``Cost`` of one printer."""

    printer_id: int
    model: str
    site: str
    cost: Cost


@dataclass(frozen=True, slots=True)
class Yields:
    """All of it, as of a moment; costs, jams and calls are those since ``since``."""

    as_of: datetime
    since: datetime
    currency: str
    lives: tuple[LifeYield, ...]
    models: tuple[ModelYield, ...]
    printers: tuple[PrinterCost, ...]
    by_model: tuple[Cost, ...]
    by_site: tuple[Cost, ...]
    fleet: Cost | None
    notes: tuple[str, ...] = ()
