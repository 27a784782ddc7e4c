"""The table of the print process: whole, sound, and complete against the standards."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.insight.process import ProcessFault, packaged, parse
from agent.mib.alert_codes import ALERT_CODE
from agent.mib.enums import ALERT_GROUP, ALERT_TRAINING, ERROR_BITS, SUPPLY_TYPE
from agent.model.cautions import for_supply
from agent.model.reading import Alert
from agent.model.symptom import ROLLERS

PROCESS = packaged()
TABLE = files("agent.insight").joinpath("process.toml").read_text("utf-8")
# What is about the printer as a whole, and not about a part of it.
ABOUT_THE_WHOLE = {
    "other", "unknown", "powerUp", "powerDown", "printerNMSReset", "printerManualReset", "printerReadyToPrint",
    "alertRemovalOfBinaryChangeEntry",
}  # fmt: skip


def alert(code: str, number: int, group: str = "generalPrinter") -> Alert:
    return Alert(1, "warning", "trained", group, 1, -2, code, number, "", None)


def test_the_seven_stages_stand_in_the_order_in_which_a_page_passes_them() -> None:
    # Textbooks of xerography, from memory.
    seven = [stage.name for stage in PROCESS.stages.values() if stage.process]
    assert seven == ["processing", "charging", "exposing", "developing", "transferring", "fusing", "cleaning"]


def test_every_fact_says_where_it_comes_from() -> None:
    assert {stage.source for stage in PROCESS.stages.values()} <= {
        "textbooks of xerography, from memory",
        "common practice, no source",
    }
    assert "common practice, no source" in TABLE[: TABLE.index("[stage")]


def test_every_alert_code_of_the_standards_belongs_to_a_part_or_to_the_whole() -> None:
    # The codes are compared with the MIB modules in tests/mib/test_standards.py.
    assert len(ALERT_CODE) == 707
    for number, code in ALERT_CODE.items():
        groups = [group for group in ALERT_GROUP.values() if number < 30000 or group.startswith("fin")]
        places = {PROCESS.place_of_alert(alert(code, number, group)).part for group in groups}
        if code in ABOUT_THE_WHOLE:
            assert places == {""}, code
        else:
            assert places - {""}, code
            assert places - {""} <= set(PROCESS.parts), code
        if 500 <= number < 30000:
            assert len(places) == 1, f"{code} names its part, and so means the same in every group"


def test_a_code_that_may_be_about_anything_is_placed_by_its_group() -> None:
    placed = {
        group: PROCESS.part_of("jam", 8, group) for group in ("input", "output", "mediaPath", "marker", "unlisted(77)")
    }
    assert placed == {
        "input": "feeder", "output": "output", "mediaPath": "paperPath", "marker": "paperPath",
        "unlisted(77)": "paperPath",
    }  # fmt: skip
    assert PROCESS.part_of("subunitOverTemperature", 36, "marker") == "fuser"
    assert PROCESS.part_of("subunitLifeOver", 11, "markerSupplies", "transferUnit") == "transfer"
    assert PROCESS.part_of("subunitLifeOver", 11, "markerSupplies", "opc") == "drum"
    assert PROCESS.part_of("staplerJam", 30208, "input") == "finisher"


def test_every_error_bit_of_rfc_2790_is_placed() -> None:
    assert set(PROCESS.of_bit) == set(ERROR_BITS)


def test_every_kind_of_supply_of_rfc_3805_is_a_part() -> None:
    assert set(SUPPLY_TYPE.values()) - set(PROCESS.of_supply) == {"other", "unknown"}
    assert set(PROCESS.of_supply) <= set(SUPPLY_TYPE.values())
    listed = [kind for part in PROCESS.parts.values() for kind in part.supplies]
    assert len(listed) == len(set(listed))


def test_groups_and_training_levels_are_the_standards() -> None:
    assert set(PROCESS.of_group) <= set(ALERT_GROUP.values())
    assert {part.who for part in PROCESS.parts.values()} <= set(ALERT_TRAINING.values()) - {"other", "unknown"}


def test_codes_in_the_table_are_the_standards() -> None:
    labels = set(ALERT_CODE.values())
    for key in PROCESS.of_code:
        group, _, code = key.rpartition("/")
        assert code in labels, key
        assert group in ("", "*") or group in ALERT_GROUP.values(), key


def test_every_roller_belongs_to_a_part_of_the_table() -> None:
    assert set(ROLLERS.values()) <= set(PROCESS.parts)


def test_parts_name_cautions_that_there_are() -> None:
    fallback = for_supply("no such kind")
    for part in PROCESS.parts.values():
        assert part.care in ("", "jam", "open") or for_supply(part.care) != fallback, part.name


def test_what_reaches_inside_is_left_to_service() -> None:
    for name in ("laser", "highVoltage", "drive", "eraser", "controller", "engine"):
        assert PROCESS.parts[name].who == "fieldService"


def test_texts_are_sentences_in_plain_signs() -> None:
    for one in PROCESS.symptoms.values():
        for text in (one.look, one.first, *(cause.why for cause in one.causes)):
            assert re.fullmatch(r"[A-Z].*[.?]", text), text
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", one.kind)
        assert len(one.causes) >= 3
    for part in PROCESS.parts.values():
        assert re.fullmatch(r"[A-Z].*[.?]", part.check), part.check


@pytest.mark.parametrize(
    ("word", "kind"),
    [("ghost", "ghost"), ("Grey_Background", "grey-background"), (" BLANK pages ", "blank-pages"), ("grey", None)],
)
def test_a_kind_is_found_however_it_is_written(word: str, kind: str | None) -> None:
    assert PROCESS.kind_of(word) == kind


@pytest.mark.parametrize(
    ("word", "near"),
    [
        ("gost", "ghost"), ("grey", "grey-background"), ("blankpage", "blank-pages"), ("wrinkels", "wrinkles"),
        ("paper jam", "jam"), ("one color missing", "one-colour-missing"),
    ],
)  # fmt: skip
def test_an_unknown_kind_leads_to_the_nearest(word: str, near: str) -> None:
    assert near in PROCESS.nearest(word)


@given(st.text(max_size=200))
def test_any_word_is_answered(word: str) -> None:
    kind = PROCESS.kind_of(word)
    assert kind is None or kind in PROCESS.symptoms
    assert set(PROCESS.nearest(word)) <= set(PROCESS.symptoms)


@given(st.text(max_size=30), st.integers(-10, 2**31), st.text(max_size=30), st.text(max_size=30))
def test_whatever_a_printer_reports_is_placed_or_not(code: str, number: int, group: str, supply: str) -> None:
    part = PROCESS.part_of(code, number, group, supply)
    assert part == "" or part in PROCESS.parts


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('stages = ["fusing"]', 'stages = ["fussing"]'),
        ('within = ["drum", "toner"]', 'within = ["drumm"]'),
        ('{ part = "fuser", weight = 4', '{ part = "fusor", weight = 4'),
        ('{ part = "fuser", weight = 4', '{ part = "fuser", weight = 11'),
        ('{ part = "fuser", weight = 4', '{ part = "drum", weight = 4'),
        ('lowPaper = "paper"', 'lowPaper = "papper"'),
        ('title = "Charging"', 'titel = "Charging"'),
        ("[symptom.ghost]", "[symptom.ghost"),
        ("[bit]", "[bits]"),
    ],
)
def test_a_table_that_does_not_hold_together_is_refused(old: str, new: str) -> None:
    assert tomllib.loads(TABLE)
    assert old in TABLE
    with pytest.raises(ProcessFault):
        parse(TABLE.replace(old, new, 1))
