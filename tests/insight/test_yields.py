"""Yields, coverage, outliers, cost per page, jams and calls: against standards' formulas, SciPy and hand sums."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats

from agent.insight.costs import calls, jams, rate, yields_of
from agent.insight.shelf import Shelf
from agent.insight.yields import (
    Witness,
    declared_style,
    implied_coverage,
    lives,
    models,
    money,
    odds_of,
    share_of,
    whole_of,
)
from agent.model.contact import StatusPoint
from agent.model.insight import Insight, Life
from agent.model.reading import Alert
from agent.model.shelf import SparePart
from agent.model.upkeep import Plan
from tests.insight.printed import START, Gauge, Past

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
BLACK = SparePart(
    "TG-40K", models=("Tallgrass M40",), supplies=("toner:black",), declared_yield=6000, price=Decimal("90.00")
)
SHELF = Shelf((BLACK,))


def life(pages: int | None, ended: str = "ranDry", left: float | None = 0.0, number: int = 1, **more: object) -> Life:
    removed = None if ended == "stillIn" else NOW - timedelta(days=number)
    made = Life(
        "toner:black",
        "toner",
        number,
        NOW - timedelta(days=90 + number),
        removed,
        pages,
        1.0,
        left,
        left,
        ended,
        1.0,
        1.0,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def witness(*some: Life, number: int = 1, model: str = "Tallgrass M40") -> Witness:
    past = Past(number=number, days=3, model=model, gauges=(Gauge("toner:black", 6_000),))
    return Witness(past.history(), Insight(number, NOW, (), some, ()))


# --- the declared style -----------------------------------------------------------------------------------------------


def test_the_figure_in_the_style_of_a_declared_yield():
    """ISO/IEC 19752 and 19798: mean - t(0.90, n-1) s / sqrt(n), one-sided 90 % (formula from memory)."""
    pages = [5800.0, 6100.0, 6350.0, 5990.0, 6240.0, 6010.0, 6400.0, 5760.0, 6170.0]
    assert stats.t.ppf(0.90, 8) == pytest.approx(1.39682, abs=5e-6)
    wanted = np.mean(pages) - 0.46561 * np.std(pages, ddof=1)
    assert declared_style(pages) == pytest.approx(wanted, abs=0.01)
    # The same as the lower end of SciPy's two-sided 80 % interval.
    low, _ = stats.t.interval(0.80, 8, loc=np.mean(pages), scale=stats.sem(pages))
    assert declared_style(pages) == pytest.approx(low)


def test_nine_cartridges_are_needed():
    eight = [witness(*(life(6000 + at, number=at) for at in range(1, 9)))]
    (found,) = models(lives(eight, SHELF), {1: "Tallgrass M40"})
    assert (found.n, found.figure) == (8, None)
    assert found.reason == "n too small: 8 whole lives, 9 are needed"
    nine = [witness(*(life(6000 + at, number=at) for at in range(1, 10)))]
    (found,) = models(lives(nine, SHELF), {1: "Tallgrass M40"})
    assert found.figure == pytest.approx(declared_style([6000.0 + at for at in range(1, 10)]))
    assert "from 1 printer(s) only" in found.reason
    with pytest.raises(ValueError, match="spread"):
        declared_style([6000.0])


def test_three_printers_with_three_each_are_as_the_standard_wants():
    some = [witness(*(life(5900 + 50 * at + n, number=at) for at in range(1, 4)), number=n) for n in (1, 2, 3)]
    (found,) = models(lives(some, SHELF), dict.fromkeys((1, 2, 3), "Tallgrass M40"))
    assert (found.n, found.printers, found.stretched, found.reason) == (9, 3, 0, "")


def test_coverage_follows_from_pages_against_the_declared_yield():
    """A declared yield is at about 5 % a colour: half the pages, twice the coverage."""
    assert implied_coverage(6000, 6000) == 5.0
    assert implied_coverage(6000, 3000) == 10.0
    (one,) = lives([witness(life(4000))], SHELF)
    assert (one.ratio, one.coverage) == (pytest.approx(2 / 3), pytest.approx(7.5))


def test_drums_have_no_coverage():
    drum = replace(life(20_000), supply="opc:black", kind="opc")
    part = SparePart("TG-DR", supplies=("opc",), declared_yield=30_000)
    (one,) = lives([witness(drum)], Shelf((part,)))
    assert one.ratio == pytest.approx(2 / 3)
    assert one.coverage is None


# --- whole lives ------------------------------------------------------------------------------------------------------


def test_a_life_that_ended_early_is_stretched_by_what_was_left():
    assert whole_of(life(5400, "swappedEarly", 0.10)) == pytest.approx(6000)
    assert whole_of(life(1000, "swappedEarly", 0.80)) is None  # too little of it was used
    assert whole_of(life(3000, "stillIn", 0.50)) == pytest.approx(6000)
    assert whole_of(life(None)) is None
    assert whole_of(life(0)) is None


def test_a_used_cartridge_or_one_fitted_unseen_counts_from_what_it_showed():
    assert whole_of(life(3000, used_before=True, start_level=0.6)) == pytest.approx(5000)
    assert whole_of(life(3000, fitted=None, start_level=0.5)) == pytest.approx(6000)
    assert whole_of(life(3000, fitted=None, start_level=None)) is None


def test_only_new_lives_used_up_or_nearly_stand_for_their_kind():
    some = (
        life(6000, number=1),
        life(5700, "swappedEarly", 0.05, 2),
        life(3600, "swappedEarly", 0.40, 3),
        life(3000, number=4, used_before=True, start_level=0.5),
        life(3000, "stillIn", 0.5, 5),
    )
    (found,) = models(lives([witness(*some)], SHELF), {1: "Tallgrass M40"})
    assert (found.n, found.stretched) == (2, 1)
    assert found.mean == pytest.approx(6000)


def test_what_is_left_at_an_early_swap_is_money():
    (one,) = lives([witness(life(5400, "swappedEarly", 0.10))], SHELF)
    assert one.pages_lost == pytest.approx(600)
    assert one.money_lost == Decimal("9.00")
    assert isinstance(one.money_lost, Decimal)
    (dry,) = lives([witness(life(5400))], SHELF)
    assert (dry.pages_lost, dry.money_lost) == (None, None)


def test_money_is_rounded_half_to_even_and_shares_do_not_drag_binary_dust():
    assert money(Decimal("0.125")) == Decimal("0.12")
    assert share_of(Decimal(100), 0.1 + 0.2) == Decimal("30.0")


# --- outliers ---------------------------------------------------------------------------------------------------------


def test_a_cartridge_that_died_far_too_early_is_named_with_its_odds():
    good = [life(pages, number=at) for at, pages in enumerate((5900, 6200, 5700, 6100, 6300, 6000), start=1)]
    found = lives([witness(*good, life(900, number=9))], SHELF)
    marked = [one for one in found if one.odds is not None]
    assert [one.pages for one in marked] == [900]
    assert 0 < marked[0].odds < 0.005
    assert "died after 900 pages" in marked[0].text


def test_one_that_was_swapped_early_did_not_die():
    good = [life(6000 + at, number=at) for at in range(1, 7)]
    found = lives([witness(*good, life(300, "swappedEarly", 0.95, 9))], SHELF)
    assert all(one.odds is None for one in found)


def test_odds_are_students():
    """Against SciPy's t distribution, with median and MAD by SciPy."""
    fellows = [2000.0, 6000.0, 5000.0, 9000.0, 4000.0]
    logs = np.log(fellows)
    spread = stats.median_abs_deviation(logs, scale=1 / 0.6744897501960817)
    spread = max(spread, 0.7 * logs.std(ddof=1), 0.2 * 1.5)
    t = (math.log(1000) - np.median(logs)) / (spread * math.sqrt(1.2))
    assert odds_of(1000, fellows) == pytest.approx(stats.t.cdf(t, 4), rel=1e-4)
    assert odds_of(1000, fellows[:3]) is None


