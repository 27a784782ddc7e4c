"""The form that says what was done at a printer: what there is to choose from, and what came back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import unquote

from agent.insight.jobs import key_of, supply_title
from agent.model.fleet import Printer, PrinterView
from agent.model.hands import CALIBRATE, EMPTY, FIT, Handwork
from agent.model.proof import Done, Service
from agent.model.round import Card, Visit, Wait
from agent.model.shelf import SparePart, names_supply
from agent.model.stocktaking import Stocktaking
from agent.model.upkeep import DUE, OVERDUE, PrinterUpkeep, UpkeepItem
from agent.model.zones import zone_of
from agent.web.callers import Refused
from agent.web.forms import Form
from agent.web.house import House

LARGEST_COUNT = 2**53
NOTHING = "-"
"""What the field of a part brings when none was taken."""


@dataclass(frozen=True, slots=True)
class PartChoice:
    """A part that may have been taken. ``words``: how many of it lie where."""

    name: str
    words: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that may have been done. ``key``: of its card. ``why``: why it stands among the first."""

    key: str
    subject: str
    title: str
    parts: tuple[PartChoice, ...] = ()
    ticked: bool = False
    why: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The form. ``choices``: what is at hand first; ``first``: so many of them. ``places``: from where parts come.

    ``corrects``: the service that this one will stand in the place of. ``hands``: whether this is a simulated printer
    at which the work can be done from here.
    """

    printer: Printer
    choices: tuple[Choice, ...]
    first: int
    places: tuple[str, ...]
    corrects: Service | None = None
    hands: bool = False
    count: int | None = None

    @property
    def at_hand(self) -> tuple[Choice, ...]:
        """What most probably was done."""
        return self.choices[: self.first]

    @property
    def rest(self) -> tuple[Choice, ...]:
        """What else may have been done."""
        return self.choices[self.first :]


def sheet_of(house: House, view: PrinterView, ticked: Sequence[str] = (), corrects: Service | None = None) -> Sheet:
    """The form for a printer; what is in ``ticked`` (subjects) stands first and is ticked, what is due next."""
    taking = house.shelf(None)
    upkeep = house.upkeep().get(view.printer.id)
    wanted = {deed.subject: deed.part for deed in corrects.deeds} if corrects is not None else {}
    found = [
        replace(
            one,
            ticked=one.subject in ticked or one.subject in wanted,
            part=wanted.get(one.subject, ""),
        )
        for one in _choices(view, upkeep, taking)
    ]
    known = {one.subject for one in found}
    # What a service says stays sayable, though the plan may be gone from the settings.
    found += [
        Choice(key_of(view.printer.id, subject), subject, subject, ticked=True)
        for subject in dict.fromkeys((*ticked, *wanted))
        if subject not in known
    ]
    due = {item.plan for item in upkeep.items if item.state in (DUE, OVERDUE)} if upkeep is not None else set()
    found = [replace(one, why="due") if one.subject in due and not one.ticked else one for one in found]
    found.sort(key=lambda one: (not one.ticked, not one.why))
    first = sum(1 for one in found if one.ticked or one.why)
    return _sheet(house, view, taking, found, first or min(len(found), 12), corrects)


def sheet_of_card(
    house: House, view: PrinterView, key: str, card: Card | None, visit: Visit | None, wait: Wait | None
) -> Sheet:
    """The form of a card: its own job ticked, then what follows it and the other jobs of the visit."""
    base = sheet_of(house, view)
    deed = card.deed if card is not None else wait.deed if wait is not None else ""
    order: dict[str, str] = {}
    for one in base.choices:
        if one.key == key or (deed and one.subject == deed):
            order[one.subject] = "this card"
    if deed and deed not in order:
        order = {deed: "this card", **order}
    for subject in card.follows if card is not None else ():
        order.setdefault(subject, "due by this work")
    for other in visit.cards if visit is not None else ():
        if other.deed:
            order.setdefault(other.deed, "on the same visit")
        for subject in other.follows:
            order.setdefault(subject, "due by this visit's work")
    by_subject = {one.subject: one for one in base.choices}
    known = {part.part: part for part in card.bring} if card is not None else {}
    first = [
        replace(
            by_subject.get(subject) or Choice(key_of(view.printer.id, subject), subject, subject),
            ticked=why == "this card",
            why="" if why == "this card" else why,
        )
        for subject, why in order.items()
    ]
    first = [
        replace(one, part=next((part.name for part in one.parts if part.name in known), "")) if one.ticked else one
        for one in first
    ]
    rest = [replace(one, ticked=False, why="") for one in base.choices if one.subject not in order]
    return replace(base, choices=(*first, *rest), first=len(first) or base.first)


def _sheet(
    house: House, view: PrinterView, taking: Stocktaking, found: list[Choice], first: int, corrects: Service | None
) -> Sheet:
    reading = view.reading
    counters = reading.counters if reading is not None else ()
    return Sheet(
        view.printer,
        tuple(found),
        first,
        tuple(one.name for one in taking.places),
        corrects,
        house.hands(view.printer.id) is not None,
        next((one.value for one in counters if one.name in ("life", "total")), None),
    )


def _choices(view: PrinterView, upkeep: PrinterUpkeep | None, taking: Stocktaking) -> list[Choice]:
    """Every plan and every supply of a printer."""
    printer, reading = view.printer, view.reading
    made = []
    renewed: tuple[str, ...] = ()
    for item in upkeep.items if upkeep is not None else ():
        if item.planned:
            parts = [one for one in taking.parts if one.name in item.needs]
            made.append(Choice(key_of(printer.id, item.plan), item.plan, item.what or item.plan, _parts(taking, parts)))
            renewed += _renewed(item)
    for supply in reading.supplies if reading is not None else ():
        key = supply.key.partition(" (")[0]
        if key in renewed:
            continue
        parts = [one for one in taking.parts if one.serves(printer.model, key)]
        title = supply_title(supply.kind, supply.colorant, key, supply.description)
        made.append(Choice(key_of(printer.id, key), key, title, _parts(taking, parts)))
    return made


def _renewed(item: UpkeepItem) -> tuple[str, ...]:
    return item.supplies if item.needs else ()


def _parts(taking: Stocktaking, parts: Iterable[SparePart]) -> tuple[PartChoice, ...]:
    made = []
    for part in parts:
        lying = [f"{one.count} in {one.place}" for one in taking.state.stock if one.part == part.name and one.count]
        counted = taking.state.is_counted(part.name)
        made.append(PartChoice(part.name, ", ".join(lying) or ("none on the shelf" if counted else "never counted")))
    return tuple(made)


# --- what comes back ----------------------------------------------------------------------------------------------


def subjects_of(
    house: House, view: PrinterView, given: Iterable[str], offered: Sequence[Choice] = ()
) -> dict[str, str]:
    """What a form brings of things done -> what each is: it brings the keys of cards, which nothing odd can be in.

    ``offered``: what stood in the form besides all that this printer can have.
    """
    known = {one.key: one.subject for one in (*sheet_of(house, view).choices, *offered)}
    return {one: known.get(one) or _deed_in(one, view.printer.id) for one in given if one}


def _deed_in(key: str, printer_id: int) -> str:
    """What the key of a card is about, where nothing is reckoned yet by which it is known (see ``key_of``)."""
    bare = key.removeprefix(f"{printer_id}.")
    if bare == key:
        return key
    return unquote(bare.replace(".", ":").replace("%", "%25").replace("~", "%"), errors="replace")


def done_of(house: House, form: Form, view: PrinterView, offered: Sequence[Choice] = ()) -> Done:
    """What somebody says was done. Raises Refused where it cannot be understood."""
    printer = view.printer
    found = subjects_of(house, view, form.texts("did"), offered)
    did = tuple(dict.fromkeys(found.values()))
    if not did:
        raise Refused(422, "Tick at least one thing that was done.")
    given = {subject: form.text(f"part:{sent}", most=200) for sent, subject in found.items()}
    photo = form.upload("photo")
    return Done(
        printer.id,
        did,
        form.who,
        at=_moment(form.text("at", most=40), printer.place.zone),
        parts={subject: part for subject, part in given.items() if part},
        place=form.text("place", most=200),
        from_shelf=not form.ticked("no_part"),
        counter=_count(form.text("counter", most=40)),
        remarks=form.text("remarks", most=1000),
        photo=photo.content if photo is not None else None,
        corrects=_count(form.text("corrects", most=20)),
    )


def _count(text: str) -> int | None:
    bare = "".join(sign for sign in text if not sign.isspace() and sign not in ",.'")
    if not bare:
        return None
    if not (bare.isascii() and bare.isdigit()) or int(bare[:20]) > LARGEST_COUNT:
        raise Refused(422, "The counter is a whole number, as the printer shows it; leave it empty to have it asked.")
    return int(bare)


def _moment(text: str, zone: str) -> datetime | None:
    """A moment of the printer's site, as a browser's field for day and time gives it."""
    if not text:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise Refused(422, "The moment is day and time, like 2026-03-02T08:00; leave it empty for now.") from None
    if not 1990 <= at.year < 2200:
        raise Refused(422, "The moment lies in another age; leave it empty for now.")
    return at if at.tzinfo is not None else at.replace(tzinfo=zone_of(zone))


def handwork_for(view: PrinterView, upkeep: PrinterUpkeep | None, deed: str) -> list[Handwork]:
    """What hands do at a simulated printer for a deed: fit what it renews, empty a receptacle, or calibrate."""
    supplies = view.reading.supplies if view.reading is not None else ()
    item = next((one for one in upkeep.items if one.plan == deed), None) if upkeep is not None else None
    wanted = [one for one in supplies if one.key.partition(" (")[0] == deed or (item and one.key in item.supplies)]
    if not wanted and item is None:
        wanted = [one for one in supplies if names_supply(one.key, (deed,))]
    if not wanted:
        return [Handwork(CALIBRATE)]
    return [Handwork(EMPTY if one.is_receptacle else FIT, one.key) for one in wanted]
