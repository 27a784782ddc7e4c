"""Where an alert belongs in the print process: the part, its stages, who may do it, what to take care of."""

from __future__ import annotations

from dataclasses import replace

from agent.insight.process import packaged
from agent.insight.symptoms import cautions_of
from agent.model.alert_words import ERRORS, TRAINING, Meaning
from agent.model.reading import Alert
from agent.model.symptom import AlertPlace
from agent.web.words import first_upper

_NOT_SAID = "the printer does not say"
_WHOLE = 4
"""A part with so many stages has to do with nearly the whole process, which need not be told one by one."""


def placed(alert: Alert, means: Meaning, supply: str) -> tuple[str, Meaning, tuple[str, ...]]:
    """``Fusing: fuser``, the meaning with who usually does it where the printer does not say, and cautions.

    ``supply``: the kind of the supply in the row that the alert names.
    """
    place = packaged().place_of_alert(alert, supply if alert.group == "markerSupplies" else "")
    who = means.who
    if alert.training not in TRAINING and place.who:
        who = f"{_NOT_SAID}; usually {TRAINING[place.who]}"
    return _words(place), replace(means, who=who), _care(place)


def of_bit(bit: str) -> tuple[Alert, Meaning, str, tuple[str, ...]]:
    """An error bit (hrPrinterDetectedErrorState) as an alert: what it means, where it belongs."""
    process = packaged()
    place = process.place_of_bit(bit)
    first = process.parts[place.part].check if place.part else "Look at what the printer's display says."
    who = f"{_NOT_SAID}; usually {TRAINING[place.who]}" if place.who else _NOT_SAID
    alert = Alert(0, "", "", "", -1, -2, bit, 0, "", None)
    return alert, Meaning(f"{first_upper(ERRORS[bit])}.", first, who), _words(place), _care(place)


def _words(place: AlertPlace) -> str:
    if not place.part:
        return ""
    stages = packaged().titles(place.stages)
    if not stages or len(stages) >= _WHOLE:
        return f"Part: {place.title}"
    return f"{first_upper(', '.join(stages).lower())}: {place.title}"


def _care(place: AlertPlace) -> tuple[str, ...]:
    return cautions_of(packaged().parts[place.part]) if place.part else ()
