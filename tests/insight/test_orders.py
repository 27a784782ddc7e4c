"""What to order, by when, because of whom."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats

from agent.insight.orders import User, advise, rounded
from agent.insight.scene import Ground
from agent.insight.shelf import Shelf, Taken, state
from agent.insight.upkeep import upkeep
from agent.model.fleet import LedgerEntry, Place, Printer
from agent.model.insight import PROBABILITIES, Dates, Forecast, Insight, Life, Spread, Usage
from agent.model.shelf import Advice, OrderTerms, SparePart
from agent.model.upkeep import Plan
from tests.insight.printed import Gauge, Past

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
TODAY = date(2026, 3, 2)
SURE = OrderTerms(lead_days=5, lead_sd=0.0, review_days=7, level=0.95)
BLACK = SparePart("TG-40K", models=("Tallgrass M40",), supplies=("toner:black",), price=Decimal("89.50"), terms=SURE)


def printer(number: int) -> Printer:
    return Printer(number, f"desk-{number}", f"127.0.0.{number}", model="Tallgrass M40", place=Place("Main library"))


def user(
    number: int, law: object = None, *, reason: str | None = None, lives: tuple[Life, ...] = (), **more: object
) -> User:
    """A printer whose black toner runs out by ``law`` (a SciPy distribution of days)."""
    empty = days = None
    if law is not None:
        values = tuple(law.ppf(np.array(PROBABILITIES)).tolist())  # type: ignore[attr-defined]
        empty = Spread(NOW, values, 1500.0)
        days = Dates(*(TODAY + timedelta(days=int(values[at])) for at in (3, 7, 11)))
    forecast = Forecast(
        number, "toner:black", "toner", "black", "", NOW, reason=reason, empty=empty, empty_dates=days, **more
    )  # type: ignore[arg-type]
    return User(printer(number), Insight(number, NOW, (), lives, (forecast,)))


def life(days: float, left: float | None = None, number: int = 1, *, ago: float = 10.0) -> Life:
    removed = NOW - timedelta(days=ago)
    fitted = removed - timedelta(days=days)
    return Life("toner:black", "toner", number, fitted, removed, 5000, 1.0, 0.0, left, "swappedEarly", 1.0, 1.0)


def advice(
    users: list[User],
    *,
    stock: int = 0,
    ordered: int = 0,
    part: SparePart = BLACK,
    taken: tuple[Taken, ...] = (),
    plans: tuple[Plan, ...] = (),
) -> Advice:
    shelf = Shelf((part,), (), plans, {one.printer.id: one.printer for one in users})
    entries = []
    if stock:
        entries.append(LedgerEntry(NOW, "shelfRecounted", "", None, part.name, data={"count": stock, "place": "shelf"}))
    if ordered:
        entries.append(LedgerEntry(NOW, "ordered", "", None, part.name, data={"count": ordered}))
    return advise(shelf, state(shelf, entries, NOW)[0], taken, users)[0]


FAR = stats.norm(200, 5)
SOON = stats.norm(6, 1)


def test_nothing_runs_out_nothing_is_ordered():
    one = advice([user(1, FAR), user(2, FAR)])
    assert (one.order, one.up_to, one.method) == (0, 0, "forecasts")
    assert one.stock_out == pytest.approx(0.0, abs=1e-3)
    # It would have to be ordered a lead time before the first of the two may run out.
    assert one.by is None or one.by > TODAY + timedelta(days=150)


def test_what_runs_out_before_a_delivery_is_ordered_today_and_named():
    one = advice([user(1, FAR), user(2, SOON)])
    assert (one.order, one.cost) == (1, Decimal("89.50"))
    assert one.by == TODAY  # the lead time is five days, the run-out six or so
    assert one.stock_out == pytest.approx(1.0, abs=0.01)
    assert [(need.printer, need.supply) for need in one.because] == [("desk-2", "toner:black")]
    assert one.because[0].run_out == TODAY + timedelta(days=6)


def test_the_day_by_which_to_order_is_the_lead_time_before_the_run_out_may_come():
    one = advice([user(1, stats.norm(40, 2))])
    assert one.order == 0
    # 5 % of 40 +- 2 days is day 36.7, less five days of lead time.
    assert one.by == TODAY + timedelta(days=31)


def test_what_lies_there_and_what_is_coming_both_count():
    users = [user(number, SOON) for number in range(1, 5)]
    assert advice(users).order == 4
    assert advice(users, stock=1).order == 3
    one = advice(users, stock=1, ordered=3)
    assert (one.order, one.on_hand, one.on_order, one.position) == (0, 1, 3, 4)
    assert one.stock_out == pytest.approx(0.0, abs=0.01)


def test_demand_is_the_sum_over_the_printers():
    """Against SciPy's binomial distribution: twenty printers, each running out in 12 days with a chance of 0.3."""
    law = stats.norm(12 - stats.norm.ppf(0.3) * 4, 4)
    one = advice([user(number, law) for number in range(1, 21)])
    assert one.up_to == stats.binom.ppf(0.95, 20, 0.3)
    assert one.demand is not None
    assert one.demand[0] == pytest.approx(6.0, abs=0.05)
    assert one.demand[1:] == tuple(stats.binom.ppf([0.1, 0.5, 0.9], 20, 0.3))
    assert advice([user(n, law) for n in range(1, 21)], stock=7).stock_out == pytest.approx(
        stats.binom.sf(7, 20, 0.3), abs=0.01
    )


