"""Services that printers show although nobody logged them: what one may accept as done."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from agent.insight.deeds import SAME, Swap
from agent.model.day_words import clock_words
from agent.model.proof import Suggestion
from agent.model.shelf import names_supply
from agent.model.upkeep import NOT_LOGGED, Disagreement, Plan
from agent.model.wording import supply_words

SWAP_SEEN = "swapSeen"
KEPT = timedelta(days=30)
"""An exchange longer ago is not asked about any more."""


def name_of(printer_id: int, at: datetime, subject: str) -> str:
    """The id of a suggestion: the same at every look, and no other's."""
    return f"{printer_id}-{at:%Y%m%dT%H%M%S}-{subject}"


def suggest(
    swaps: Iterable[Swap],
    disagreements: Iterable[Disagreement],
    plans: Sequence[Plan],
    as_of: datetime,
    counts: Sequence[tuple[datetime, int]] = (),
    zone: str = "UTC",
) -> tuple[Suggestion, ...]:
    """The suggestions of one printer, in order of time.

    ``swaps``: each once (see ``deeds.swaps``). Where a plan's parts are new the plan is suggested, not its supplies one
    by one. ``counts``: what the printer's counter showed, in order of time. ``zone``: the site's.
    """
    made = []
    covered: list[tuple[str, datetime]] = []
    by_name = {plan.name: plan for plan in plans}
    swaps = list(swaps)
    for one in disagreements:
        if one.kind != NOT_LOGGED or as_of - one.at > KEPT:
            continue
        ident = name_of(one.printer_id, one.at, one.plan)
        made.append(Suggestion(ident, one.printer_id, one.kind, (one.plan,), one.at, one.count, one.text))
        renews = by_name[one.plan].renews if one.plan in by_name else ()
        covered += [(swap.supply, one.at) for swap in swaps if names_supply(swap.supply, renews)]
    for swap in swaps:
        if swap.logged or not swap.seen or as_of - swap.at > KEPT:
            continue
        if any(key == swap.supply and abs(at - swap.at) <= SAME for key, at in covered):
            continue
        count = next((value for at, value in reversed(counts) if at <= swap.at), None)
        shown = f" at {count:,}" if count is not None else ""
        when = clock_words(swap.at, zone, as_of)
        words = f"{supply_words(swap.supply)} was exchanged on {when}{shown}, but nobody logged it"
        ident = name_of(swap.printer_id, swap.at, swap.supply)
        made.append(Suggestion(ident, swap.printer_id, SWAP_SEEN, (swap.supply,), swap.at, count, words))
    return tuple(sorted(made, key=lambda one: (one.at, one.id)))
