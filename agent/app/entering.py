"""What a person says about a service, made sure of before it is written: items, parts, places, names and remarks."""

from __future__ import annotations

import re
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

    @property
    def called(self) -> dict[str, str]:
        """Each of them, and what it is called: what a plan says is to be done, and what a supply is."""
        return {plan.name: plan.what or plan.name for plan in self.plans} | {
            key: supply_words(key) for key in self.supplies
        }

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
    """The plans and supplies meant, by key or in plain words (``cyan toner``); several have commas between.

    Raises Refused with the choices where it is not clear.
    """
    words = [word.strip() for text in did for word in ([text] if text.strip() in book.known else text.split(","))]
    items = list(dict.fromkeys(word for word in words if word))
    if not items:
        raise Refused(f"--did says nothing; write one or more of {', '.join(book.known) or 'the upkeep plans'}")
    if len(items) > MOST_ITEMS:
        raise Refused(f"{len(items)} things done in one service are too many; log them in several (at most 50 each)")
    return list(dict.fromkeys(_meant(item, book) for item in items))


def _meant(item: str, book: Book) -> str:
    """The plan or supply that is meant: by its key, or by words that fit no other. Raises Refused with the choices."""
    if item in book.known:
        return item
    name, word = book.history.printer.name, clean(item, 60)
    named = {key: _plain(f"{key} {words}") for key, words in book.called.items()}
    asked = _plain(item)
    whole = [key for key, words in book.called.items() if _plain(words) == asked]
    found = whole or [key for key, words in named.items() if asked and asked <= words]
    if len(found) == 1:
        return found[0]
    if found:
        choices = ", ".join(f"{key} ({book.called[key]})" if book.called[key] != key else key for key in found)
        raise Refused(f"{word!r} may mean several things at {name}: {choices}; say which")
    hint = did_you_mean(item, book.known)
    listed = ", ".join(book.known) or "nothing: no upkeep plan applies and no supply has been read"
    raise Refused(f"{name} has no {word!r} to do; {hint or 'known here: ' + listed}")


def by_item(parts: Mapping[str, str], items: Sequence[str], book: Book) -> dict[str, str]:
    """Parts by the key of their item, which may be said in plain words too. Raises Refused."""
    return {subject if subject in items else _meant(subject, book): part for subject, part in parts.items()}


def _plain(text: str) -> frozenset[str]:
    """The words of a text, without signs and capitals."""
    return frozenset(re.findall(r"[^\W_]+", text.casefold()))


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
