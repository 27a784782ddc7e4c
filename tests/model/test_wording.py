"""Labels of the standards as words."""

from __future__ import annotations

import pytest

from agent.mib.alert_codes import ALERT_CODE
from agent.mib.enums import ENUMS, ERROR_BITS
from agent.model.alert_words import said_by
from agent.model.wording import called, part, spaced, supply_words


@pytest.mark.parametrize(
    ("label", "words"),
    [
        ("tenthsOfGrams", "tenths of grams"),
        ("inputTrayMissing", "input tray missing"),
        ("printerNMSReset", "printer NMS reset"),
        ("hostResourcesMIBStorageTable", "host resources MIB storage table"),
        ("impactMovingHeadDotMatrix9pin", "impact moving head dot matrix9pin"),
        ("electrophotographicLED", "electrophotographic LED"),
        ("eBeam", "e beam"),
        ("unlisted(99)", "unlisted(99)"),
        ("", ""),
        (" two  words ", "two words"),
    ],
)
def test_labels_become_words(label: str, words: str) -> None:
    assert spaced(label) == words


def test_no_label_of_the_standards_loses_or_gains_a_letter() -> None:
    for labels in ENUMS.values():
        for label in labels.values():
            assert spaced(label).replace(" ", "").lower() == label.lower()


def test_parts_are_called_as_a_technician_calls_them() -> None:
    assert part("opc", "cyan") == "cyan drum"
    assert part("wasteToner", "none") == "waste toner box"
    assert part("glueWaterAdditive", None) == "glue water additive"


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("toner:cyan", "cyan toner"),
        ("opc#2", "drum 2"),
        ("opc:black", "black drum"),
        ("wasteToner", "waste toner box"),
        ("opc:black (Imaging drum)", "black drum (Imaging drum)"),
        ("kit", "kit"),
        ("Big Service", "Big Service"),
        ("", ""),
    ],
)
def test_the_key_of_a_supply_becomes_words_and_a_plans_name_stays(key: str, words: str) -> None:
    assert supply_words(key) == words


def test_every_code_and_bit_can_stand_in_a_sentence() -> None:
    assert said_by("overduePreventMaint") == "maintenance is overdue"
    assert said_by("markerOpcLifeAlmostOver") == "the drum has nearly reached its life"
    assert said_by("subunitLifeOver") == "a part has reached its life"
    for code in (*ALERT_CODE.values(), *ERROR_BITS):
        assert not said_by(code).endswith("."), code
        assert "{" not in said_by(code), code
    assert said_by("odd\u202eCode") == "odd code"


@pytest.mark.parametrize(
    ("kind", "colorant", "description", "key", "words"),
    [
        ("toner", "cyan", "TN-40 \u202ecyan", "toner:cyan", "cyan toner"),
        ("opc", "cyan", "", "opc:cyan#2", "cyan drum 2"),
        ("covers", None, "Covers, blue", "covers", "covers"),
        ("other", None, "Adjustment\r\n blade", "other", "Adjustment blade"),
        ("unknown", "", "", "unknown#2", "unknown#2"),
        ("other", None, "", "", "other"),
    ],
)
def test_a_supply_has_one_name_wherever_it_is_told(
    kind: str, colorant: str | None, description: str, key: str, words: str
) -> None:
    # The kinds are those of RFC 3805, PrtMarkerSuppliesTypeTC.
    assert called(kind, colorant, description, key) == words