def test_honest_lives_raise_few_alarms():
    """400 kinds with nine lives each, spread as lives are: fewer than one kind in twelve shows an outlier."""
    generator = np.random.default_rng(7)
    wrong = 0
    for _ in range(400):
        pages = generator.lognormal(math.log(6000), 0.25, 9).astype(int)
        found = lives([witness(*(life(int(one), number=at) for at, one in enumerate(pages, start=1)))], SHELF)
        wrong += any(one.odds is not None for one in found)
    assert wrong <= 32


# --- cost -------------------------------------------------------------------------------------------------------------


def printed(**more: object) -> Past:
    gauges = (Gauge("toner:black", 6_000, 1.0, (30, 60, 90), at_empty=False),)
    return Past(days=100, gauges=gauges, **more)  # type: ignore[arg-type]


def costs(*pasts: Past, shelf: Shelf = SHELF, day: float = 100, **more: object):
    witnesses = [Witness(past.history(), past.insight(day)) for past in pasts]
    return yields_of(witnesses, shelf, pasts[0].at(day), **more)  # type: ignore[arg-type]


def test_the_cost_of_a_page_is_cartridges_over_pages():
    found = costs(printed())
    (one,) = found.printers
    # Two whole lives: fitted on the evenings of days 30 and 60, removed on those of 60 and 90.
    pages = sum(200 for day in range(31, 91) if (START + timedelta(days=day)).weekday() < 5)
    assert one.cost.per_page == (2 * Decimal("90.00") / pages).quantize(Decimal("0.00001"))
    assert one.cost.low < one.cost.per_page < one.cost.high
    assert one.cost.impressions == 72 * 200
    assert one.cost.missing == ()
    assert found.currency == "EUR"


def test_money_left_in_cartridges_is_summed_by_printer_model_and_site():
    found = costs(printed(), printed(number=2, site="Depot"))
    # 22 or so workdays of 6,000 / 200: about a quarter was left each time, three times.
    each = found.printers[0].cost.lost
    assert each == sum(one.money_lost for one in found.lives if one.printer_id == 1 and one.money_lost is not None)
    assert Decimal(40) < each < Decimal(110)
    assert [(one.name, one.lost) for one in found.by_site] == [("Depot", each), ("Main library", each)]
    assert found.by_model[0].lost == found.fleet.lost == 2 * each


