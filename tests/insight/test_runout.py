"""Run-out forecasts: right where the truth is simple, silent where nothing is known, honest about odds."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from agent.insight import runout
from agent.insight.kin import Fleet, KindSums, UseMark, UsePrior, pool
from agent.insight.printer import Terms, look, summarise
from agent.insight.steps import Steps
from agent.insight.usage import ahead, by_time
from agent.insight.wear import Border, Wear
from agent.model.fleet import ContactRun, LedgerEntry
from agent.model.insight import PROBABILITIES, Spread
from agent.model.reading import Mark
from tests.insight.drawn import START, at, history, steady, track


def forecast(supply, counts, days, *, terms=None, fleet=None, ledger=(), contacts=None):
    made = history([supply], [counts], until=24 * days, ledger=ledger, contacts=contacts)
    return look(made, fleet or Fleet(), at(24 * days), terms).forecasts[0]


@pytest.mark.parametrize("step", [1, 5, 10, 25])
def test_an_even_printer_is_foretold_to_the_day(step):
    # 100 pages a workday at 0.02 % a page: 50 workdays, ten weeks. At day 119 (a Monday) 15 workdays of the second
    # cartridge's fifty are left, whatever the steps in which it is shown: until the Friday of the third week.
    supply, counts = steady(120, step=step)
    found = forecast(supply, counts, 119)
    assert found.reason is None
    assert found.empty.quantile(0.5) == pytest.approx(18.4, abs=3.1)
    assert found.empty_dates.p10 <= found.empty_dates.p50 <= found.empty_dates.p90
    assert found.level == pytest.approx(0.30, abs=0.04)
    assert found.level_low <= found.level <= found.level_high


def test_the_threshold_comes_before_the_end():
    supply, counts = steady(120)
    found = forecast(supply, counts, 119, terms=Terms(threshold=0.1))
    assert found.low.quantile(0.5) < found.empty.quantile(0.5)
    assert found.low.quantile(0.5) == pytest.approx(11.4, abs=2.6)  # ten workdays: a Friday, or the Monday after


def test_odds_grow_with_the_days():
    supply, counts = steady(134)
    found = forecast(supply, counts, 133)
    assert 0 <= found.chance[7] <= found.chance[14] <= 1
    assert list(found.chance_workdays) == sorted(found.chance_workdays)
    assert len(found.chance_workdays) == 10
    # Five workdays are left: within 7 days it is about even, within 14 nearly certain.
    assert found.chance[14] > 0.85


def test_the_day_is_the_sites_own():
    supply, counts = steady(120)
    made = history([supply], [counts], until=24 * 119, zone="Pacific/Kiritimati")
    far = look(made, Fleet(), at(24 * 119)).forecasts[0]
    near = forecast(supply, counts, 119)
    assert abs((far.empty_dates.p50 - near.empty_dates.p50).days) <= 4


def test_earlier_lives_teach_the_use_of_a_new_cartridge():
    supply, counts = steady(143)  # fitted anew on day 140, hardly used yet
    found = forecast(supply, counts, 142)
    assert found.empty.quantile(0.5) == pytest.approx(68, abs=8)
    assert any("in this printer" in text for text in found.basis)


@pytest.mark.parametrize("step", [1, 10, 25])
@pytest.mark.parametrize("hours", [0, 3])
def test_a_cartridge_just_fitted_is_foretold_at_once_where_lives_came_before(step, hours):
    supply, counts = steady(240, step=step)
    fitted = [new.at for old, new in pairwise(supply.points) if new.level > old.level + 50]
    assert len(fitted) == 3
    days = (fitted[-1] - START).days + hours / 24
    found = forecast(supply, counts, days)
    assert found.reason is None
    assert found.empty.quantile(0.5) == pytest.approx(70, abs=8)  # 50 workdays
    assert any("earlier li" in one for one in found.basis)


def test_what_still_prints_is_not_empty_yet():
    # Rounded down to quarters, and 0 is shown since the level fell below a quarter: a thousand pages ago, which is just
    # as many as this life's own use says that a quarter lasts. It prints still, so a little is left.
    border = Border(0.25, 0.0, (3000.0, 3000.0), (3000.0, 3000.0))
    one = Wear((0.0, 0.0), True, True, 1.0, 0.0, 0.0, (4000.0, 4000.0), border, border, 4, False)
    found = runout.left(one, Steps(0.25, (1.0, 0.0, 0.0), 5), (np.log(0.25 / 1000), 0.05), 100.0)
    assert found.pages.min() > 0
    assert 0 < found.quantiles(found.pages)[1] < 150


def test_other_printers_teach_a_new_one():
    teachers = [
        history(*[[part] for part in steady(150, use=0.0002 * factor)], until=24 * 150, number=number)
        for number, factor in enumerate((0.9, 1.0, 1.0, 1.1, 1.0))
    ]
    fleet = pool([summarise(one, Fleet(), at(24 * 150)) for one in teachers])
    supply, counts = steady(9)
    pupil = replace(history([supply], [counts], until=24 * 8, number=50))
    alone = look(pupil, Fleet(), at(24 * 8)).forecasts[0]
    taught = look(pupil, fleet, at(24 * 8)).forecasts[0]
    assert taught.empty.quantile(0.5) == pytest.approx(62, abs=14)
    assert any("other printers" in text for text in taught.basis)
    spread = np.log(taught.empty.quantile(0.9) / taught.empty.quantile(0.1))
    assert alone.reason is not None or np.log(alone.empty.quantile(0.9) / alone.empty.quantile(0.1)) > spread


def test_a_declared_yield_is_better_than_nothing():
    supply, counts = steady(9)
    told = forecast(track([(0, 100)]), counts, 8, terms=Terms(declared={"toner": 5_000.0}))
    assert told.reason is None
    assert any("declared yield" in text for text in told.basis)
    untold = forecast(track([(0, 100)]), counts, 8)
    assert untold.empty is None
    assert "too early to tell" in untold.reason
    assert supply.key == "toner:black"


@pytest.mark.parametrize("days", [0, 1, 3])
def test_a_cold_start_says_what_is_missing(days):
    supply, counts = steady(days + 1)
    found = forecast(supply, counts, days)
    assert found.empty is None
    assert found.empty_dates is None
    assert found.reason.startswith("too early to tell")
    assert found.chance == {}


def test_a_printer_that_never_says_how_much_gets_no_date():
    _, counts = steady(60)
    found = forecast(track([(0, Mark.UNKNOWN)]), counts, 60)
    assert "does not say" in found.reason


def test_some_remaining_only_is_told_by_the_lives_before():
    supply, counts = steady(176, some=True)
    found = forecast(supply, counts, 175)
    # Lives of 5,000 pages before; now 2,500 since the last swap: about five weeks to go.
    assert found.reason is None
    assert found.empty.quantile(0.5) == pytest.approx(35, abs=14)
    assert found.empty.quantile(0.9) - found.empty.quantile(0.1) > 10


def test_some_remaining_only_without_a_life_seen_is_too_early():
    _, counts = steady(40)
    found = forecast(track([(0, Mark.SOME)]), counts, 40)
    assert "some is left" in found.reason


def test_some_remaining_for_far_too_long_means_a_missed_swap():
    entries = [
        LedgerEntry(at(24 * day), "swapped", "swapped", 1, "toner:black", "technician") for day in (14, 28, 42, 56)
    ]
    _, counts = steady(200)
    found = forecast(track([(0, Mark.SOME)]), counts, 200, ledger=entries)
    assert "swap was probably missed" in found.reason


def test_an_empty_supply_is_empty_now():
    supply, counts = steady(71, swap_at=-1.0)
    assert supply.points[-1].level == 0
    found = forecast(supply, counts, 70)
    assert found.empty.quantile(0.5) < 2
    assert found.chance[7] > 0.8


def test_a_long_silence_gives_no_date_for_what_is_gone_by_now():
    supply, counts = steady(64)  # 8 % left by then
    runs = [ContactRun(START, at(24 * 64), True), ContactRun(at(24 * 64 + 1), at(24 * 90), False)]
    made = history([supply], [counts], until=24 * 64, contacts=runs)
    found = look(made, Fleet(), at(24 * 90)).forecasts[0]
    assert "silent since" in found.reason


def test_without_a_counter_elapsed_workdays_stand_in():
    supply, _ = steady(120)
    made = history([supply], [], until=24 * 119)
    found = look(made, Fleet(), at(24 * 119))
    assert found.usage[0].by_time
    assert found.forecasts[0].empty.quantile(0.5) == pytest.approx(21, abs=6)
    assert "elapsed workdays in place of pages" in found.forecasts[0].basis
    assert found.lives[0].impressions is None


def test_holidays_ahead_put_the_day_off():
    supply, counts = steady(120)
    plain = forecast(supply, counts, 119)
    week = frozenset((at(24 * 121) + timedelta(days=day)).date() for day in range(7))
    put_off = forecast(supply, counts, 119, terms=Terms(holidays=week))
    assert put_off.empty.quantile(0.5) - plain.empty.quantile(0.5) == pytest.approx(7, abs=2.5)


def test_the_same_question_gets_the_same_answer():
    supply, counts = steady(120)
    assert forecast(supply, counts, 119) == forecast(supply, counts, 119)


def test_a_moment_without_an_offset_is_refused():
    supply, counts = steady(20)
    with pytest.raises(ValueError, match="offset"):
        look(history([supply], [counts], until=24 * 20), Fleet(), at(24 * 20).replace(tzinfo=None))


# --- the pieces, against SciPy -----------------------------------------------------------------------------------


def test_the_sum_of_uneven_days_follows_the_gamma_law():
    """SciPy's gamma distribution: the day on which a gamma sum of known mean and spread reaches a number of pages."""
    use = replace(by_time(Fleet().habits), level=100.0, log_var=0.0, drift=0.0, variance=0.36, by_time=True)
    days = ahead(use, "UTC", at(-7).timestamp(), 60, frozenset())
    chance = runout.chances(np.array([900.0]), 0.0, runout.course(use, days))
    shape = days.worth**2 / (0.36 * days.square)
    exact = stats.gamma.sf(900.0, shape, scale=100.0 * days.worth / shape)
    np.testing.assert_allclose(chance, np.maximum.accumulate(exact), atol=0.012)


