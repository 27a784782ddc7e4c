"""The round: what is on it and why, what joins, what waits, what is carried, and in which words."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from agent.insight.jobs import Morning, slug
from agent.insight.rounds import plan_round
from agent.model.alarm import AlarmState
from agent.model.insight import Forecast, Life
from agent.model.proof import (
    COUNTER_RESET,
    LEVEL_BACK,
    MISSING,
    PROVING,
    UNPROVEN,
    WAITING,
    Check,
    Deed,
    Proof,
    Service,
)
from agent.model.round import (
    ALARM,
    COUNTER,
    DUE,
    EMPTY,
    JOINS,
    OVERDUE,
    RUN_OUT,
    STAGES,
    STANDS,
    WEIGHED,
    Card,
    Rhythm,
    Round,
    RoundTerms,
    Swap,
)
from agent.model.round import UNPROVEN as NOT_PROVEN
from agent.model.shelf import OpenOrder
from tests.insight.walked import (
    CALIBRATION,
    DRUM,
    KIT,
    NOW,
    TODAY,
    alarm,
    forecast,
    item,
    large,
    morning,
    printer,
    spot,
)


def planned(*spots, **more) -> Round:
    return plan_round(morning(*spots, **more), NOW)


def only(made: Round) -> Card:
    (card,) = made.cards
    return card


# --- what is on the round ---------------------------------------------------------------------------------------------


def test_what_will_probably_run_dry_before_the_next_round_is_on_it_with_its_numbers():
    card = only(planned(spot(printer(1), forecast(1, "toner:black", 0.8, 0.5))))
    assert (card.key, card.deed, card.title, card.urgency) == (
        "1.toner.black",
        "toner:black",
        "Exchange the black toner",
        DUE,
    )
    (why,) = [one for one in card.why if one.kind == RUN_OUT]
    assert why.chance == pytest.approx(0.7, abs=0.15)
    assert why.p10 <= why.p50 <= why.p90
    assert re.search(r"runs out about Wed 18 Mar .*; chance \d+ % before the next round on Thu 19 Mar", why.text)


def test_what_lasts_for_weeks_waits_and_says_what_doing_it_now_would_give_up():
    made = planned(spot(printer(1), forecast(1, "toner:black", 12)))
    assert made.visits == ()
    (wait,) = made.waits
    assert "now would give up about 1,1" in wait.why  # 12 days at 100 pages, less what is printed before ten o'clock
    assert wait.due is not None
    assert wait.is_due is False


def test_too_early_costs_pages_and_too_late_a_standstill():
    # Five days left, give or take one: the chance of a dry day is small, and 500 pages are worth 12 minutes.
    worth = spot(printer(1), forecast(1, "toner:black", 5, 1.0))
    assert planned(worth).visits == ()
    # Where the walk is long and rounds are rare, it is dearer to come back for it.
    rare = RoundTerms(Rhythm(days=(2,), walk=40.0))
    made = planned(worth, terms=rare)
    assert only(made).urgency == DUE
    assert made.next_day == date(2026, 3, 25)


def test_a_standstill_that_costs_more_is_guarded_against_earlier():
    doubtful = spot(printer(1), forecast(1, "toner:black", 3.5, 1.2))
    assert planned(doubtful, terms=RoundTerms(standstill=20, sure=0.8)).visits == ()
    assert planned(doubtful, terms=RoundTerms(standstill=2000, sure=0.8)).visits != ()


def test_what_is_due_although_it_will_hardly_run_out_says_what_makes_it_due():
    # It may end any day within three weeks, and little is lost by doing it now.
    doubtful = forecast(1, "wasteToner", 12, 4.5)
    card = only(planned(spot(printer(1), doubtful)))
    assert card.urgency == DUE
    assert [one.kind for one in card.why] == [RUN_OUT, WEIGHED]
    assert "chance under 1 % before the next round" in card.why[0].text
    found = re.fullmatch(
        r"it costs no more now \((\S+) min, with the walk and what is left in it\) than later \((\S+) min\)",
        card.why[1].text,
    )
    assert found is not None
    assert float(found[1]) <= float(found[2])
    # The same where no round is made that day: what is due says why.
    at_depot = spot(printer(1, site="Depot"), doubtful)
    busy = spot(printer(2), forecast(2, "toner:black", 0.8))
    (wait,) = planned(at_depot, busy, terms=RoundTerms(sites=(("Depot", Rhythm(days=(0,))),))).waits
    assert wait.is_due
    assert "it costs no more now" in wait.why


@settings(max_examples=60)
@given(st.floats(1, 60), st.floats(0.1, 20), st.sampled_from(["toner:black", "wasteToner", "opc:black"]))
def test_nothing_is_due_for_a_chance_of_next_to_nothing_alone(days, spread, supply):
    for card in planned(spot(printer(1), forecast(1, supply, days, spread))).cards:
        (when,) = [one for one in card.why if one.kind == RUN_OUT]
        others = [one for one in card.why if one.kind != RUN_OUT]
        assert others or when.chance >= 0.01 or when.p50 <= TODAY


def test_a_job_joins_a_visit_that_happens_anyway_and_says_how_many_pages_that_gives_up():
    two = spot(printer(1), forecast(1, "toner:black", 0.8), forecast(1, "wasteToner", 4))
    made = planned(two)
    waste = next(one for one in made.cards if one.supply == "wasteToner")
    assert waste.urgency == JOINS
    assert waste.given_up == pytest.approx(390, abs=20)
    assert "somebody goes there anyway: about 39" in waste.why[-1].text
    assert planned(spot(printer(1), forecast(1, "wasteToner", 4))).visits == ()


def test_a_fuller_cartridge_does_not_join():
    made = planned(spot(printer(1), forecast(1, "toner:black", 0.8), forecast(1, "toner:black#2", 30)))
    assert [one.supply for one in made.cards] == ["toner:black"]


def test_nothing_joins_that_has_more_than_a_fifth_of_its_life_left_however_far_the_walk_is():
    far = RoundTerms(Rhythm(walk=300.0))
    both = spot(printer(1), forecast(1, "toner:black", 0.3), forecast(1, "wasteToner", 20))  # of 60 days
    assert [one.supply for one in planned(both, terms=far).cards] == ["toner:black"]
    both = spot(printer(1), forecast(1, "toner:black", 0.3), forecast(1, "wasteToner", 10))
    assert len(planned(both, terms=far).cards) == 2


def long_lasting(days: float) -> Forecast:
    """A waste box that is nearly full and lasts a year: what is left in it is worth next to nothing."""
    return replace(forecast(1, "wasteToner", days), level=days / 365)


def test_only_what_is_due_soon_joins_a_visit_however_little_is_given_up():
    assert [
        one.supply for one in planned(spot(printer(1), forecast(1, "toner:black", 0.3), long_lasting(49))).cards
    ] == ["toner:black"]
    far = RoundTerms(Rhythm(walk=300.0))
    for days, within, joins in (
        (13, 14.0, True),
        (16, 14.0, False),
        (16, 17.0, True),
        (49, 14.0, False),
        (49, 60.0, True),
    ):
        both = spot(printer(1), forecast(1, "toner:black", 0.3), long_lasting(days))
        found = planned(both, terms=replace(far, join_within=within))
        assert ("wasteToner" in {one.supply for one in found.cards}) is joins, (days, within)


def test_the_sums_say_that_it_was_too_late_to_join():
    found = planned(
        spot(printer(1), forecast(1, "toner:black", 0.3), long_lasting(16)), terms=RoundTerms(Rhythm(walk=300))
    )
    waste = next(one for one in found.weighings if one.key == "1.wasteToner")
    assert (waste.decision, waste.why) == ("wait", "expected too late to join a visit (rounds.join_within)")


def test_what_has_probably_run_out_is_never_left_off():
    careless = RoundTerms(standstill=0.0, sure=0.01)  # nothing that the sums or the settings would guard against
    today = spot(printer(1), forecast(1, "toner:black", 0.6, 1.5, pages=30_000))
    assert only(planned(today, terms=careless)).supply == "toner:black"
    assert planned(spot(printer(1), forecast(1, "toner:black", 3, 1.5, pages=30_000)), terms=careless).visits == ()
    low = replace(alarm(1, "supplyBelow", "toner:black"), state=AlarmState.SHELVED, shelved_reason="ordered")
    assert only(planned(today, alarms=[low])).supply == "toner:black"
    assert planned(spot(printer(1), forecast(1, "toner:black", 3)), alarms=[low]).visits == ()


def life(supply: str, shown: float | None) -> Life:
    begun = None if shown is None else 1.0
    kind = supply.partition(":")[0]
    return Life(supply, kind, 1, NOW - timedelta(days=40), None, 4000, begun, shown, shown, "stillIn", 1.0, 1.0)


def test_a_card_promises_to_see_only_what_the_printer_can_show():
    at = spot(printer(1), forecast(1, "toner:black", 0.4))
    shows = replace(at, insight=replace(at.insight, lives=(life("toner:black", 0.1),)))
    assert "the black toner has to show more than the 10 % of before" in only(planned(shows)).proof
    some = replace(at, insight=replace(at.insight, lives=(life("toner:black", None),)))
    text = only(planned(some)).proof
    assert text.startswith("Of the black toner this printer shows no level, only that there is something left")
    assert "%" not in text


def test_the_sums_say_why():
    made = planned(spot(printer(1), forecast(1, "toner:black", 0.8), forecast(1, "wasteToner", 4)))
    by_key = {one.key: one for one in made.weighings}
    black, waste = by_key["1.toner.black"], by_key["1.wasteToner"]
    assert (black.decision, black.held) == ("now", True)
    assert "more than the 10 % that the settings allow" in black.why
    assert black.risk == pytest.approx(black.chance * black.standstill)
    assert black.cost_now == pytest.approx(black.waste + black.walk)
    # 89.50 for 6,000 pages.
    assert black.money == (Decimal("89.50") * Decimal(str(black.pages)) / 6000).quantize(Decimal("0.01"))
    assert (waste.decision, waste.walk) == ("join", 0.0)
    assert waste.waste < waste.cost_later


def test_an_empty_cartridge_stands_still_and_goes_even_where_no_round_is_made_that_day():
    terms = RoundTerms(sites=(("Depot", Rhythm(days=(0,))),))
    made = planned(
        spot(printer(1), forecast(1, "toner:black", 0.8)),
        spot(printer(2, site="Depot"), forecast(2, "toner:black", 5), empty=["toner:black"]),
        spot(printer(3, site="Depot"), forecast(3, "toner:black", 0.5)),
        terms=terms,
    )
    assert {one.printer_id: one.urgency for one in made.visits} == {1: DUE, 2: STANDS}
    assert made.visits[0].cards[0].why[0].kind == EMPTY
    (wait,) = made.waits
    assert wait.is_due
    kept, why = wait.why.split("; runs out about ")
    assert kept == "due, but no round is made at Depot that day; the next is on Mon 23 Mar"
    assert re.search(r"chance \d+ % before the next round on Mon 23 Mar|chance over 99 %", why)


def test_the_round_is_that_of_the_next_day_on_which_one_is_made():
    monday = RoundTerms(Rhythm(days=(0,)))
    made = planned(spot(printer(1), forecast(1, "toner:black", 0.8)), terms=monday)
    assert (made.day, made.next_day) == (date(2026, 3, 23), date(2026, 3, 30))
    asked = plan_round(morning(spot(printer(1), forecast(1, "toner:black", 0.8)), terms=monday), NOW, day=TODAY)
    assert (asked.day, len(asked.cards)) == (TODAY, 1)


def test_a_worn_drum_or_a_plan_is_on_the_round_when_it_is_due():
    made = planned(
        spot(printer(1), items=[item(1, KIT, "overdue", left=-400)]),
        spot(printer(2), items=[item(2, DRUM, "due", left=0)]),
        spot(printer(3), items=[item(3, DRUM, "fine", left=25_000, days=250)]),
    )
    assert [(one.deed, one.urgency) for one in made.cards] == [("kit", OVERDUE), ("drum", DUE)]
    why = made.cards[0].why[0]
    assert (why.kind, why.count, why.due_count) == (COUNTER, 50_000, 49_600)
    assert why.text == "counter 50,000 against 49,600: over by 400"
    assert made.cards[0].minutes == 25
    assert "The kit weighs 6 kg" in made.cards[0].cautions


def test_a_supply_that_a_plan_renews_is_one_job_with_the_plan():
    made = planned(
        spot(printer(1), forecast(1, "opc:black", 0.5), items=[item(1, DRUM, "soon", 900, 9, supplies=("opc:black",))])
    )
    card = only(made)
    assert (card.deed, card.supply) == ("drum", "opc:black")
    assert {one.kind for one in card.why} == {COUNTER, RUN_OUT}
    assert "black drum has to show as new" in card.proof
    assert [one.stage for one in card.steps if one.stage == "protect"] == ["protect"]


def test_an_exchange_brings_its_follow_up_along_in_the_same_visit():
    made = planned(spot(printer(1, "Quillon C720"), forecast(1, "toner:cyan", 0.5)))
    card = only(made)
    assert card.follows == ("calibration",)
    assert made.visits[0].minutes == card.minutes + 5
    assert [one.text for one in card.steps[-3:-1]] == ["Calibrate the colours.", "Let the queue go again."]
    assert card.steps[-1].text.endswith("lowmark service 1 --did toner:cyan,calibration")


def test_a_follow_up_that_is_a_card_itself_is_not_said_twice():
    due = item(1, CALIBRATION, "due", followed=NOW, because=("due after the exchange of toner:cyan (2026-03-17)",))
    made = planned(spot(printer(1, "Quillon C720"), forecast(1, "toner:cyan", 0.5), items=[due]))
    assert {one.deed for one in made.cards} == {"toner:cyan", "calibration"}
    assert all(one.follows == () for one in made.cards)


# --- alarms -----------------------------------------------------------------------------------------------------------


def test_an_alarm_about_a_supply_is_a_reason_of_its_job_and_throws_no_pages_away():
    low = alarm(1, "supplyBelow", "toner:black", text="black toner: 12 % left")
    assert planned(spot(printer(1), forecast(1, "toner:black", 8)), alarms=[low]).visits == ()
    card = only(planned(spot(printer(1), forecast(1, "toner:black", 0.5)), alarms=[low]))
    (why,) = [one for one in card.why if one.kind == ALARM]
    assert why.text == "black toner: 12 % left; alarm supplyBelow since Wed 18 Mar 02:30"
    assert why.since == NOW - timedelta(hours=5)


def test_where_no_run_out_can_be_told_a_low_level_has_to_do():
    unknown = replace(forecast(1, "toner:black", 5), empty=None, empty_dates=None, reason="too early to tell")
    card = only(planned(spot(printer(1), unknown), alarms=[alarm(1, "supplyBelow", "toner:black")]))
    assert card.urgency == DUE


def test_a_jam_and_a_silent_printer_are_jobs_that_end_by_themselves():
    jam = alarm(1, "printerAlert", "jam:mediaPath:1", text="critical alert: jam", alert_code="jam",
                alert_severity="critical", alert_group="mediaPath")  # fmt: skip
    silent = alarm(2, "unreachable", "contact", text="does not answer")
    made = planned(spot(printer(1)), spot(printer(2)), alarms=[jam, silent])
    one, two = made.cards
    assert (one.deed, one.urgency, two.deed, two.urgency) == ("", STANDS, "", DUE)
    assert any("hot enough to burn" in line for line in one.cautions)
    assert "Open it as its label shows" in one.steps[0].text
    assert all(step.stage != "log" for step in (*one.steps, *two.steps))
    assert re.fullmatch(r"[A-Za-z0-9._~-]+", one.key)


def test_an_alert_about_a_row_of_the_supplies_belongs_to_that_supply():
    empty = alarm(1, "printerAlert", "subunitEmpty:markerSupplies:3", alert_code="subunitEmpty",
                  alert_severity="critical", alert_group="markerSupplies")  # fmt: skip
    at = replace(spot(printer(1), forecast(1, "toner:black", 9)), rows={3: "toner:black"})
    card = only(planned(at, alarms=[empty]))
    assert (card.supply, card.urgency) == ("toner:black", STANDS)


def test_alarms_that_somebody_set_aside_call_nobody():
    jam = alarm(1, "printerAlert", "jam:mediaPath:1", alert_code="jam", alert_severity="critical")
    shelved = replace(jam, state=AlarmState.SHELVED, shelved_reason="waits for service")
    (wait,) = planned(spot(printer(1)), alarms=[shelved]).waits
    assert wait.why == "its alarm is shelved: waits for service"
    for state in (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE):
        made = planned(spot(printer(1)), alarms=[replace(jam, state=state)])
        assert (made.visits, made.waits) == ((), ())
    over = replace(jam, active=False, returned_at=NOW - timedelta(hours=1))
    assert planned(spot(printer(1)), alarms=[over]).visits == ()


def test_a_silent_site_is_said_before_anybody_walks():
    site = replace(alarm(1, "siteSilent", "Depot", text="9 of 9 printers at Depot do not answer"), printer_id=None)
    assert planned(spot(printer(1)), alarms=[site]).remarks[0].startswith("9 of 9 printers at Depot do not answer")


# --- services and their proof -----------------------------------------------------------------------------------------


def proof(state: str, *checks: Check, deeds: tuple[str, ...] = ("toner:black",)) -> Proof:
    service = Service(7, 1, "Night desk", NOW - timedelta(hours=20), tuple(Deed(one) for one in deeds))
    return Proof(service, checks, state, NOW + timedelta(hours=1), tuple(one.words for one in checks))


def test_a_service_that_is_not_proven_keeps_its_card_open_with_what_is_missing():
    missing = Check(COUNTER_RESET, "drum", MISSING, "the drum's counter was not reset")
    seen = Check(LEVEL_BACK, "toner:black", "seen", "the black toner shows 100 %")
    made = planned(
        spot(printer(1), forecast(1, "toner:black", 40), items=[item(1, DRUM, "fine", 30_000, 300)]),
        proofs=[proof(UNPROVEN, missing, seen, deeds=("toner:black", "drum"))],
    )
    card = only(made)
    assert (card.deed, card.urgency, card.bring) == ("drum", OVERDUE, ())
    assert card.why[0].kind == NOT_PROVEN
    assert "by Night desk, but not proven: the drum's counter was not reset" in card.why[0].text
    assert any("Look whether the right part is in" in step.text for step in card.steps)


def test_a_service_that_the_printer_has_still_time_to_show_is_not_asked_for_again():
    waiting = proof(PROVING, Check(LEVEL_BACK, "toner:black", WAITING, "waits"))
    made = planned(spot(printer(1), forecast(1, "toner:black", 0.3), empty=["toner:black"]), proofs=[waiting])
    assert made.visits == ()
    (wait,) = made.waits
    assert wait.is_due
    assert "logged as done by Night desk; the printer has until Wed 18 Mar 08:30 to show it" in wait.why


def test_what_was_taken_back_counts_for_nothing():
    gone = proof(UNPROVEN, Check(LEVEL_BACK, "toner:black", MISSING, "no"))
    gone = replace(gone, service=replace(gone.service, withdrawn=True))
    assert planned(spot(printer(1), forecast(1, "toner:black", 40)), proofs=[gone]).visits == ()


# --- what is carried --------------------------------------------------------------------------------------------------


def dry(count: int) -> list:
    return [spot(printer(number), forecast(number, "toner:black", 0.2 + number / 20)) for number in range(1, count + 1)]


def test_the_bag_is_the_sum_of_the_cards_by_place():
    made = planned(*dry(5), stock={("TG-40K", "Cupboard 3"): 3, ("TG-40K", "Cellar"): 9})
    assert [(one.part, one.place, one.count, one.on_shelf) for one in made.carry] == [
        ("TG-40K", "Cellar", 2, 9),
        ("TG-40K", "Cupboard 3", 3, 3),
    ]
    assert made.lacking == ()


def test_the_most_urgent_get_the_last_ones_and_the_others_are_told():
    spots = dry(3)
    late = replace(spots[2], empty=frozenset(("toner:black",)))
    made = planned(spots[0], spots[1], late, stock={("TG-40K", "Cupboard 3"): 1})
    notes = {one.printer_id: one.bring[0].note for one in made.cards}
    assert notes == {
        1: "none left after the printers before: none ordered, order now",
        2: "none left after the printers before: none ordered, order now",
        3: "",
    }
    assert [(one.part, one.count, one.note) for one in made.lacking] == [("TG-40K", 2, "none ordered, order now")]


def test_none_on_the_shelf_says_what_is_ordered():
    order = OpenOrder("TG-40K", 6, NOW, "Night desk", NOW + timedelta(days=5))
    card = only(planned(*dry(1), stock={("TG-40K", "Cupboard 3"): 0}, orders=[order]))
    (bring,) = card.bring
    assert bring.lacking
    assert bring.note == "none on the shelf: 6 ordered, expected Mon 23 Mar"


def test_a_part_that_nobody_counted_and_a_supply_without_a_part_are_told_apart():
    made = planned(*dry(1), spot(printer(9), forecast(9, "fuser", 0.2)), stock={})
    assert [(one.bring[0].part, one.bring[0].note) for one in made.cards] == [
        ("TG-40K", "nobody counted how many there are"),
        ("", "no part of the settings fits it"),
    ]
    assert made.cards[1].bring[0].what == "fuser for Tallgrass M40"


def test_nothing_joins_for_which_there_is_no_part():
    two = spot(printer(1, "Quillon C720"), forecast(1, "fuser", 0.3), forecast(1, "toner:cyan", 3.0, 0.7))
    assert len(planned(two).cards) == 2
    made = planned(two, stock={("QU-C", "Cupboard 3"): 0})
    assert [one.supply for one in made.cards] == ["fuser"]
    assert made.waits[0].why == "it could join this visit, but none is on the shelf"


# --- how it is done ---------------------------------------------------------------------------------------------------


def test_the_steps_of_a_visit_are_in_the_order_of_the_trade_and_what_is_shared_is_said_once():
    made = planned(
        spot(printer(1), forecast(1, "toner:black", 0.2), forecast(1, "opc:black", 0.2), forecast(1, "fuser", 0.2))
    )
    (visit,) = made.visits
    stages = [STAGES.index(one.stage) for one in visit.steps]
    assert stages == sorted(stages)
    texts = [one.text for one in visit.steps]
    assert len([one for one in texts if one.startswith("Pause the queue")]) == 1
    order = [next(at for at, text in enumerate(texts) if text.startswith(word)) for word in
             ("Pause", "Read the page counter", "Switch the printer off", "Let it cool", "Cover the drum", "Plug in",
              "Print a test page", "Log it")]  # fmt: skip
    assert order == sorted(order)
    assert texts[-1].endswith("--did toner:black,opc:black,fuser") or "toner:black" in texts[-1]
    assert visit.minutes == sum(one.minutes for one in visit.cards)


# Common practice of the trade, no source.
@pytest.mark.parametrize(
    ("supply", "words"),
    [
        ("toner:black", ["do not breathe it in", "no ordinary vacuum cleaner", "cold water", "local rules"]),
        ("opc:black", ["from light", "from fingers"]),
        ("fuser", ["pull the plug", "hot enough to burn", "never defeat an interlock", "two hands"]),
        ("wasteToner", ["Never pour waste toner", "level"]),
    ],
)
def test_the_cautions_go_with_the_part_and_defer_to_the_manual(supply, words):
    card = only(planned(spot(printer(1), forecast(1, supply, 0.2))))
    text = " ".join(card.cautions)
    for word in (*words, "service manual", "local codes", "qualified service"):
        assert word in text
    assert "service manual" in card.cautions[-1]


def test_the_settings_may_say_how_an_exchange_is_done():
    terms = RoundTerms(swaps=(("toner", Swap(9, ("Ask at the counter",), ("Mind the step",))),))
    card = only(planned(*dry(1), terms=terms))
    assert card.minutes == 9
    assert "Ask at the counter" in [one.text for one in card.steps]
    assert card.cautions[0] == "Mind the step"


def test_what_a_printer_says_of_itself_is_one_harmless_line():
    who = replace(printer(1, "Evil\x1b[2J\u202e\nmodel"), name="<b>\x00\u2066desk\r\n1")
    made = planned(
        spot(who, forecast(1, "toner:black", 0.3), replace(forecast(1, "other", 0.3), description="x\x1b[31m"))
    )
    for text in (made.visits[0].printer, made.visits[0].model, *(one.title for one in made.cards)):
        assert text.isprintable()
    assert "\u202e" not in str(made.visits[0].bring)


# --- what always holds ------------------------------------------------------------------------------------------------

SUPPLIES = ("toner:black", "toner:cyan", "wasteToner", "opc:black", "fuser", "staples")


@st.composite
def mornings(draw) -> Morning:
    spots, alarms = [], []
    for number in range(1, draw(st.integers(1, 5)) + 1):
        who = printer(number, draw(st.sampled_from(["Tallgrass M40", "Quillon C720"])),
                      site=draw(st.sampled_from(["Main library", "Depot"])),
                      room=draw(st.sampled_from(["1", "2", "10"])))  # fmt: skip
        keys = draw(st.lists(st.sampled_from(SUPPLIES), unique=True, max_size=4))
        gauges = [forecast(number, key, draw(st.floats(0, 30)), draw(st.floats(0.1, 4))) for key in keys]
        empty = [key for key in keys if draw(st.integers(0, 5)) == 0]
        items = [
            item(number, plan, draw(st.sampled_from(["overdue", "due", "soon", "fine", "notKnown"])), 500, 6)
            for plan in (KIT, CALIBRATION)
            if draw(st.booleans())
        ]
        spots.append(spot(who, *gauges, items=items, empty=empty))
        if draw(st.integers(0, 3)) == 0:
            alarms.append(alarm(number, "printerAlert", "jam:mediaPath:1", alert_code="jam", alert_severity="critical"))
        if keys and draw(st.integers(0, 3)) == 0:
            alarms.append(alarm(number, "supplyEmpty", keys[0]))
    stock = {("TG-40K", "Cupboard 3"): draw(st.integers(0, 3)), ("TG-KIT", "Cellar"): draw(st.integers(0, 2))}
    terms = RoundTerms(
        Rhythm(days=tuple(sorted(draw(st.sets(st.integers(0, 6)))))), (("Depot", Rhythm(days=(2, 4), walk=30)),),
        standstill=draw(st.sampled_from([0.0, 30.0, 500.0])), sure=draw(st.sampled_from([0.5, 0.9, 0.99])),
    )  # fmt: skip
    return morning(*spots, stock=stock, alarms=alarms, terms=terms)


def due_keys(given_morning: Morning) -> set[str]:
    """What is due by itself: empty, an empty alarm, a jam, an item that is due."""
    found = set()
    for one in given_morning.spots:
        number = one.printer.id
        found |= {f"{number}.{slug(key)}" for key in one.empty}
        found |= {f"{number}.{each.plan}" for each in one.upkeep.items if each.state in ("overdue", "due")}
    for one in given_morning.alarms:
        jam = one.rule == "printerAlert"
        found.add(
            f"{one.printer_id}.alarm.printerAlert.jam.mediaPath.1" if jam else f"{one.printer_id}.{slug(one.subject)}"
        )
    return found


@settings(max_examples=150)
@given(mornings())
def test_no_job_is_lost(given_morning):
    made = plan_round(given_morning, NOW)
    shown = {one.key for one in made.cards}
    waiting = {one.key: one for one in made.waits}
    assert due_keys(given_morning) <= shown | waiting.keys()
    assert not shown & waiting.keys()
    assert all(one.why for one in made.waits)
    for key in due_keys(given_morning) & waiting.keys():
        assert waiting[key].is_due
    keys = [one.key for one in made.cards]
    assert len(keys) == len(set(keys))
    assert all(re.fullmatch(r"[A-Za-z0-9._~-]+", key) for key in keys)


@settings(max_examples=100)
@given(mornings())
def test_merging_loses_no_caution_no_step_and_no_part(given_morning):
    made = plan_round(given_morning, NOW)
    for visit in made.visits:
        assert {line for card in visit.cards for line in card.cautions} == set(visit.cautions)
        assert set(visit.cautions) <= set(made.cautions)
        own = {one.text for card in visit.cards for one in card.steps if one.stage != "log"}
        assert own == {one.text for one in visit.steps if one.stage != "log"}
        assert len(visit.cautions) == len(set(visit.cautions))
        assert sum(one.count for one in visit.bring) == sum(one.count for card in visit.cards for one in card.bring)
    brought = sum(one.count for card in made.cards for one in card.bring)
    assert brought == sum(one.count for one in (*made.carry, *made.lacking))
    for one in made.carry:
        assert one.on_shelf is None or one.count <= one.on_shelf
    assert made.minutes == sum(one.minutes + one.walk for one in made.visits)


@settings(max_examples=60)
@given(mornings(), st.randoms(use_true_random=False))
def test_the_same_morning_makes_the_same_round_in_whatever_order_it_is_told(given_morning, dice):
    spots = list(given_morning.spots)
    dice.shuffle(spots)
    assert plan_round(replace(given_morning, spots=spots), NOW) == plan_round(given_morning, NOW)


def test_a_card_keeps_its_key_from_day_to_day():
    at = spot(printer(1), forecast(1, "toner:black", 0.4))
    later = plan_round(morning(at), NOW + timedelta(days=1))
    assert only(later).key == only(planned(at)).key


@given(st.text(min_size=1, max_size=30), st.text(min_size=1, max_size=30))
def test_keys_are_safe_in_an_address_and_never_the_same_for_two_deeds(one, other):
    assert re.fullmatch(r"[A-Za-z0-9._~-]+", slug(one))
    if one.encode("utf-8", "replace") != other.encode("utf-8", "replace"):
        assert slug(one) != slug(other)


def test_a_moment_must_say_its_offset():
    with pytest.raises(ValueError, match="offset"):
        plan_round(morning(), NOW.replace(tzinfo=None))


def test_two_hundred_printers_are_walked_by_place():
    made = plan_round(large(200), NOW)
    assert len(made.visits) == 200
    assert [one.number for one in made.visits] == list(range(1, 201))
    places = [(one.place.site, one.place.building) for one in made.visits]
    assert places == sorted(places)


@settings(max_examples=80)
@given(mornings(), st.floats(20, 200))
def test_what_is_far_off_may_be_left_out_of_the_reckoning(given_morning, days):
    """A forecast far beyond the round changes nothing on it (the planner leaves such ones out for speed)."""
    assume(given_morning.terms.rhythm.days)  # where no other round ever comes nothing is far off
    more = [
        replace(one, insight=replace(one.insight, forecasts=(*one.insight.forecasts, far_off(one.printer.id, days))))
        for one in given_morning.spots
    ]
    plain, fuller = plan_round(given_morning, NOW), plan_round(replace(given_morning, spots=more), NOW)
    assert fuller.visits == plain.visits


def far_off(number: int, days: float):
    return replace(forecast(number, "transferUnit", 60 + days, 2.0), level=0.9)


def test_upkeep_that_joins_says_how_much_earlier_that_is():
    soon = item(1, DRUM, "soon", left=900, days=9)
    made = planned(spot(printer(1), forecast(1, "toner:black", 0.4), items=[soon]))
    drum = next(one for one in made.cards if one.deed == "drum")
    assert drum.urgency == JOINS
    assert "its interval ends about 9 days early" in drum.why[-1].text
