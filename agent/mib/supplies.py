"""Rows of prtMarkerSuppliesTable, with their colorants and the keys that name them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache

from agent.mib import colours, enums, values
from agent.mib.subunits import Raws, Remarks
from agent.mib.values import Notes
from agent.model.reading import Mark, Supply

Colorants = Mapping[int, str | None]
"""prtMarkerColorantIndex -> canonical colour, None where the printer names none."""


@lru_cache(maxsize=4096)
def supply(
    index: int, suffix: str, raws: Raws, charset: int | None, colorant: str | None, has_colorants: bool
) -> tuple[Supply, Remarks]:
    """A prtMarkerSuppliesEntry.

    ``colorant`` is the colour of the row's colorant, already looked up; ``has_colorants`` whether the printer has a
    colorant table at all: only where it has none is the colour taken from the description. The key is without the
    ``#2`` that tells equals apart.
    """
    marker, colorant_index, class_, kind, description, unit, capacity, level = raws
    notes = Notes(suffix)
    kind_label = values.label(enums.SUPPLY_TYPE, kind, "prtMarkerSuppliesType", notes) or "unknown"
    text = values.localised(description, charset, "prtMarkerSuppliesDescription", notes)
    values.number(colorant_index, "prtMarkerSuppliesColorantIndex", notes, 0)
    if colorant is None and not has_colorants and kind_label in colours.COLOURED_KINDS:
        colorant = colours.from_description(text)
    row = Supply(
        key=f"{kind_label}:{colorant}" if colorant else kind_label,
        index=index,
        marker=values.number(marker, "prtMarkerSuppliesMarkerIndex", notes, 0) or 0,
        supply_class=values.label(enums.SUPPLY_CLASS, class_, "prtMarkerSuppliesClass", notes) or "other",
        kind=kind_label,
        description=text,
        colorant=colorant,
        unit=values.label(enums.SUPPLY_UNIT, unit, "prtMarkerSuppliesSupplyUnit", notes) or "unknown",
        capacity=values.capacity(capacity, "prtMarkerSuppliesMaxCapacity", notes),
        level=values.level(level, "prtMarkerSuppliesLevel", notes),
    )
    _compare(row, notes)
    return row, tuple(notes.remarks)


def _compare(row: Supply, notes: Notes) -> None:
    if row.capacity == 0:
        notes.add("prtMarkerSuppliesMaxCapacity", "the capacity is 0, so no share can be worked out")
    elif isinstance(row.level, Mark):
        return
    elif isinstance(row.capacity, Mark):
        if row.unit == "percent" and row.level > 100:
            notes.add("prtMarkerSuppliesLevel", f"the level is {row.level} percent")
    elif row.level > row.capacity:
        notes.add("prtMarkerSuppliesLevel", f"the level {row.level} is above the capacity {row.capacity}")


@lru_cache(maxsize=1024)
def colorant(suffix: str, raws: Raws, charset: int | None) -> tuple[str | None, Remarks]:
    """The canonical colour of a prtMarkerColorantEntry."""
    notes = Notes(suffix)
    text = values.free(raws[0], charset, "prtMarkerColorantValue", notes)
    return colours.canonical(text), tuple(notes.remarks)


def colour_of(colorant_index: object, colorants: Colorants, suffix: str) -> tuple[str | None, Remarks]:
    """The colour that a supply's prtMarkerSuppliesColorantIndex stands for; 0 stands for none."""
    if not isinstance(colorant_index, int) or colorant_index <= 0 or not colorants:
        return None, ()
    if colorant_index in colorants:
        return colorants[colorant_index], ()
    notes = Notes(suffix)
    notes.add("prtMarkerSuppliesColorantIndex", f"there is no colorant {values.shown(colorant_index)}")
    return None, tuple(notes.remarks)


def told_apart(rows: Iterable[Supply]) -> tuple[Supply, ...]:
    """The same supplies in the same order, the second and later of one key marked ``#2``, ``#3`` ..."""
    rows = tuple(rows)
    if len({row.key for row in rows}) == len(rows):
        return rows
    seen: Counter[str] = Counter()
    taken = {row.key for row in rows}
    result = []
    for row in rows:
        seen[row.key] += 1
        if seen[row.key] == 1:
            result.append(row)
            continue
        key = f"{row.key}#{seen[row.key]}"
        while key in taken:  # only a colour with a "#" in its name gets here
            seen[row.key] += 1
            key = f"{row.key}#{seen[row.key]}"
        taken.add(key)
        result.append(replace(row, key=key))
    return tuple(result)