def test_sites_are_weighted_by_their_pages():
    found = costs(printed(), printed(number=2, pages=400), printed(number=3, site="Depot"))
    one, two, _ = (each.cost for each in found.printers)
    wanted = (one.per_page * one.impressions + two.per_page * two.impressions) / (one.impressions + two.impressions)
    main = next(each for each in found.by_site if each.name == "Main library")
    assert abs(main.per_page - wanted) <= Decimal("0.00001")
    assert main.impressions == one.impressions + two.impressions


def test_a_supply_without_a_price_is_missing_and_said():
    shelf = Shelf((replace(BLACK, price=None),))
    found = costs(printed(), shelf=shelf)
    assert found.printers[0].cost.per_page is None
    assert found.printers[0].cost.missing == ("TG-40K",)
    assert found.notes == ("no price for TG-40K",)
    assert costs(printed(), shelf=Shelf(())).printers[0].cost.missing == ("toner:black",)


def test_before_any_swap_the_present_cartridge_tells_and_before_that_the_declared_yield():
    past = Past(days=20, gauges=(Gauge("toner:black", 6_000, at_empty=False),))
    early = costs(past, day=1).printers[0].cost
    assert early.estimated == ("toner:black",)
    assert early.per_page == Decimal("0.01500")
    later = costs(past, day=18).printers[0].cost
    assert later.estimated == ()
    assert float(later.per_page) == pytest.approx(90 / 6000, rel=0.05)


def test_the_parts_of_a_plan_belong_to_the_cost_of_a_page():
    plan = Plan("kit", impressions=100_000, needs=("KIT", "GONE"))
    shelf = Shelf((BLACK, SparePart("KIT", price=Decimal(200))))
    with_kit, without = (costs(printed(), shelf=shelf, plans=some).printers[0].cost for some in ((plan,), ()))
    assert with_kit.per_page - without.per_page == Decimal("0.00200")
    assert with_kit.missing == ("GONE",)


def test_no_pages_no_cost_and_no_division_by_nothing():
    found = costs(Past(days=3, counter=None, gauges=(Gauge("toner:black", 6_000),)), day=2)
    assert found.printers[0].cost.impressions == 0
    assert found.printers[0].cost.jams.per_10000 is None
    assert found.by_site[0].per_page is None
    assert yields_of([], SHELF, NOW).fleet is None
    with pytest.raises(ValueError, match="offset"):
        yields_of([], SHELF, datetime(2026, 3, 2))  # noqa: DTZ001


# --- jams and calls ---------------------------------------------------------------------------------------------------


def point(hours: float, *errors: str, code: str = "") -> StatusPoint:
    alerts = (Alert(1, "critical", "untrained", "mediaPath", 1, -2, code, 8, "", None),) if code else ()
    return StatusPoint(NOW + timedelta(hours=hours), None, None, frozenset(errors), (), alerts)


def test_a_jam_counts_when_it_begins():
    some = [
        point(-9, "jammed"),
        point(1, "jammed"),
        point(2),
        point(3, "jammed"),
        point(4, code="jam"),
        point(5),
        point(6, code="jam"),
        point(30, "jammed"),
        point(20),
    ]
    assert jams(some, NOW, NOW + timedelta(hours=24)) == 2
    assert jams([], NOW, NOW + timedelta(hours=24)) == 0


def test_services_of_one_visit_are_one_call():
    assert calls([NOW, NOW, NOW + timedelta(hours=3), NOW + timedelta(hours=9)]) == 2
    assert calls([]) == 0


@pytest.mark.parametrize("events", [0, 1, 3, 25])
def test_the_range_of_a_rate_is_garwoods(events):
    """Garwood 1936: exact limits of a Poisson mean by chi-squared, here by SciPy's distribution."""
    found = rate(events, 40_000)
    assert found.per_10000 == events / 4
    assert found.low == pytest.approx(stats.chi2.ppf(0.1, 2 * events) / 2 / 4 if events else 0.0)
    assert found.high == pytest.approx(stats.chi2.ppf(0.9, 2 * events + 2) / 2 / 4)
    # By its definition: so few events come with a chance of 10 % where the rate is that high.
    assert stats.poisson.cdf(events, found.high * 4) == pytest.approx(0.1)


def test_jams_and_calls_are_told_by_printer_and_summed():
    past, other = printed(), printed(number=2)
    past.logged(50, "toner:black").logged(50.1, "calibration").logged(70, "toner:black")
    some = {1: [replace(point(0, "jammed"), at=past.at(20)), replace(point(0), at=past.at(20.1))]}
    found = costs(past, other, statuses=some)
    assert (found.printers[0].cost.jams.events, found.printers[0].cost.calls.events) == (1, 2)
    assert found.fleet.jams.per_10000 == pytest.approx(1 / 28_800 * 10_000)
    assert found.fleet.calls.events == 2
