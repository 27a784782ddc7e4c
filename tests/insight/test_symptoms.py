"""From a symptom to the parts behind it: the order by what is known of a printer, and every reason told."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.insight.clues import SOUND, SPENT, Case, clues, events, share
from agent.insight.process import packaged
from agent.insight.rollers import compare, factor, tolerance
from agent.insight.scene import Ground
from agent.insight.symptoms import IN_CARTRIDGE, OTHER_COLOUR, NotSeen, care, colours, rank, read
from agent.insight.upkeep import upkeep
from agent.model.contact import StatusPoint
from agent.model.fleet import LevelPoint, Printer, PrinterHistory
from agent.model.reading import Alert, Mark
from agent.model.symptom import Ranking, Roller, Seen, Suspect
from agent.model.upkeep import Plan
from tests.insight.printed import START, Gauge, Past

PROCESS = packaged()
DAY = 100.0
CALIBRATION = Plan("calibration", "Calibrate the colours", after=("toner:cyan", "opc"))
KIT = Plan("kit", "Fit the maintenance kit", impressions=5_000, rollers=(Roller.of_diameter("fuser roller", 25),))


def case(past: Past, *plans: Plan, day: float = DAY, statuses: Sequence[StatusPoint] = (), **more: object) -> Case:
    history, insight = past.history(), past.insight(day)
    rows = {number: gauge.key for number, gauge in enumerate(past.gauges, 1)}
    ground = Ground(history, insight, statuses[-1] if statuses else None, rows)
    due = upkeep(ground, plans, past.at(day))
    return Case(history, past.at(day), insight, due, statuses, rows, plans=plans, **more)  # type: ignore[arg-type]


def says(day: float, *alerts: Alert, errors: Sequence[str] = (), console: Sequence[str] = ()) -> StatusPoint:
    return StatusPoint(START + timedelta(days=day), "warning", "idle", frozenset(errors), tuple(console), alerts)


def alert(code: str, group: str, row: int, index: int = 1, severity: str = "warning", number: int = 0) -> Alert:
    return Alert(index, severity, "trained", group, row, -2, code, number, "", None)


def ranked(seen: str, told: Case, every: float | None = None, colour: str = "") -> Ranking:
    return rank(PROCESS, told, Seen(seen, every, colour))


def find(ranking: Ranking, part: str, *units: str) -> Suspect:
    return next(one for one in ranking.suspects if one.part == part and (not units or one.units == units))


def reasons(one: Suspect) -> str:
    return " | ".join(f"{reason.kind}: {reason.text}" for reason in one.reasons)


BLACK, DRUM = Gauge("toner:black", 30_000, 1.0), Gauge("opc:black", 15_000, 1.0, at_empty=False)


def worn() -> Past:
    """By day 100 it has printed 14,400 pages (72 workdays of 200): 4 % of the drum's life are left."""
    return Past(days=100, gauges=(BLACK, DRUM))


# --- lives and exchanges ---------------------------------------------------------------------------------------------


def test_a_drum_whose_life_is_nearly_over_stands_first_for_a_grey_background() -> None:
    found = ranked("grey-background", case(worn()))
    first = found.suspects[0]
    assert (first.part, first.name, first.units) == ("drum", "black drum", ("opc:black",))
    assert "black drum: 4 % is left" in reasons(first)
    assert first.score == pytest.approx(5 * 3.0)


def test_a_drum_in_its_prime_makes_way_for_others() -> None:
    young = Past(days=100, gauges=(Gauge("opc:black", 60_000, 1.0),))
    found = ranked("grey-background", case(young))
    assert find(found, "drum").score == pytest.approx(5 * 0.7)
    assert found.suspects[0].part != "drum"


def test_a_part_exchanged_yesterday_is_suspect_itself() -> None:
    past = Past(days=101, gauges=(Gauge("toner:black", 6_000, 1.0, (28, 63, 99), at_empty=False),))
    toner = ranked("blank-pages", case(past)).suspects[0]
    assert toner.part == "toner"
    assert "black toner was exchanged yesterday (Tue 10 Jun): a new part may be faulty" in reasons(toner)
    later = find(ranked("blank-pages", case(past, day=101 - 0.01)), "toner")
    assert later.score <= toner.score