def test_a_higher_service_level_orders_no_less_and_an_uncertain_lead_time_orders_more():
    users = [user(number, stats.uniform(0, 40)) for number in range(1, 31)]
    wanted = [advice(users, part=replace(BLACK, terms=replace(SURE, level=level))).up_to for level in (0.5, 0.9, 0.99)]
    assert wanted == sorted(wanted)
    late = advice(users, part=replace(BLACK, terms=replace(SURE, lead_sd=4.0)))
    assert late.up_to > advice(users).up_to


@pytest.mark.parametrize(
    ("lacking", "minimum", "pack", "order"),
    [(0, 5, 3, 0), (1, 1, 1, 1), (1, 5, 1, 5), (4, 1, 3, 6), (1, 4, 3, 6), (7, 1, 10, 10)],
)
def test_minimum_and_packs(lacking, minimum, pack, order):
    assert rounded(lacking, OrderTerms(minimum=minimum, pack=pack)) == order


def test_heavy_users_ask_more_than_once():
    quick = user(1, stats.norm(3, 0.5), lives=(life(4.0), life(4.0, number=2), life(4.0, number=3)))
    one = advice([quick])
    # Days 3, 7 and 11 of the twelve.
    assert one.demand is not None
    assert one.demand[0] == pytest.approx(3.0, abs=0.35)
    assert "its own lives" in one.because[0].basis


def test_people_who_swap_early_are_reckoned_with():
    low = Spread(NOW, tuple(stats.norm(8, 1).ppf(np.array(PROBABILITIES)).tolist()), 1500.0)
    lives = tuple(life(90.0, 0.10, number) for number in range(1, 6))
    early = user(1, stats.norm(16, 1), lives=lives, low=low, threshold=0.10)
    assert advice([early]).order == 1
    assert advice([user(1, stats.norm(16, 1), low=low, threshold=0.10)]).order == 0


def test_printers_without_a_forecast_ask_at_the_rate_of_their_lives():
    known = user(1, FAR)
    silent = user(2, reason="too early to tell", lives=(life(3.0), life(3.0, number=2)))
    one = advice([known, silent])
    assert one.method == "forecasts"
    assert one.demand is not None
    assert one.demand[0] == pytest.approx(4.0, abs=0.1)
    assert "no forecast (too early to tell)" in one.because[0].basis


def test_supplies_of_which_nothing_is_known_are_said():
    one = advice([user(1, FAR), user(2, reason="too early to tell")])
    assert "of 1 supplies that use it nothing is known" in one.reason


def test_retired_printers_and_other_models_ask_for_nothing():
    gone = user(1, SOON)
    gone = User(replace(gone.printer, retired=NOW), gone.insight)
    other = user(2, SOON)
    other = User(replace(other.printer, model="Quillon C720"), other.insight)
    assert advice([gone, other]).method == "none"
    assert advice([gone, other]).reason == "no printer that is watched uses it"


# --- without forecasts ------------------------------------------------------------------------------------------------


def took(per_day: float, days: int = 200) -> tuple[Taken, ...]:
    gap = 1 / per_day
    return tuple(
        Taken(NOW - timedelta(days=days) + timedelta(days=at * gap), "TG-40K", 1, "toner:black")
        for at in range(int(days * per_day))
    )


