"""How the work is done by hand: minutes, steps in the order of the trade, cautions, and how it will be proven.

Common practice of the trade, no source; the maker's service manual comes first, and the settings may say it otherwise.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence

from agent.model import cautions
from agent.model.round import STAGES, Card, Step, Swap
from agent.model.upkeep import Plan, UpkeepItem
from agent.model.wording import part, percent_words, spaced, supply_words

PLAN_MINUTES = 15
LOOK_MINUTES = 5
SILENT_MINUTES = 10
FOLLOW_MINUTES = 5
_USUAL_MINUTES = 15
_MINUTES = {
    "toner": 5,
    "tonerCartridge": 5,
    "matteToner": 5,
    "wasteToner": 5,
    "ink": 5,
    "inkCartridge": 5,
    "matteInk": 5,
    "inkRibbon": 5,
    "wasteInk": 10,
    "wastePaper": 3,
    "wasteWater": 5,
    "staples": 3,
    "stitchingWire": 5,
    "opc": 10,
    "developer": 20,
    "fuser": 45,
    "fuserOil": 10,
    "fuserOilWick": 40,
    "fuserOiler": 40,
    "fuserCleaningPad": 40,
    "solidWax": 5,
    "wasteWax": 15,
    "coronaWire": 15,
    "cleanerUnit": 20,
    "transferUnit": 40,
}
"""Minutes of an exchange, by kind of supply (RFC 3805); where something hot is touched, its cooling down is in them."""
STOPPING = frozenset(
    {
        *("toner", "tonerCartridge", "matteToner", "ink", "inkCartridge", "matteInk", "inkRibbon", "solidWax"),
        *("wasteToner", "wasteInk", "wasteWax", "wasteWater"),
    }
)
"""Kinds without which a printer does not print (a full waste box stops it, too)."""
_FIT = {
    "toner": (
        "Take the used cartridge out level, into a bag.",
        "Rock the new one gently from side to side, take its seals off, and push it in until it clicks.",
    ),
    "wasteToner": ("Close the full box with its own caps, and fit the new one until it clicks.",),
    "opc": (
        "Take the used drum out; unpack the new one last, hold it by its ends, and fit it at once.",
        "Take its seals and spacers off.",
    ),
    "ink": ("Take the used cartridge out, and fit the new one until it clicks.",),
    "fuser": ("Loosen the fuser as the manual shows, lift it out by its handles, and fit the new one.",),
    "transferUnit": ("Take the transfer unit out by its handles, and fit the new one without touching its surface.",),
    "staples": ("Fill in staples of the kind that the printer names.",),
}
_LIKE = {
    "tonerCartridge": "toner",
    "matteToner": "toner",
    "inkCartridge": "ink",
    "matteInk": "ink",
    "wasteInk": "wasteToner",
}
_TESTED = frozenset({"staples", "stitchingWire", "wastePaper", "wasteWater"})
"""Kinds after which no test page is wanted."""
PAUSE = Step("pause", "Pause the queue at the printer, and let the sheet in hand come out.")
COUNTER = Step("counter", "Read the page counter at the panel.")
POWER = Step("power", "Switch the printer off and pull the plug.")
COOL = Step("cool", "Let it cool down for at least half an hour.")
PROTECT = Step("protect", "Cover the drum from light for as long as it is out.")
START = Step("start", "Plug in, switch on, and wait until it says ready.")
TEST = Step("test", "Print a test page: even, without marks, and nothing wipes off.")
RESUME = Step("resume", "Let the queue go again.")


def swap_minutes(kind: str, given: Swap | None) -> int:
    """How long the exchange of a supply of this kind takes."""
    return given.minutes if given is not None else _MINUTES.get(kind, _USUAL_MINUTES)


def swap_steps(key: str, kind: str, colorant: str | None, given: Swap | None) -> tuple[Step, ...]:
    """The steps of an exchange, in the order of the trade."""
    name = part(kind, colorant)
    own = given.steps if given is not None and given.steps else _FIT.get(_LIKE.get(kind, kind))
    fit = [Step("fit", text, key) for text in own or (f"Exchange the {name} as the manual shows.",)]
    steps = [PAUSE, COUNTER]
    if cautions.is_inside(kind):
        steps += [POWER, START]
    if cautions.is_hot(kind):
        steps.append(COOL)
    if cautions.fears_light(kind):
        steps.append(PROTECT)
    reset = Step("reset", "Reset the counter of the part, if the printer keeps one or asks whether it is new.", key)
    steps += [*fit, reset]
    steps += [RESUME] if kind in _TESTED else [TEST, RESUME]
    return ordered(steps)


def swap_cautions(kind: str, given: Swap | None) -> tuple[str, ...]:
    """The cautions of an exchange."""
    own = given.cautions if given is not None else ()
    return cautions.in_order((*own, *cautions.for_supply(kind)))


def plan_minutes(item: UpkeepItem, kinds: Sequence[str]) -> int:
    """How long planned work takes."""
    return item.minutes or max((_MINUTES.get(kind, _USUAL_MINUTES) for kind in kinds), default=PLAN_MINUTES)


def plan_steps(key: str, item: UpkeepItem, kinds: Sequence[str], *, follows: bool) -> tuple[Step, ...]:
    """The steps of planned work. ``kinds``: the kinds of the supplies that it renews.

    ``follows``: it comes after other work, and fits nothing (a calibration).
    """
    inside = bool(item.needs) or any(cautions.is_inside(kind) for kind in kinds)
    steps = [PAUSE, COUNTER, Step("calibrate" if follows else "fit", f"{item.what}.", key)]
    if inside:
        steps += [POWER, START]
    if not follows:
        steps.append(TEST)
    if any(cautions.is_hot(kind) for kind in kinds) or (item.needs and not kinds):
        steps.append(COOL)
    if any(cautions.fears_light(kind) for kind in kinds):
        steps.append(PROTECT)
    if item.supplies or item.needs:
        steps.append(Step("reset", "Reset the counter of what is new, as the manual says.", key))
    return ordered([*steps, RESUME])


def plan_cautions(item: UpkeepItem, kinds: Sequence[str]) -> tuple[str, ...]:
    """The cautions of planned work: its own, and those for the parts that it touches."""
    found = [*item.cautions, *(line for kind in kinds for line in cautions.for_supply(kind))]
    if item.needs and not kinds:
        found += cautions.for_supply("")
    if item.needs:
        found.append(cautions.HEAVY)
    return cautions.in_order((*found, cautions.MANUAL))


def swap_proof(kind: str, colorant: str | None, shown: float | None, *, only_some: bool = False) -> str:
    """How Lowmark will see that an exchange worked.

    ``shown``: the share that the printer itself showed last, None where it showed none. ``only_some``: it never shows
    one.
    """
    name = part(kind, colorant)
    what = "more space" if kind.startswith("waste") else "more"
    if only_some:
        left = "space" if kind.startswith("waste") else "something"
        return (
            f"Of the {name} this printer shows no level, only that there is {left} left: an exchange cannot be read "
            "from it. Lowmark can see that alerts about it go; for the rest your entry in the ledger stands."
        )
    now = "" if shown is None else f" than the {percent_words(max(0.0, shown))} of before"
    return (
        f"Lowmark reads the printer when you log it and again after: the {name} has to show {what}{now}, and alerts "
        "about it have to go."
    )


def plan_proof(item: UpkeepItem) -> str:
    """How Lowmark will see that planned work was done."""
    if item.supplies:
        return f"Lowmark reads the printer after: {', '.join(map(supply_words, item.supplies))} has to show as new."
    if item.reported:
        return f"Lowmark reads the printer after: {', '.join(spaced(one) for one in item.reported)} has to be gone."
    return "By your entry in the ledger; the printer itself does not show it."


def follow_steps(plans: Iterable[Plan]) -> tuple[Step, ...]:
    """The steps for what is due by the work itself."""
    return tuple(Step("calibrate", f"{plan.what or plan.name}.") for plan in plans)


def ordered(steps: Iterable[Step]) -> tuple[Step, ...]:
    """In the order of the trade; the same step once."""
    return tuple(sorted(dict.fromkeys(steps), key=lambda one: STAGES.index(one.stage)))


def merged(cards: Sequence[Card]) -> tuple[Step, ...]:
    """The steps of all cards of one visit, what they share said once."""
    return ordered(step for card in cards for step in card.steps if step.stage != "log")


def log_step(printer_id: int, deeds: Sequence[str]) -> Step:
    """The last step."""
    listed = ",".join(deeds)
    return Step("log", f"Log it on the card's page, or: lowmark service {printer_id} --did {shlex.quote(listed)}")