def test_after_two_weeks_a_new_part_is_no_news() -> None:
    past = Past(days=100, gauges=(Gauge("toner:black", 12_000, 1.0, (70,), at_empty=False),))
    assert "new" not in {reason.kind for reason in find(ranked("blank-pages", case(past)), "toner").reasons}


def test_a_new_cartridge_also_speaks_for_what_may_sit_in_it() -> None:
    past = Past(days=101, gauges=(Gauge("toner:black", 6_000, 1.0, (28, 63, 99), at_empty=False),))
    drum = find(ranked("repeating-mark", case(past)), "drum")
    assert "it may sit in what is new: black toner was exchanged yesterday" in reasons(drum)
    own = replace(past, gauges=(*past.gauges, Gauge("opc:black", 60_000, 0.9)))
    assert "may sit" not in reasons(find(ranked("repeating-mark", case(own)), "drum"))


def test_a_counter_that_nobody_set_back_says_nothing_of_the_part() -> None:
    past = Past(days=100, gauges=(Gauge("opc:black", 15_000, 1.0, at_empty=False),)).logged(80, "opc:black", "swapped")
    told = case(past)
    assert told.upkeep is not None
    assert [one.kind for one in told.upkeep.disagreements] == ["counterNotReset"]
    assert "spent" not in {one.kind for one in clues(PROCESS, told)}


def test_each_colour_is_a_suspect_of_its_own_where_something_is_known_of_it() -> None:
    lasting = {"black": (14_600, 0.75), "cyan": (20_000, 1.0), "yellow": (14_600, 1.0)}
    gauges = tuple(Gauge(f"toner:{one}", *told, at_empty=False) for one, told in lasting.items())
    told = case(Past(days=100, gauges=gauges))
    found = ranked("one-colour-missing", told)
    # By then cyan has 28 % left, of which nothing is said; yellow 1 %; black ran dry.
    toners = [one for one in found.suspects if one.part == "toner"]
    assert [one.units for one in toners] == [("toner:black",), ("toner:yellow",), ("toner:cyan",)]
    assert toners[0].score == pytest.approx(6 * 4.0)
    assert colours(told) == ("black", "cyan", "yellow")
    only = ranked("one-colour-missing", told, colour="cyan")
    assert find(only, "toner", "toner:cyan").score == pytest.approx(6)
    assert "it is of another colour than cyan" in reasons(find(only, "toner", "toner:yellow"))


# --- upkeep ----------------------------------------------------------------------------------------------------------


def test_what_was_not_calibrated_since_an_exchange_stands_first_for_wrong_colours() -> None:
    past = Past(
        days=100, gauges=(Gauge("toner:cyan", 9_000, 1.0, (40, 85), at_empty=False), Gauge("toner:black", 30_000))
    )
    first = ranked("wrong-colours", case(past, CALIBRATION)).suspects[0]
    assert first.part == "calibration"
    assert "not calibrated since it fell due: due after the exchange of" in reasons(first)
    done = past.logged(86, "calibration")
    assert find(ranked("wrong-colours", case(done, CALIBRATION)), "calibration").reasons == ()


def test_overdue_upkeep_speaks_for_the_parts_that_it_is_about() -> None:
    told = case(worn().logged(1, "kit", counter=200), KIT)
    fuser = find(ranked("wipes-off", told), "fuser")
    assert "upkeep: Fit the maintenance kit: overdue (overdue by " in reasons(fuser)
    assert fuser.score == pytest.approx(6 * 2.5)


# --- what the printer says -------------------------------------------------------------------------------------------