def test_few_pieces_of_the_past_are_a_poisson_demand():
    """Against SciPy's Poisson quantile: 0.25 a day over twelve days."""
    one = advice([user(1, reason="too early to tell")], taken=took(0.25))
    assert one.method == "reorderPoint"
    assert one.up_to == stats.poisson.ppf(0.95, 3)
    assert "taken in the last 200 days" in one.reason


def test_many_pieces_of_the_past_are_the_textbooks_normal_demand():
    """z 1.645, five a day, always five, so that only the lead time varies: sigma = d sdL (formula from memory)."""
    part = replace(BLACK, terms=OrderTerms(lead_days=5, lead_sd=2, review_days=7, level=0.95))
    one = advice([user(1, reason="too early to tell")], taken=took(5.0), part=part)
    assert one.up_to == pytest.approx(60 + 1.645 * 10, abs=1.5)
    assert "safety stock" in one.reason
    assert one.demand is not None
    assert one.demand[0] == pytest.approx(60, rel=0.02)


def test_lives_alone_give_a_rate_too():
    one = advice([user(1, reason="too early to tell", lives=(life(4.0),))])
    assert (one.method, one.up_to) == ("reorderPoint", stats.poisson.ppf(0.95, 3))


def test_with_nothing_known_it_says_so_and_orders_nothing():
    one = advice([user(1, reason="its level has not moved")])
    assert (one.order, one.by, one.method, one.stock_out) == (0, None, "none", None)
    assert "too early to tell" in one.reason
    assert "its level has not moved" in one.reason


# --- plans ------------------------------------------------------------------------------------------------------------


def test_upkeep_asks_for_the_parts_that_it_needs():
    plan = Plan("kit", impressions=20_000, needs=("KIT",))
    past = Past(days=170).logged(20, "kit")
    kit = SparePart("KIT", terms=SURE)
    for day, order in ((90, 0), (159, 1)):
        insight = past.insight(day)
        found = upkeep(Ground(past.history(), insight), [plan], past.at(day))
        shelf = Shelf((kit,), (), (plan,), {})
        made = advise(shelf, state(shelf, [], past.at(day))[0], (), [User(past.history().printer, insight, found)])[0]
        assert (made.order, made.method) == (order, "forecasts"), day
    assert made.because[0].supply == "kit"


def test_a_part_for_a_supply_that_a_plan_renews_is_asked_for_once():
    plan = Plan("drum", renews=("opc",), needs=("TG-DR",))
    part = SparePart("TG-DR", models=("*",), supplies=("opc",), terms=SURE)
    past = Past(days=120, gauges=(Gauge("opc:black", 20_000, 0.9, at_empty=False),))
    insight = past.insight(118, declared={"opc:black": 20_000})
    found = upkeep(Ground(past.history(), insight), [plan], past.at(118))
    shelf = Shelf((part,), (), (plan,), {})
    made = advise(shelf, state(shelf, [], past.at(118))[0], (), [User(past.history().printer, insight, found)])[0]
    assert made.up_to is not None
    assert made.up_to <= 1


def test_a_declared_yield_and_the_use_give_the_length_of_a_life():
    usage = Usage("life", "impressions", 200.0, 180.0, 220.0, 0.5, (1.0,) * 5 + (0.0, 0.0), 1.0, None, 60, 1000.0, NOW)
    one = user(1, stats.norm(3, 0.5))
    one = User(one.printer, replace(one.insight, usage=(usage,)))
    made = advice([one], part=replace(BLACK, declared_yield=570))
    assert made.demand is not None
    assert made.demand[0] == pytest.approx(3.0, abs=0.35)
    assert "declared yield" in made.because[0].basis


def test_the_stock_out_that_is_promised_is_the_one_that_comes():
    """Policy in a world of its own: order up to the advice each week; stock-outs stay near 1 - level."""
    generator = np.random.default_rng(2)
    laws = [stats.gamma(20, scale=float(generator.uniform(0.5, 3.0))) for _ in range(25)]
    one = advice([user(number, law) for number, law in enumerate(laws, start=1)])
    assert one.up_to is not None
    demand = sum((law.rvs(20_000, random_state=generator) <= 12).astype(int) for law in laws)
    risk = float((demand > one.up_to).mean())
    assert risk <= 0.055
    assert float((demand > one.up_to - 1).mean()) > 0.045