def test_an_unsure_level_of_use_follows_the_log_normal_law():
    """SciPy's log-normal distribution: even days, a level known only to a factor."""
    use = replace(by_time(Fleet().habits), level=100.0, log_var=0.04, drift=0.0, variance=1e-9, by_time=True)
    days = ahead(use, "UTC", at(-7).timestamp(), 60, frozenset())
    chance = runout.chances(np.array([1_500.0]), 0.0, runout.course(use, days))
    exact = stats.lognorm.sf(1_500.0 / (100.0 * days.worth), 0.2)
    np.testing.assert_allclose(chance, exact, atol=0.02)


def test_quantiles_of_nodes_agree_with_scipys_weighted_law():
    """The nodes of a full, unused cartridge are its log-normal prior; SciPy says its quantiles."""
    fresh = Wear((0.0, 0.0), True, True, 1.0, 1.0, 1.0, (0.0, 0.0), None, None, 0, False)
    found = runout.left(fresh, Steps(0.01), (np.log(0.0002), 0.09), 100.0)
    exact = stats.lognorm.ppf((0.1, 0.5, 0.9), 0.3, scale=5_000.0)
    assert found.quantiles(found.pages) == pytest.approx(exact, rel=0.03)


def test_the_next_life_is_weighed_as_normal_laws_are():
    """Two normal sources of information: the textbook posterior, written out."""
    prior = UsePrior(-8.0, 0.0, 0.09, 0.04, "")
    mean, variance, count = prior.after([(-8.4, 0.0), (-8.6, 0.0)])
    weight = 1 / 0.09 + 2 / 0.04
    assert mean == pytest.approx((-8.0 / 0.09 + (-8.4 - 8.6) / 0.04) / weight)
    assert variance == pytest.approx(1 / weight + 0.04)
    assert count == 2