def test_an_alert_that_stands_names_its_part() -> None:
    cold = alert("markerFuserUnderTemperature", "marker", 1, severity="critical", number=1001)
    first = ranked("wipes-off", case(worn(), statuses=[says(99, cold)])).suspects[0]
    assert first.part == "fuser"
    assert "it says now: The fuser is too cold; print would smear" in reasons(first)


def test_memory_alerts_of_the_interpreter_speak_for_memory() -> None:
    plain = ranked("slow-complex", case(worn()))
    complex_page = alert("interpreterComplexPageEncountered", "interpreter", 1, number=1509)
    statuses = [point for day in (92, 94, 96) for point in (says(day, replace(complex_page, index=day)), says(day + 1))]
    first = ranked("slow-complex", case(worn(), statuses=statuses)).suspects[0]
    assert first.part == "memory"
    assert "it said 3 times in the last 30 days: A page was too complex to be drawn" in reasons(first)
    assert first.score > find(plain, "memory").score


def test_jams_are_counted_by_tray() -> None:
    jams = [("input", 2)] * 3 + [("mediaPath", 1)]
    statuses = []
    for number, (group, row) in enumerate(jams):
        statuses += [says(90 + number, alert("jam", group, row, number + 1, "critical", 8)), says(90.5 + number)]
    found = ranked("jam", case(worn(), statuses=statuses, trays={1: "Tray 1", 2: "Tray 2"}))
    first = found.suspects[0]
    assert (first.part, first.units, first.name) == ("feeder", ("tray:2",), "tray and its feed rollers: Tray 2")
    assert "3 of 4 jams in the last 90 days were there: Tray 2" in reasons(first)
    assert "1 of 4 jams in the last 90 days was there" in reasons(find(found, "paperPath"))
    others = next(one for one in found.suspects if one.part == "feeder" and not one.units)
    assert others.name == "tray and its feed rollers (the others)"
    assert others.score < first.score


def test_one_alert_that_stands_for_long_is_one_event() -> None:
    jam = alert("jam", "input", 1)
    assert len(events([says(1, jam), says(2, jam, alert("coverOpen", "cover", 1, 2)), says(3, jam)])) == 2
    assert len(events([says(1, jam), says(2), says(3, jam)])) == 2


def test_a_full_waste_box_is_told_by_level_alert_or_display() -> None:
    box = Past(days=100, gauges=(Gauge("wasteToner", 14_000, 1.0, at_empty=False),))
    assert "waste toner box: " in reasons(find(ranked("spots", case(box)), "wasteBox"))
    full = alert("markerWasteTonerReceptacleFull", "markerSupplies", 9, number=1109)
    by_alert = find(ranked("spots", case(worn(), statuses=[says(99, full)])), "wasteBox")
    assert by_alert.score == pytest.approx(3 * 4.0)
    by_display = find(ranked("spots", case(worn(), statuses=[says(99, console=["Replace waste unit"])])), "wasteBox")
    assert 'its display says "Replace waste unit"' in reasons(by_display)


def test_a_printer_with_error_bits_alone_is_heard_too() -> None:
    bare = Past(days=100, gauges=())
    found = ranked("faded", case(bare, statuses=[says(99, errors=["lowToner", "overduePreventMaint", "bit 15"])]))
    assert "it says now: toner is low" in reasons(find(found, "toner"))
    assert "upkeep: What the printer asks for by itself: due" in reasons(find(found, "drum"))


def test_that_paper_is_out_or_a_calibration_runs_is_no_fault() -> None:
    empty = alert("inputMediaSupplyEmpty", "input", 1, severity="critical", number=808)
    running = alert("markerAdjustingPrintQuality", "marker", 1, 2, number=1005)
    ready = alert("powerUp", "generalPrinter", -1, 3, number=503)
    told = case(Past(days=100), statuses=[says(99, empty, running, ready)])
    assert clues(PROCESS, told) == ()


def test_heavy_paper_in_a_tray_speaks_for_paper_and_its_setting() -> None:
    told = case(worn(), trays={1: "Tray 1"}, media={1: "labels", 2: "stationery"})
    assert "Tray 1 is set to labels (label)" in reasons(find(ranked("wipes-off", told), "paperSetting"))


