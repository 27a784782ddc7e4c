"""What a person says about a service, made sure of before it is written: items, parts, places, names and remarks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from agent.insight.upkeep import COLOURS
from agent.model.failure import Failure
from agent.model.fleet import PrinterHistory
from agent.model.proof import Deed, Service
from agent.model.shelf import fits, names_supply
from agent.model.upkeep import Plan
from agent.model.wording import supply_words
from agent.settings import Settings
from agent.settings.units import did_you_mean

LONGEST_NAME = 100
LONGEST_REMARK = 1_000
MOST_ITEMS = 50


class Refused(Failure):
    """What was said cannot be; the text says what to say instead."""

    status = 2


@dataclass(frozen=True, slots=True)
class Book:
    """What there is to do at one printer: its supplies, and the plans that fit its model."""

    history: PrinterHistory
    settings: Settings

    @property
    def supplies(self) -> tuple[str, ...]:
        """The keys of its supplies."""
        return tuple(dict.fromkeys(track.key for track in self.history.supplies))

    @property
    def plans(self) -> tuple[Plan, ...]:
        """The plans that fit."""
        return tuple(plan for plan in self.settings.plans() if fits(self.history.printer.model, plan.models))

    @property
    def known(self) -> tuple[str, ...]:
        """All that may be said to be done here."""
        return (*(plan.name for plan in self.plans), *self.supplies)

    def renewed(self, subject: str) -> tuple[str, ...]:
        """The supplies that a plan renews here."""
        plan = next((one for one in self.plans if one.name == subject), None)
        if plan is None or not plan.renews:
            return ()
        return tuple(key for key in self.supplies if names_supply(key, plan.renews) and key != subject)


def clean(text: str, longest: int = LONGEST_REMARK) -> str:
    """A person's words on one line, without control and format signs, cut to what is kept."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())[:longest]


def who_of(name: str) -> str:
    """The name of the person. Raises Refused without one."""
    found = clean(name, LONGEST_NAME)
    if not found:
        raise Refused("who did it? Say a name (--who NAME)")
    return found


def items_of(did: Sequence[str], book: Book) -> list[str]:
    """The plans and supplies meant; one word may hold several with commas between. Raises Refused."""
    words = [word.strip() for text in did for word in ([text] if text.strip() in book.known else text.split(","))]
    items = list(dict.fromkeys(word for word in words if word))
    if not items:
        raise Refused(f"--did says nothing; write one or more of {', '.join(book.known) or 'the upkeep plans'}")
    if len(items) > MOST_ITEMS:
        raise Refused(f"{len(items)} things done in one service are too many; log them in several (at most 50 each)")
    for item in items:
        if item not in book.known:
            hint = did_you_mean(item, book.known)
            listed = ", ".join(book.known) or "nothing: no upkeep plan applies and no supply has been read"
            name = book.history.printer.name
            raise Refused(f"{name} has no {clean(item, 60)!r} to do; {hint or 'known here: ' + listed}")
    return items


def parts_of(
    items: Sequence[str], parts: Mapping[str, str], place: str, from_shelf: bool, book: Book
) -> tuple[Deed, ...]:
    """The deeds, with what was taken from where. Raises Refused for a part, place or subject that is not known."""
    for subject, part in parts.items():
        if subject not in items:
            raise Refused(f"a part is named for {clean(subject, 60)!r}, which is not among what was done")
        _known(part, [one.name for one in book.settings.parts], "part", "parts")
    if place:
        _known(place, [one.name for one in book.settings.shelf.places], "place", "shelf, places")
    return tuple(Deed(item, parts.get(item, ""), place, from_shelf, book.renewed(item)) for item in items)


def _known(word: str, names: Sequence[str], what: str, key: str) -> None:
    if names and word not in names:
        hint = did_you_mean(word, names) or f"known: {', '.join(names[:12])}"
        raise Refused(f"the settings have no {what} {clean(word, 60)!r} ({key}); {hint}")
    if not word.strip() or len(word) > LONGEST_NAME or clean(word) != word:
        raise Refused(f"{clean(word, 60)!r} is no name of a {what}")


def next_steps(service: Service, book: Book, *, proven: bool) -> Iterator[str]:
    """What is still to be done, and how Lowmark will see that it worked: sentences."""
    subjects = [deed.subject for deed in service.deeds]
    renewed = [key for key in book.supplies if key in subjects or any(key in deed.renews for deed in service.deeds)]
    if renewed and not proven:
        yield (
            "Reset the printer's own counter if it has one; Lowmark looks whether it shows "
            f"{', '.join(map(supply_words, renewed))} as new."
        )
    colour = any(track.colorant in COLOURS for track in book.history.supplies)
    following = [
        plan.what or plan.name
        for plan in book.plans
        if plan.name not in subjects
        and (colour or not plan.colour_only)
        and any(item in plan.after or names_supply(item, plan.after) for item in [*subjects, *renewed])
    ]
    if following:
        yield f"Now due: {'; '.join(following)}."
