"""The print process as a table: stages, the parts behind them, what belongs where, and what faults look like.

The table is ``process.toml`` beside this file; its shapes are those of ``agent.model.symptom``::

    [stage.NAME]     title, does, source; process: one of the seven stages of electrophotography
    [part.NAME]      title, stages, who (PrtAlertTrainingLevelTC), check; and where it has them supplies, within, care,
                     wears, said (see ``Piece``)
    [alert]          code = part (PrtAlertCodeTC); "group/code" where the group matters, "*/code" without a known group
    [group]          alert group (PrtAlertGroupTC) = part, for the codes that may be about anything
    [bit]            bit of hrPrinterDetectedErrorState = part
    [symptom.KIND]   title, look, first, distance, cause = [{part, weight, why, deaf}] (see ``Symptom``)
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from agent.model.alert_words import FINISHERS
from agent.model.reading import Alert
from agent.model.symptom import AlertPlace, Cause, Piece, Stage, Symptom

_NOWHERE = AlertPlace()
_FOR_SERVICE = re.compile(r"(?!input|output).*(Failure|Temperature|StorageError)$", re.DOTALL)
"""What has failed inside is for service, whoever may otherwise touch the part."""


class ProcessFault(ValueError):
    """The table does not hold together; the text says where."""


@dataclass(frozen=True, slots=True)
class Process:
    """The table. ``of_code``, ``of_group``, ``of_bit``, ``of_supply``: labels of the standards -> part, "" for none."""

    stages: Mapping[str, Stage]
    parts: Mapping[str, Piece]
    symptoms: Mapping[str, Symptom]
    of_code: Mapping[str, str]
    of_group: Mapping[str, str]
    of_bit: Mapping[str, str]
    of_supply: Mapping[str, str]

    def titles(self, stages: Iterable[str]) -> tuple[str, ...]:
        """The stages in words."""
        return tuple(self.stages[one].title for one in stages)

    def place(self, part: str) -> AlertPlace:
        """A part as a place in the process."""
        found = self.parts.get(part)
        return _NOWHERE if found is None else AlertPlace(part, found.title, found.stages, found.who, found.care)

    def place_of_alert(self, alert: Alert, supply: str = "") -> AlertPlace:
        """Where an alert belongs. ``supply``: the kind of supply that it is about, where that is known."""
        place = self.place(self.part_of(alert.code, alert.code_number, alert.group, supply))
        return replace(place, who="fieldService") if place.part and _FOR_SERVICE.match(alert.code) else place

    def part_of(self, code: str, number: int, group: str, supply: str = "") -> str:
        """The part that an alert code in an alert group is about; "" for none."""
        if number >= FINISHERS:
            return "finisher"
        for key in (f"{group}/{code}", code):
            if key in self.of_code:
                return self.of_code[key]
        if group == "markerSupplies" and supply:
            return self.of_supply.get(supply, "")
        return self.of_group.get(group) or self.of_code.get(f"*/{code}", "")

    def place_of_bit(self, bit: str) -> AlertPlace:
        """Where a bit of hrPrinterDetectedErrorState belongs."""
        return self.place(self.of_bit.get(bit, ""))

    def kind_of(self, word: str) -> str | None:
        """The kind of symptom that ``word`` is: letter case, blanks and ``_`` for ``-`` count for nothing."""
        plain = "-".join(word.casefold().replace("_", " ").replace("-", " ").split())
        return plain if plain in self.symptoms else None

    def nearest(self, word: str, count: int = 3) -> tuple[str, ...]:
        """The kinds that ``word`` was probably meant to be: by their names and titles, and by what is said of them.

        A name that is misspelt only a little goes first, then those that the words stand in, then what looks alike.
        """
        names = {kind: kind for kind in self.symptoms}
        names |= {one.title.casefold(): kind for kind, one in self.symptoms.items()}
        plain = word.casefold().replace("_", "-")[:80]
        near = [names[one] for one in difflib.get_close_matches(plain, names, count, 0.75)]
        alike = [names[one] for one in difflib.get_close_matches(plain, names, count, 0.5)]
        # So much of a word that its other endings fit, too: streak, streaks; band, bands, banding.
        stems = [one[: max(4, len(one) - 3)] for one in re.findall(r"\w{4,}", plain)]
        told = {kind: f"{kind} {one.title} {one.look}".casefold() for kind, one in self.symptoms.items()}
        fitting = {
            kind: sum(f" {stem}" in f" {text}".replace("-", " ") for stem in stems) for kind, text in told.items()
        }
        words = sorted((kind for kind, fits in fitting.items() if fits), key=lambda kind: -fitting[kind])
        return tuple(dict.fromkeys([*near, *words, *alike]))[:count]


def parse(text: str) -> Process:
    """The table in a TOML document. Raises ProcessFault."""
    try:
        document = tomllib.loads(text)
        stages = {name: Stage(name, **entry) for name, entry in document["stage"].items()}
        parts = {name: _piece(name, entry) for name, entry in document["part"].items()}
        symptoms = {kind: _symptom(kind, entry) for kind, entry in document["symptom"].items()}
        codes, groups, bits = (MappingProxyType(dict(document[name])) for name in ("alert", "group", "bit"))
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as error:
        raise ProcessFault(f"the table cannot be read: {error!r}") from None
    of_supply = {kind: part.name for part in parts.values() for kind in part.supplies}
    made = Process(
        MappingProxyType(stages),
        MappingProxyType(parts),
        MappingProxyType(symptoms),
        codes,
        groups,
        bits,
        MappingProxyType(of_supply),
    )
    _check(made)
    return made


@lru_cache(maxsize=1)
def packaged() -> Process:
    """The table that comes with Lowmark: it is part of the program, as a module would be."""
    return parse(files("agent.insight").joinpath("process.toml").read_text("utf-8"))


def _piece(name: str, entry: Mapping[str, Any]) -> Piece:
    given: dict[str, Any] = {"care": "", "wears": False, **entry}
    for key in ("stages", "supplies", "within", "said"):
        given[key] = tuple(given.get(key, ()))
    return Piece(name=name, **given)


def _symptom(kind: str, entry: Mapping[str, Any]) -> Symptom:
    given = dict(entry)
    causes = tuple(
        Cause(one["part"], one["weight"], one["why"], frozenset(one.get("deaf", ()))) for one in given.pop("cause")
    )
    return Symptom(kind=kind, causes=causes, **given)


def _check(process: Process) -> None:
    wanted = [
        *((f"part {part.name}", stage, process.stages) for part in process.parts.values() for stage in part.stages),
        *((f"part {part.name}", other, process.parts) for part in process.parts.values() for other in part.within),
        *(
            (f"symptom {one.kind}", cause.part, process.parts)
            for one in process.symptoms.values()
            for cause in one.causes
        ),
        *(
            (f"label {label}", part, process.parts)
            for table in (process.of_code, process.of_group, process.of_bit)
            for label, part in table.items()
            if part
        ),
    ]
    for where, name, known in wanted:
        if name not in known:
            raise ProcessFault(f"{where} names {name!r}, which is not in the table")
    for one in process.symptoms.values():
        names = [cause.part for cause in one.causes]
        if len(names) != len(set(names)) or not all(1 <= cause.weight <= 10 for cause in one.causes):
            raise ProcessFault(f"symptom {one.kind}: each part once, with a weight of 1 to 10")
