"""A fleet for rounds: printers with run-outs drawn by ruler, parts on shelves, alarms, and places to walk to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from statistics import NormalDist

from agent.insight.jobs import Morning, Spot
from agent.insight.shelf import Shelf
from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.fleet import Place, Printer
from agent.model.insight import PROBABILITIES, Dates, Forecast, Insight, Spread, Usage
from agent.model.round import Rhythm, RoundTerms
from agent.model.shelf import OpenOrder, PlaceRule, ShelfState, SparePart, Stock
from agent.model.upkeep import Begin, Plan, PrinterUpkeep, UpkeepItem

NOW = datetime(2026, 3, 18, 7, 30, tzinfo=UTC)  # a Wednesday
TODAY = date(2026, 3, 18)
NORMAL = NormalDist()

BLACK = SparePart("TG-40K", "Black toner", ("Tallgrass*",), ("toner:black",), 6000, Decimal("89.50"))
CYAN = SparePart("QU-C", "Cyan toner", ("Quillon*",), ("toner:cyan",), 3000, Decimal(120))
KIT_PART = SparePart("TG-KIT", "Maintenance kit", ("*",), (), None, Decimal(214))
KIT = Plan("kit", "Fit the maintenance kit", impressions=150_000, needs=("TG-KIT",), minutes=25,
           cautions=("The kit weighs 6 kg",))  # fmt: skip
CALIBRATION = Plan("calibration", "Calibrate the colours", colour_only=True, after=("toner:cyan", "kit"), minutes=5)
DRUM = Plan("drum", "Exchange the drum", impressions=30_000, renews=("opc",), minutes=10)


def printer(number: int, model: str = "Tallgrass M40", **place: str) -> Printer:
    """A printer somewhere."""
    where = {"site": "Main library", "building": "Old wing", "floor": "1", "room": str(number), **place}
    return Printer(number, f"desk-{number}", f"127.0.0.{number % 250 + 1}", model=model, place=Place(**where))


def forecast(number: int, supply: str, days: float, spread: float = 1.0, pages: float | None = None) -> Forecast:
    """It runs out in about so many days, normal with this standard deviation; 100 pages a day are printed."""
    kind, _, colour = supply.partition("#")[0].partition(":")
    law = tuple(max(0.0, days + spread * NORMAL.inv_cdf(chance)) for chance in PROBABILITIES)
    empty = Spread(NOW, law, 400.0)
    dates = Dates(*(TODAY + timedelta(days=int(empty.quantile(chance))) for chance in (0.1, 0.5, 0.9)))
    left = days * 100 if pages is None else pages
    return Forecast(
        number, supply, kind, colour or None, "", NOW, empty=empty, empty_dates=dates, threshold=0.1,
        level=min(1.0, days / 60), pages_left=(left * 0.9, left, left * 1.1),
    )  # fmt: skip


def spot(who: Printer, *forecasts: Forecast, items: Sequence[UpkeepItem] = (), empty: Iterable[str] = ()) -> Spot:
    """A printer that prints 100 pages a day."""
    usage = Usage("life", "impressions", 140.0, 120, 160, 0.4, (1,) * 5 + (0, 0), 1.0, None, 90, 700.0, None)
    insight = Insight(who.id, NOW, (usage,), (), forecasts)
    return Spot(who, insight, PrinterUpkeep(who.id, NOW, tuple(items), ()), frozenset(empty))


def item(
    number: int, plan: Plan, state: str, left: int | None = None, days: int | None = None, **more: object
) -> UpkeepItem:
    """A plan at a printer whose counter is at 50,000."""
    expected = None if days is None else Dates(*(TODAY + timedelta(days=days + off) for off in (-1, 0, 1)))
    told: dict[str, object] = {
        "printer_id": number, "plan": plan.name, "what": plan.what, "state": state, "begin": Begin(NOW, 0),
        "count": 50_000, "due_count": None if left is None else 50_000 + left, "left": left, "due_day": None,
        "overdue_days": None, "expected": expected, "reason": None, "because": (), "reported": (), "followed": None,
        "supplies": (), "needs": plan.needs, "minutes": plan.minutes, "cautions": plan.cautions,
    }  # fmt: skip
    return UpkeepItem(**(told | more))  # type: ignore[arg-type]


def alarm(number: int, when: str, subject: str, hours: float = 5.0, **facts: object) -> AlarmRecord:
    """An alarm that stands since so many hours."""
    at = NOW - timedelta(hours=hours)
    text = str(facts.pop("text", f"{subject}: something is the matter"))
    return AlarmRecord(
        f"{when}|{number}|{subject}", when, number, subject, AlarmState.UNACKNOWLEDGED, at, "medium", True, at,
        active=True, raised_at=at, occurrence=1, text=text, facts={"when": when, **facts},
    )  # fmt: skip


def morning(
    *spots: Spot,
    stock: dict[tuple[str, str], int] | None = None,
    orders: Sequence[OpenOrder] = (),
    alarms: Sequence[AlarmRecord] = (),
    plans: Sequence[Plan] = (KIT, CALIBRATION, DRUM),
    proofs: Sequence[object] = (),
    terms: RoundTerms | None = None,
) -> Morning:
    """All that a round is planned from. Without ``stock`` 100 of each part lie in cupboard 3."""
    parts = (BLACK, CYAN, KIT_PART)
    lying = {(one.name, "Cupboard 3"): 100 for one in parts} if stock is None else stock
    state = ShelfState(
        NOW, tuple(Stock(part, place, many, NOW) for (part, place), many in lying.items()), tuple(orders)
    )
    shelf = Shelf(parts, (PlaceRule("Cupboard 3"),), plans, {one.printer.id: one.printer for one in spots})
    return Morning(spots, shelf, state, terms or RoundTerms(Rhythm()), alarms, proofs, "UTC", "EUR")  # type: ignore[arg-type]


def large(count: int = 200) -> Morning:
    """A large round: every printer has something, some have several things."""
    made = []
    for number in range(1, count + 1):
        who = printer(
            number, "Quillon C720" if number % 3 == 0 else "Tallgrass M40",
            site="Main library" if number % 4 else "Depot", building=f"Wing {number % 5}", floor=str(number % 7),
        )  # fmt: skip
        supply = "toner:cyan" if number % 3 == 0 else "toner:black"
        more = [forecast(number, "wasteToner", 1 + number % 5)] if number % 6 == 0 else []
        made.append(spot(who, forecast(number, supply, 0.3 + number % 3 / 2), *more))
    return morning(*made, stock={("TG-40K", "Cupboard 3"): 90, ("QU-C", "Cupboard 3"): 200})
