"""Deviations of device families from the standard, as data: what to put right, and for whom.

An oddity is a TOML table. It is chosen by the printer's sysObjectID (a prefix, whole numbers) or by its name, which the
settings may give to a printer::

    [[oddity]]
    name = "waste-as-fill"
    why = "Reports how full the waste bin is where the standard asks for the space left."
    object_ids = ["1.3.6.1.4.1.32473.1"]

    [[oddity.supply]]            # which supplies: all conditions must hold, none means every supply
    kinds = ["wasteToner"]       # labels of PrtMarkerSuppliesTypeTC
    classes = []                 # labels of PrtMarkerSuppliesClassTC
    indexes = []                 # prtMarkerSuppliesIndex
    described = "waste"          # words that the description holds, whatever their case
    level_is = "fill"            # the level is what is in it, not what is left
    level_in = "percent"         # the level counts percent of the capacity, whatever the unit says
    capacity_times = 10          # the capacity counts tens of the unit
    level_times = 10             # the level counts tens of the unit
    unknown_levels = [255]       # levels that mean: unknown
    unit = "tenthsOfGrams"       # the unit really is this
    class = "receptacleThatIsFilled"
    kind = "wasteToner"

    [oddity.marker]
    life_unit = "sheets"         # the life count really counts these
    life_times = 10              # the life count counts tens
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from agent.mib.oddity_checks import Checked, OddityErrors, check_document
from agent.model.reading import Amount, Mark, Marker, Remark, Supply

__all__ = [
    "MarkerFix",
    "Oddity",
    "OddityErrors",
    "SupplyFix",
    "choose",
    "correct_markers",
    "correct_supplies",
    "life_times",
    "parse",
]

_INT32_MAX = 2**31 - 1


@dataclass(frozen=True, slots=True)
class SupplyFix:
    """Which supplies, and what is put right (see the module's text). Empty and None leave things as they are."""

    kinds: frozenset[str] = frozenset()
    classes: frozenset[str] = frozenset()
    indexes: frozenset[int] = frozenset()
    described: str = ""
    level_is: str = "left"
    level_in: str | None = None
    capacity_times: int = 1
    level_times: int = 1
    unknown_levels: frozenset[int] = frozenset()
    unit: str | None = None
    supply_class: str | None = None
    kind: str | None = None

    def concerns(self, supply: Supply) -> bool:
        """Whether this supply is one of those meant."""
        return (
            (not self.kinds or supply.kind in self.kinds)
            and (not self.classes or supply.supply_class in self.classes)
            and (not self.indexes or supply.index in self.indexes)
            and self.described.casefold() in supply.description.casefold()
        )


@dataclass(frozen=True, slots=True)
class MarkerFix:
    """What is put right about life counts."""

    life_unit: str | None = None
    life_times: int = 1


@dataclass(frozen=True, slots=True)
class Oddity:
    """One deviation of one family of printers."""

    name: str
    why: str
    object_ids: tuple[str, ...] = ()
    supplies: tuple[SupplyFix, ...] = ()
    marker: MarkerFix | None = None


def parse(toml_text: str) -> tuple[Oddity, ...]:
    """The oddities in a TOML document. Raises ``OddityErrors``, which tells every error with where and what."""
    try:
        document = tomllib.loads(toml_text)
    except tomllib.TOMLDecodeError as error:
        raise OddityErrors((f"this is no TOML: {error}",)) from None
    return tuple(_oddity(entry) for entry in check_document(document))


def _oddity(entry: Checked) -> Oddity:
    marker = entry.get("marker")
    return Oddity(
        name=entry["name"],
        why=entry["why"],
        object_ids=tuple(entry.get("object_ids", ())),
        supplies=tuple(_supply_fix(fix) for fix in entry.get("supply", ())),
        marker=None if marker is None else MarkerFix(**marker),
    )


def _supply_fix(fix: Mapping[str, Any]) -> SupplyFix:
    given: dict[str, Any] = {key: frozenset(value) if isinstance(value, list) else value for key, value in fix.items()}
    if "class" in given:
        given["supply_class"] = given.pop("class")
    return SupplyFix(**given)


def choose(oddities: Sequence[Oddity], object_id: object, names: Iterable[str] = ()) -> tuple[Oddity, ...]:
    """Those that apply: the sysObjectID begins with one of theirs (whole numbers), or their name is among ``names``.

    ``object_id`` is the raw value of sysObjectID, of whatever type the printer sent, or None.
    """
    wanted = frozenset(names)
    stem = f"{object_id}." if isinstance(object_id, str) else ""
    return tuple(
        oddity
        for oddity in oddities
        if oddity.name in wanted or any(stem.startswith(f"{prefix}.") for prefix in oddity.object_ids)
    )


# --- putting right ----------------------------------------------------------------------------------------------


def correct_supplies(
    rows: Sequence[Supply], oddities: Sequence[Oddity]
) -> tuple[tuple[Supply, ...], tuple[Remark, ...]]:
    """The rows put right, with their keys made anew, and a remark for each row that changed."""
    remarks: list[Remark] = []
    result: list[Supply] = []
    for row in rows:
        fixed = row
        for oddity in oddities:
            before = fixed
            for fix in oddity.supplies:
                if fix.concerns(fixed):
                    fixed = _corrected(fixed, fix)
            if fixed != before:
                remarks.append(Remark(f"supply {row.index}", f"put right as the oddity {oddity.name} says"))
        result.append(fixed)
    return tuple(result), tuple(remarks)


def _corrected(row: Supply, fix: SupplyFix) -> Supply:
    kind = fix.kind or row.kind
    level, capacity = row.level, _times(row.capacity, fix.capacity_times)
    unit = fix.unit or row.unit
    if level in fix.unknown_levels:
        level = Mark.UNKNOWN
    level = _times(level, fix.level_times)
    if fix.level_in == "percent":
        unit, capacity = "percent", 100
    if fix.level_is == "fill":
        level = _left(level, 100 if unit == "percent" and isinstance(capacity, Mark) else capacity)
    return replace(
        row,
        key=f"{kind}:{row.colorant}" if row.colorant else kind,
        kind=kind,
        supply_class=fix.supply_class or row.supply_class,
        unit=unit,
        capacity=capacity,
        level=level,
    )


def _times(amount: Amount, factor: int) -> Amount:
    return amount if isinstance(amount, Mark) else min(amount * factor, _INT32_MAX)


def _left(fill: Amount, capacity: Amount) -> Amount:
    """The space left where the fill is known. "Some" is in it says nothing about the space."""
    if isinstance(fill, Mark):
        return Mark.UNKNOWN if fill is Mark.SOME else fill
    return Mark.UNKNOWN if isinstance(capacity, Mark) else max(0, capacity - fill)


def correct_markers(
    rows: Sequence[Marker], oddities: Sequence[Oddity]
) -> tuple[tuple[Marker, ...], tuple[Remark, ...]]:
    """The rows with unit and life count put right, and a remark for each row that changed."""
    remarks: list[Remark] = []
    result: list[Marker] = []
    for row in rows:
        fixed = row
        for oddity in oddities:
            if oddity.marker is None:
                continue
            before = fixed
            fixed = replace(
                fixed,
                unit=oddity.marker.life_unit or fixed.unit,
                life_count=_counted(fixed.life_count, oddity.marker.life_times),
                power_on_count=_counted(fixed.power_on_count, oddity.marker.life_times),
            )
            if fixed != before:
                remarks.append(Remark(f"marker {row.index}", f"put right as the oddity {oddity.name} says"))
        result.append(fixed)
    return tuple(result), tuple(remarks)


def _counted(count: int | None, factor: int) -> int | None:
    return None if count is None else count * factor


def life_times(oddities: Sequence[Oddity]) -> int:
    """How many pages one step of prtMarkerLifeCount stands for; the count wraps at so many times 2**32."""
    factor = 1
    for oddity in oddities:
        if oddity.marker is not None:
            factor *= oddity.marker.life_times
    return factor
