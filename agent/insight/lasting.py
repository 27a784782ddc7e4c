"""How long supplies of one kind last: the lives of all printers of a model together, by Kaplan and Meier."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from agent.insight.survival import kaplan_meier
from agent.model.fleet import PrinterHistory
from agent.model.insight import DRY, Insight


@dataclass(frozen=True, slots=True)
class Lasting:
    """Impressions that supplies of one kind last.

    ``lives``: how many were seen from their fitting; ``dry``: how many of these ran dry (the others are censored: still
    in, swapped early, or their end is not known). ``half``: the number of impressions that half of them reach;
    ``tenth``: that nine in ten reach. None where too few have run dry.
    """

    model: str
    kind: str
    colorant: str
    lives: int
    dry: int
    half: float | None
    tenth: float | None


def lasting(histories: Iterable[PrinterHistory], insights: Mapping[int, Insight]) -> list[Lasting]:
    """How long each kind lasts, over all printers of its model, in order of model, kind and colorant."""
    found: dict[tuple[str, str, str], list[tuple[float, bool]]] = {}
    for history in histories:
        colours = {track.key: track.colorant or "" for track in history.supplies}
        for life in insights[history.printer.id].lives:
            if life.fitted is None or life.used_before or not life.impressions:
                continue
            colour = colours.get(life.supply.split(" (")[0], "")
            ends = found.setdefault((history.printer.model, life.kind, colour), [])
            ends.append((float(life.impressions), life.ended == DRY))
    made = []
    for (model, kind, colour), lives in sorted(found.items()):
        curve = kaplan_meier([life[0] for life in lives], [life[1] for life in lives])
        dry = sum(life[1] for life in lives)
        made.append(Lasting(model, kind, colour, len(lives), dry, curve.when(0.5), curve.when(0.9)))
    return made