# --- distances -------------------------------------------------------------------------------------------------------


def test_a_distance_that_fits_a_roller_of_the_model_puts_its_part_first() -> None:
    found = ranked("repeating-mark", case(worn(), KIT), every=78.0)  # 25 mm x pi = 78.54 mm
    first = found.suspects[0]
    assert first.part == "fuser"
    assert "roller: fuser roller, diameter 25 mm: one turn is 78.5 mm, off by -0.5 mm (up to 1.5 mm may be)" in reasons(
        first
    )
    assert [one.roller.name for one in found.rollers] == ["fuser roller"]
    assert first.matches == found.rollers


def test_a_distance_that_fits_none_is_told_with_those_there_are() -> None:
    found = ranked("repeating-mark", case(worn(), KIT), every=120)
    assert "none of its rollers has this circumference" in reasons(find(found, "fuser"))
    assert find(found, "fuser").score == pytest.approx(4 * 0.3)
    assert any(
        "None of the rollers in the plans of Tallgrass M40 fits: fuser roller 78.5 mm" in one for one in found.notes
    )


def test_without_rollers_the_diameter_is_told_and_what_to_write_down() -> None:
    found = ranked("ghost", case(worn()), every=94.2)
    assert any("a diameter of 30.0 mm" in one for one in found.notes)
    assert any("name no rollers of Tallgrass M40 (upkeep, rollers)" in one for one in found.notes)
    assert found.rollers == ()
    assert any("With the distance in mm" in one for one in ranked("ghost", case(worn())).notes)


# --- how far it can be trusted ---------------------------------------------------------------------------------------


def test_scores_are_the_product_of_what_is_told_and_never_a_certainty() -> None:
    told = case(worn().logged(1, "kit", counter=200), KIT, CALIBRATION, statuses=[says(99, alert("jam", "input", 1))])
    for symptom in PROCESS.symptoms.values():
        found = ranked(symptom.kind, told)
        scores = [one.score for one in found.suspects]
        assert scores == sorted(scores, reverse=True)
        assert {one.part for one in found.suspects} == {cause.part for cause in symptom.causes}
        for one in found.suspects:
            assert one.score == pytest.approx(one.weight * math.prod(reason.factor for reason in one.reasons))
            assert len({reason.kind for reason in one.reasons}) == len(one.reasons), "each kind of clue counts once"
        assert found.verdict


def test_without_any_clue_the_order_is_said_to_be_common_practice() -> None:
    nothing = Case(PrinterHistory(Printer(7, "new", "192.0.2.7"), (), (), ()), Past().at(3))
    found = ranked("skew", nothing)
    assert found.suspects[0].part == "feeder"
    assert "common practice alone" in found.verdict
    assert "Nothing has been read from this printer by then." in found.notes


def test_a_silent_printer_is_said_to_be_silent() -> None:
    assert any(
        "has not answered since 10 days ago (Wed 11 Jun)" in one for one in ranked("skew", case(worn(), day=110)).notes
    )


def test_an_ink_printer_is_told_that_the_table_is_not_about_it() -> None:
    notes = ranked("spots", case(worn(), mark_techs=("inkjetAqueous",))).notes
    assert any("marks by inkjetAqueous" in one for one in notes)
    assert not any(
        "marks by" in one for one in ranked("spots", case(worn(), mark_techs=("electrophotographicLED",))).notes
    )


def test_cautions_stand_with_the_parts_and_the_makers_manual_comes_last() -> None:
    found = ranked("wipes-off", case(worn()))
    assert any("hot enough to burn" in line for line in find(found, "fuser").cautions)
    lines = care(found.suspects)
    assert len(lines) == len(set(lines))
    assert "maker's service manual" in lines[-1]
    assert "qualified service" in lines[-1]