def test_a_printers_own_lives_can_be_taken_out_of_the_fleets():
    first, second = UseMark(3, -8.0, 0.1, 0.01), UseMark(2, -9.0, 0.2, 0.0)
    both = KindSums().plus(first).plus(second)
    from agent.insight.kin import SupplySummary

    gone = SupplySummary(("m", "toner", ""), second, (), (), (0.01, 5), (0.0, 0.0, 0.0), None)
    assert both.minus(gone).mean == pytest.approx(-8.0)
    assert both.minus(gone).printers == 1


@given(st.floats(0.05, 0.95), st.lists(st.floats(0, 500), min_size=15, max_size=15).map(sorted))
def test_spread_quantiles_and_chances_are_each_others_inverse(chance, days):
    spread = Spread(at(0), tuple(days), 600.0)
    day = spread.quantile(chance)
    assert days[0] <= day <= days[-1]
    assert spread.chance_within(day + 1e-6) >= chance - 0.31
    assert spread.chance_within(days[0] - 1) == 0.0
    assert len(PROBABILITIES) == len(days)


@settings(max_examples=25)
@given(st.integers(10, 400), st.floats(0.00002, 0.002), st.sampled_from([1, 5, 10, 25]), st.integers(20, 150))
def test_whatever_was_printed_the_answer_is_in_order(pages, use, step, days):
    supply, counts = steady(days + 1, pages=pages, use=use, step=step)
    found = forecast(supply, counts, days)
    if found.empty is None:
        assert found.reason
        return
    assert list(found.empty.days) == sorted(found.empty.days)
    assert found.empty.days[0] >= 0
    assert all(0 <= chance <= 1 for chance in (*found.chance.values(), *found.chance_workdays))
    assert found.low.quantile(0.5) <= found.empty.quantile(0.5) + 1e-6
    assert found.empty_dates.p10 <= found.empty_dates.p50 <= found.empty_dates.p90
    assert found.empty_dates.p10 >= at(24 * days).date()
    assert found.pages_left[0] <= found.pages_left[1] <= found.pages_left[2]
