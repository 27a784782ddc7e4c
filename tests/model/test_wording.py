"""Labels of the standards as words."""

from __future__ import annotations

import pytest

from agent.mib.enums import ENUMS
from agent.model.wording import part, spaced


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
