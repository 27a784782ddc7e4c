"""Upkeep: due by pages, by days, after an exchange, when the printer says so; and where printer and ledger differ."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest

from agent.insight import costs
from agent.insight.kin import Fleet
from agent.insight.printer import look
from agent.insight.scene import Ground
from agent.insight.shelf import Shelf
from agent.insight.upkeep import upkeep
from agent.insight.yields import Witness
from agent.model.contact import StatusPoint
from agent.model.fleet import CountPoint
from agent.model.reading import Alert
from agent.model.upkeep import Plan, PrinterUpkeep, UpkeepItem
from tests.insight.printed import START, Gauge, Past

KIT = Plan("kit", impressions=20_000, needs=("KIT",), reports=("overduePreventMaint",))
DRUM = Plan("drum", impressions=30_000, renews=("opc",))
CALIBRATION = Plan("calibration", after=("toner:cyan", "opc", "kit"))


def seen(past: Past, day: float, *plans: Plan, status: StatusPoint | None = None, **more: object) -> PrinterUpkeep:
    ground = Ground(past.history(), past.insight(day), status, **more)  # type: ignore[arg-type]
    return upkeep(ground, plans, past.at(day))


def item(past: Past, day: float, *plans: Plan, status: StatusPoint | None = None, **more: object) -> UpkeepItem:
    return seen(past, day, *plans, status=status, **more).items[0]


def says(day: float, *errors: str, alerts: tuple[Alert, ...] = ()) -> StatusPoint:
    return StatusPoint(START + timedelta(days=day), "warning", "idle", frozenset(errors), (), alerts)


def alert(code: str, row: int = -1, group: str = "generalPrinter") -> Alert:
    return Alert(1, "warning", "trained", group, row, -2, code, 0, "", None)


# --- by pages --------------------------------------------------------------------------------------------------------


def test_a_service_starts_the_next_interval_from_the_counter_at_the_service():
    past = Past(days=100, count=50_000).logged(40, "kit", counter=56_000)
    one = item(past, 100, KIT)
    # Seven workdays in ten: 72 of the 100 days are workdays, so the counter stands at 64,400.
    assert one.count == 64_400
    assert one.begin.count == 56_000
    assert (one.due_count, one.left, one.state) == (76_000, 11_600, "fine")


def test_without_a_logged_counter_the_readings_tell_it():
    past = Past(days=100, count=50_000).logged(40, "kit")
    assert item(past, 100, KIT).begin.count == 56_000


def test_the_expected_day_lies_where_the_use_brings_it():
    past = Past(days=100).logged(40, "kit")
    one = item(past, 100, KIT)
    # 11,600 pages at 200 a workday are 58 workdays: 11.6 weeks after Wednesday the 11th of June.
    exact = date(2025, 6, 11) + timedelta(days=round(11.6 * 7))
    assert one.expected is not None
    assert one.expected.p10 <= exact <= one.expected.p90
    assert abs((one.expected.p50 - exact).days) <= 6
    assert (one.expected.p90 - one.expected.p10).days >= 4


def test_overdue_is_said_in_impressions():
    one = item(Past(days=200).logged(40, "kit"), 200, KIT)
    assert (one.state, one.left) == ("overdue", 20_000 - one.count + 6_000)
    assert f"overdue by {-one.left:,} impressions" in one.because


def test_soon_is_within_two_weeks():
    past = Past(days=160).logged(20, "kit")
    assert item(past, 140, KIT).state == "fine"
    assert item(past, 155, KIT).state == "soon"


def test_without_any_service_it_is_taken_to_have_been_kept_and_says_so():
    one = item(Past(days=100, count=50_000), 100, KIT)
    assert (one.due_count, one.begin.assumed, one.state) == (80_000, True, "fine")
    assert "no service is logged" in one.because[0]
    assert "lowmark service" in one.because[0]


def test_a_service_before_the_history_needs_its_counter():
    past = Past(days=100, count=50_000).logged(-30, "kit", counter=47_000)
    assert item(past, 100, KIT).left == 20_000 - 17_400
    past = Past(days=100, count=50_000).logged(-30, "kit")
    found = seen(past, 100, KIT)
    assert (found.items[0].state, found.items[0].left) == ("notKnown", None)
    assert "log it again with --counter" in found.notes[0]


def test_a_logged_counter_that_cannot_be_is_not_believed():
    past = Past(days=100, count=50_000).logged(40, "kit", counter=5_600)
    found = seen(past, 100, KIT)
    assert (found.items[0].left, found.items[0].begin.count) == (11_600, 56_000)
    assert "does not fit the readings" in found.notes[0]


def test_a_counter_that_was_reset_does_not_upset_the_interval():
    past = Past(days=100, count=50_000).logged(40, "kit")
    history = past.history()
    (track,) = history.counters
    points = tuple(
        type(point)(point.at, point.value - 58_800 if point.at > past.at(60) else point.value) for point in track.points
    )
    history = replace(history, counters=(replace(track, points=points),))
    found = upkeep(Ground(history, past.insight(100)), [KIT], past.at(100))
    # The board was exchanged on day 60; what was printed since the service is still known, to a day's pages.
    assert found.items[0].left == pytest.approx(11_600, abs=200)
    assert found.items[0].due_count == found.items[0].count + found.items[0].left


def test_a_printer_without_a_counter_says_so():
    past = Past(days=100, counter=None, gauges=(Gauge("toner:black", 6_000),))
    one = item(past, 100, KIT)
    assert (one.state, one.count) == ("notKnown", None)
    assert one.reason == "the printer has no counter that says how much it printed"


# --- by days ---------------------------------------------------------------------------------------------------------

CLEAN = Plan("clean", days=90)


def test_days_are_the_sites_days():
    # 23:30 UTC on the 1st of April is the 2nd in Berlin.
    past = Past(days=200, zone="Europe/Berlin")
    past.logged((datetime(2025, 4, 1, 23, 30, tzinfo=ZoneInfo("UTC")) - START) / timedelta(days=1), "clean")
    one = item(past, 100, CLEAN)
    assert one.due_day == date(2025, 4, 2) + timedelta(days=90)
    past.zone = "UTC"
    assert item(past, 100, CLEAN).due_day == date(2025, 4, 1) + timedelta(days=90)


def test_overdue_by_days():
    one = item(Past(days=200).logged(10, "clean"), 112, CLEAN)
    assert (one.state, one.overdue_days) == ("overdue", 12)
    assert one.because[0] == "overdue by 12 days"
    assert item(Past(days=200).logged(10, "clean"), 100, CLEAN).state == "due"


def test_whichever_is_over_first_counts():
    both = Plan("both", impressions=20_000, days=60)
    one = item(Past(days=100).logged(40, "both"), 60, both)
    assert one.expected is not None
    assert one.expected.p50 == one.due_day == date(2025, 6, 11)


def test_never_logged_counts_from_when_it_was_first_seen():
    one = item(Past(days=200), 50, CLEAN)
    assert (one.due_day, one.begin.assumed) == (date(2025, 6, 1), True)


def test_the_last_day_of_the_calendar_is_no_stumbling_block():
    assert item(Past(days=20), 19, Plan("never", days=3_652_000)).due_day == date.max


# --- what the printer says -------------------------------------------------------------------------------------------


def test_what_the_printer_reports_merges_with_the_plans_item():
    past = Past(days=100).logged(10, "kit")
    found = seen(past, 100, KIT, status=says(99, "overduePreventMaint", "lowToner"))
    assert [one.plan for one in found.items] == ["kit"]
    assert (found.items[0].state, found.items[0].reported) == ("due", ("overduePreventMaint",))
    assert "the printer says so: maintenance is overdue" in found.items[0].because


def test_life_almost_over_of_a_drum_belongs_to_the_drums_plan():
    past = Past(days=100, gauges=(Gauge("opc:black", 40_000, 0.5), Gauge("toner:black", 6_000)))
    status = says(99, alerts=(alert("markerOpcLifeAlmostOver"),))
    assert item(past, 100, DRUM, status=status).state == "soon"
    near = says(99, alerts=(alert("subunitNearLimit", 3, "markerSupplies"),))
    assert item(past, 100, DRUM, status=near, rows={3: "opc:black"}).reported == ("subunitNearLimit",)


def test_what_no_plan_claims_is_an_item_of_its_own_and_nothing_is_lost():
    past = Past(days=100, gauges=(Gauge("opc:black", 40_000, 0.5),))
    status = says(99, "overduePreventMaint", alerts=(alert("subunitLifeOver", 3, "markerSupplies"), alert("jam")))
    found = seen(past, 100, DRUM, status=status, rows={3: "toner:black"})
    (extra,) = [one for one in found.items if not one.planned]
    assert (extra.plan, extra.state) == ("reported", "due")
    assert extra.reported == ("overduePreventMaint", "subunitLifeOver")


# --- follow-ups ------------------------------------------------------------------------------------------------------


def coloured(day: int) -> Past:
    return Past(
        days=100, model="Quillon C720", gauges=(Gauge("toner:cyan", 30_000, 0.5, (day,)), Gauge("toner:black", 2_000))
    )


def test_an_exchange_of_a_colour_asks_for_a_calibration_until_it_is_logged():
    one = item(coloured(80), 90, CALIBRATION)
    assert one.state == "due"
    assert "cyan toner (Thu 22 May)" in one.because[0]
    past = coloured(80).logged(81, "calibration")
    assert item(past, 90, CALIBRATION).state == "fine"


def test_a_swap_logged_and_seen_is_one_and_the_calibration_of_the_same_service_closes_it():
    # The technician logs swap and calibration at noon; Lowmark sees the level a little later.
    past = coloured(80).logged(80.4, "toner:cyan").logged(80.4, "calibration")
    past.logged(80.52, "toner:cyan", kind="swapSeen")
    assert item(past, 90, CALIBRATION).state == "fine"


def test_the_service_of_another_plan_asks_too_and_all_reasons_stand_on_one_card():
    past = coloured(80).logged(85, "kit", counter=12_000)
    found = seen(past, 90, CALIBRATION, KIT)
    (one,) = [each for each in found.items if each.plan == "calibration"]
    assert "kit (Tue 27 May)" in one.because[0]
    assert "cyan toner (Thu 22 May)" in one.because[0]
    assert one.followed is not None
    assert one.followed.date() == date(2025, 5, 22)


def test_black_toner_asks_for_nothing_and_an_old_exchange_no_more():
    assert item(coloured(200), 90, CALIBRATION).state == "fine"
    assert item(coloured(20), 95, CALIBRATION).state == "fine"


def test_plans_for_colour_leave_black_printers_alone():
    plan = Plan("calibration", colour_only=True, days=30)
    assert seen(Past(days=50, gauges=(Gauge("toner:black", 6_000),)), 50, plan).items == ()
    assert len(seen(coloured(20), 50, plan).items) == 1
    assert seen(Past(days=50), 50, Plan("kit", models=("Quillon*",), days=9)).items == ()


# --- printer and ledger ----------------------------------------------------------------------------------------------


def drum(*swaps: int, begin: float = 0.3) -> Past:
    return Past(days=120, gauges=(Gauge("opc:black", 40_000, begin, swaps, at_empty=False),))


def test_a_counter_that_was_not_reset_is_found_after_so_many_sweeps():
    past = drum().logged(60, "drum")
    assert seen(past, 60 + 4 / 1440, DRUM).disagreements == ()
    (found,) = seen(past, 61, DRUM).disagreements
    assert (found.kind, found.plan, found.supply) == ("counterNotReset", "drum", "opc:black")
    assert found.shows == pytest.approx(0.07, abs=0.02)
    assert found.should == pytest.approx(0.99, abs=0.02)
    assert "reset its counter" in found.text


def test_a_reset_that_is_seen_settles_it_even_days_later():
    assert seen(drum(60).logged(60.5, "drum"), 61, DRUM).disagreements == ()
    assert len(seen(drum(66).logged(60, "drum"), 65, DRUM).disagreements) == 1
    assert seen(drum(66).logged(60, "drum"), 70, DRUM).disagreements == ()


def test_a_gauge_that_was_nearly_new_before_cannot_tell():
    assert seen(drum(begin=1.0).logged(10, "drum"), 12, DRUM).disagreements == ()


def test_a_drum_logged_by_its_supply_alone_is_checked_too():
    (found,) = seen(drum().logged(60, "opc:black"), 61).disagreements
    assert (found.plan, found.supply) == ("", "opc:black")


def test_a_gauge_without_numbers_is_not_judged():
    past = Past(days=120, gauges=(Gauge("opc:black", 400_000, 0.3, some=True),)).logged(60, "drum")
    assert seen(past, 62, DRUM).disagreements == ()


def test_a_maintenance_bit_that_stays_after_the_kit_was_logged_is_a_counter_not_reset():
    past = Past(days=100).logged(60, "kit")
    found = seen(past, 61, KIT, status=says(50, "overduePreventMaint"))
    assert [one.kind for one in found.disagreements] == ["counterNotReset"]
    assert found.items[0].state == "fine"  # the work itself is done
    assert seen(past, 61, KIT, status=says(60.4)).disagreements == ()
    # A whole interval later the bit is right.
    late = seen(Past(days=260).logged(60, "kit"), 210, KIT, status=says(205, "overduePreventMaint"))
    assert late.disagreements == ()


def test_a_new_part_that_nobody_logged_is_asked_for():
    found = seen(drum(60), 64, DRUM)
    (one,) = found.disagreements
    assert (one.kind, one.plan, one.count) == ("serviceNotLogged", "drum", 9_000)
    assert "lowmark upkeep accept desk-1 drum" in one.text
    # Meanwhile the interval is reckoned from what the printer shows.
    assert found.items[0].left == 30_000 - 200
    assert "nobody logged" in found.items[0].because[0]


def test_an_accepted_suggestion_is_asked_for_no_more():
    assert seen(drum(60).logged(60.5, "drum", accepted=True), 70, DRUM).disagreements == ()
    assert seen(drum(60).logged(60.5, "opc:black"), 70, DRUM).disagreements == ()


def test_a_plan_for_several_parts_wants_all_of_them():
    gauges = (Gauge("opc:black", 40_000, 0.3, (60,), at_empty=False), Gauge("opc:cyan", 40_000, 0.4, at_empty=False))
    assert seen(Past(days=120, gauges=gauges), 70, DRUM).disagreements == ()


# --- the rest --------------------------------------------------------------------------------------------------------


def test_a_plan_without_pages_takes_its_day_from_the_gauge_it_renews():
    past = Past(days=100, gauges=(Gauge("opc:black", 30_000, 1.0, at_empty=False),))
    plan = Plan("drum", renews=("opc",), reports=("markerOpcLifeOver",))
    ground = Ground(past.history(), past.insight(90, declared={"opc:black": 30_000}))
    one = upkeep(ground, [plan], past.at(90)).items[0]
    forecast = ground.insight.forecasts[0]
    assert one.expected == forecast.empty_dates
    assert one.expected is not None


def test_the_most_urgent_comes_first():
    past = Past(days=200).logged(150, "kit").logged(10, "clean")
    assert [one.plan for one in seen(past, 190, KIT, CLEAN).items] == ["clean", "kit"]


def test_nothing_after_the_moment_asked_for_is_looked_at():
    past = Past(days=200, count=50_000).logged(150, "kit", counter=1)
    assert item(past, 100, KIT).count == 64_400
    assert item(past, 100, KIT).begin.assumed


def test_a_moment_must_say_its_offset():
    past = Past(days=5)
    with pytest.raises(ValueError, match="offset"):
        upkeep(Ground(past.history(), past.insight(4)), [KIT], datetime(2025, 3, 9))  # noqa: DTZ001


def test_readings_out_of_order_and_twice_change_nothing():
    past = Past(days=100, gauges=(Gauge("opc:black", 40_000, 0.3, (60,), at_empty=False),)).logged(40, "kit")
    history = past.history()
    shuffled = replace(
        history,
        counters=tuple(replace(one, points=_shuffled(one.points)) for one in history.counters),
        supplies=tuple(replace(one, points=_shuffled(one.points)) for one in history.supplies),
        ledger=tuple(reversed(history.ledger)),
    )
    plain = upkeep(Ground(history, past.insight(100)), [KIT, DRUM], past.at(100))
    again = upkeep(Ground(shuffled, look(shuffled, Fleet(), past.at(100))), [KIT, DRUM], past.at(100))
    assert again.items == plain.items
    assert again.disagreements == plain.disagreements


def _shuffled(points):
    mixed = [*points, *points[:7]]
    Random(3).shuffle(mixed)
    return tuple(mixed)


def test_a_hostile_history_stops_nothing():
    """Clock jumps, a supply that vanishes, two of one name, a capacity that changes, counts that cannot be."""
    past = Past(days=60, gauges=(Gauge("opc:black", 40_000, 0.5), Gauge("opc:black", 20_000)))
    past.logged(20, "kit", counter="many").logged(21, "kit", counter=-4).logged(22, "drum", counter=True).logged(23, "")
    history = past.history()
    first, second = history.supplies
    (track,) = history.counters
    odd = [CountPoint(past.at(30), 2**31), CountPoint(past.at(31), 0), CountPoint(past.at(-20_000), 7)]
    uneven = tuple(replace(one, capacity=0 if n % 3 else 7) for n, one in enumerate(second.points))
    wild = replace(
        history,
        counters=(replace(track, points=(*track.points, *odd, CountPoint(past.at(20_000), 9))),),
        supplies=(
            replace(first, points=first.points[:40]),
            replace(second, points=uneven),
            replace(second, key="toner:cyan", points=()),
        ),
    )
    insight = look(wild, Fleet(), past.at(55))
    found = upkeep(Ground(wild, insight), [KIT, DRUM, CLEAN, CALIBRATION], past.at(55))
    assert {one.plan for one in found.items} == {"kit", "drum", "clean", "calibration"}
    assert costs.yields_of([Witness(wild, insight)], Shelf(()), past.at(55)).printers


def test_an_unknown_zone_and_an_empty_history_do_not_stop_it():
    past = Past(days=0, zone="Nowhere/Land", counter=None)
    found = seen(past, 1, KIT, CLEAN, CALIBRATION)
    assert {one.plan for one in found.items} == {"kit", "clean", "calibration"}
