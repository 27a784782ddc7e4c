"""What turns in a model of printer, and how large it is: for marks that repeat on paper."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from agent.model.symptom import Roller
from agent.settings.section import Section
from agent.settings.units import read_text, wrong

_SIZE = r"^[0-9]+(\.[0-9]+)?\s?mm( on paper)?$"
_EXPECTED = "a diameter like 30mm, or the distance of its marks like 94.2mm on paper"
_THINNEST, _THICKEST = 3.0, 400.0
_CLOSEST, _FURTHEST = 5.0, 1500.0


def _size(given: object) -> str:
    text = read_text(given)
    if not isinstance(text, str) or not re.fullmatch(_SIZE, text):
        raise wrong(_EXPECTED, "say the unit: mm" if not isinstance(given, str) or given[-1:].isdigit() else "")
    return text


def _sensible(text: str) -> str:
    value, on_paper = _read(text)
    least, most = (_CLOSEST, _FURTHEST) if on_paper else (_THINNEST, _THICKEST)
    if not least <= value <= most:
        what = "a distance on paper" if on_paper else "a diameter"
        raise wrong(f"{what} from {least:g}mm to {most:g}mm")
    return text


def _read(text: str) -> tuple[float, bool]:
    number, _, rest = text.partition("mm")
    return float(number), bool(rest)


Size = Annotated[
    str,
    BeforeValidator(_size),
    AfterValidator(_sensible),
    WithJsonSchema({"type": "string", "pattern": _SIZE, "examples": ["30mm", "94.2mm on paper"]}),
]


class Rollers(Section):
    """What turns in these models: its diameter, or the distance at which it marks the paper again."""

    drum: Annotated[Size | None, Field(description="The drum.")] = None
    charge_roller: Annotated[Size | None, Field(description="The roller that charges the drum.")] = None
    developing_roller: Annotated[Size | None, Field(description="The roller that brings the toner to the drum.")] = None
    toner_roller: Annotated[Size | None, Field(description="The roller that brings toner to the developing one.")] = (
        None
    )
    transfer_roller: Annotated[Size | None, Field(description="The roller that draws the toner to the paper.")] = None
    transfer_belt: Annotated[Size | None, Field(description="The belt; its length is a distance on paper.")] = None
    fuser_roller: Annotated[Size | None, Field(description="The hot roller or sleeve of the fuser.")] = None
    pressure_roller: Annotated[Size | None, Field(description="The roller that presses against it.")] = None
    registration_roller: Annotated[Size | None, Field(description="The roller that sets the sheet straight.")] = None
    feed_roller: Annotated[Size | None, Field(description="The roller that takes the sheet from the tray.")] = None

    def rollers(self) -> tuple[Roller, ...]:
        """They as the core takes them."""
        made = []
        for key in type(self).model_fields:
            text: str | None = getattr(self, key)
            if text is not None:
                value, on_paper = _read(text)
                name = key.replace("_", " ")
                made.append(Roller(name, value) if on_paper else Roller.of_diameter(name, value))
        return tuple(made)