# --- what cannot be --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "every", "colour", "where", "text"),
    [
        ("grey", None, "", "seen", "did you mean grey-background"),
        ("qqq", None, "", "seen", "known are repeating-mark, light-stripe-along"),
        ("ghost", -3.0, "", "every", "-3 mm is no distance"),
        ("ghost", 0.0, "", "every", "from 1 to 1500"),
        ("ghost", 1e9, "", "every", "from 1 to 1500"),
        ("ghost", math.nan, "", "every", "from 1 to 1500"),
        ("jam", 94.0, "", "every", "says nothing about jam"),
        ("jam", None, "red", "colour", "one colour only"),
    ],
)
def test_what_cannot_be_is_said_with_what_can(
    kind: str, every: float | None, colour: str, where: str, text: str
) -> None:
    with pytest.raises(NotSeen) as caught:
        ranked(kind, case(worn()), every, colour)
    assert caught.value.where == where
    assert text in str(caught.value)
    assert caught.value.status == 2


def test_the_document_tells_the_factors_that_are_reckoned_with() -> None:
    text = (Path(__file__).parents[2] / "docs" / "symptoms.md").read_text("utf-8")
    rows = dict(re.findall(r"^\| (.+) \| (?:up to )?([0-9.]+) \|$", text, re.MULTILINE))
    told = {words: float(number) for words, number in rows.items()}
    assert told["nothing is left of its life or filling; a receptacle is full"] == dict(SPENT)[0.0]
    assert told["at most 5 % is left"] == dict(SPENT)[0.05]
    assert told["at most 15 % is left"] == dict(SPENT)[0.15]
    assert told["more than half is left"] == SOUND
    assert told["it may sit in a cartridge that was exchanged lately"] == IN_CARTRIDGE
    assert told["it is of another colour than the one that shows the fault"] == OTHER_COLOUR
    drum = Roller.of_diameter("drum", 30)
    assert told["one of its rollers fits the distance"] == factor(compare(drum.around, [drum]))
    assert told["none of its rollers fits the distance"] == factor(compare(70, [drum]))
    assert f"{tolerance(drum.around):.1f} mm at 94.2 mm" in text


NASTY = st.text(max_size=40)


@settings(max_examples=60)
@given(
    st.lists(
        st.builds(
            Alert, st.integers(-1, 2**31), NASTY, NASTY, st.sampled_from(["input", "marker", "markerSupplies", "x"]),
            st.integers(-2, 5), st.integers(-2, 5), st.sampled_from(["jam", "subunitLifeOver", "odd", ""]),
            st.integers(-5, 40_000), NASTY, st.none(),
        ),
        max_size=6,
    ),
    st.lists(NASTY, max_size=4),
    st.dictionaries(st.integers(0, 5), NASTY, max_size=4),
    st.sampled_from(sorted(PROCESS.symptoms)),
)  # fmt: skip
def test_whatever_a_printer_says_there_is_a_ranking(
    alerts: list[Alert], console: list[str], trays: dict[int, str], kind: str
) -> None:
    told = replace(BASE, statuses=[says(98, *alerts, console=console), says(99)], trays=trays, media=trays)
    found = rank(PROCESS, told, read(PROCESS, kind))
    assert found.suspects
    for one in found.suspects:
        assert math.isfinite(one.score)
        assert one.score > 0
        assert all(reason.text.isprintable() for reason in one.reasons)
        assert one.name.isprintable()


BASE = case(worn())


@pytest.mark.parametrize(
    ("level", "capacity", "unit", "left"),
    [
        (25, 100, "percent", 0.25), (25, Mark.UNKNOWN, "percent", 0.25), (25, Mark.UNKNOWN, "impressions", None),
        (Mark.SOME, 100, "percent", None), (120, 100, "percent", 1.0), (3, 0, "percent", None), (0, 100, "grams", 0.0),
    ],
)  # fmt: skip
def test_a_share_is_reckoned_as_for_a_supply(level: object, capacity: object, unit: str, left: float | None) -> None:
    assert share(LevelPoint(START, level, capacity), unit) == left  # type: ignore[arg-type]
