"""What somebody says about the shelf becomes an entry of the ledger, or a sentence that says why that cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from difflib import get_close_matches

from agent.insight.shelf import (
    ARRIVED,
    COUNTED_IN,
    COUNTED_OUT,
    ORDERED,
    RECOUNTED,
    SHELF_KINDS,
    USUAL_PLACE,
    WITHDRAWN,
    Shelf,
)
from agent.model.fleet import LedgerEntry, Scalar
from agent.model.shelf import ShelfState
from agent.model.stocktaking import Movement, NotPossible

MOST = 100_000
LONGEST = 100
PLACELESS = frozenset((ORDERED, WITHDRAWN))
"""What is on its way lies nowhere."""


def entry_of(move: Movement, shelf: Shelf, before: ShelfState, at: datetime) -> LedgerEntry:
    """The entry that says this, at a moment. ``before``: the shelf as the ledger has it. Raises NotPossible."""
    known_part(move.part, shelf)
    least = 0 if move.kind == RECOUNTED else 1
    if move.kind not in SHELF_KINDS:
        raise NotPossible(
            f"{move.kind!r} is nothing that can be said about the shelf; one of {_listed(SHELF_KINDS)} is"
        )
    if not least <= move.count <= MOST:
        raise NotPossible(f"{move.count} cannot be: give a number from {least} to {MOST:,}")
    where = "" if move.kind in PLACELESS else _place_of(move.place, shelf)
    _allowed(move, where, before)
    data: dict[str, Scalar] = {"count": move.count}
    data |= {"place": where} if where else {}
    data |= {"remark": move.remark} if move.remark else {}
    data |= {"before": lying(before, move.part, where)} if move.kind == RECOUNTED else {}
    return LedgerEntry(at, move.kind, said(move, where), None, move.part, move.who, data)


def lying(state: ShelfState, part: str, place: str) -> int:
    """How many of a part lie at a place, by the books."""
    return sum(one.count for one in state.stock if (one.part, one.place) == (part, place))


def now_words(state: ShelfState, part: str) -> str:
    """What there is of a part: ``Now Cupboard 3: 4; 2 on order``."""
    here = ", ".join(f"{one.place}: {one.count}" for one in state.stock if one.part == part)
    coming = state.on_order(part)
    return f"Now {here or 'none on the shelf'}" + (f"; {coming} on order" if coming else "")


def doubts(move: Movement, shelf: Shelf) -> tuple[str, ...]:
    """What the settings say against an order; it is written all the same."""
    part = shelf.part(move.part)
    if move.kind != ORDERED or part is None:
        return ()
    found = []
    if move.count < part.terms.minimum:
        found.append(f"the settings say that at least {part.terms.minimum} of {move.part} can be ordered")
    if move.count % part.terms.pack:
        found.append(f"the settings say that {move.part} comes in packs of {part.terms.pack}")
    return tuple(found)


def known_part(part: str, shelf: Shelf) -> None:
    """Raises NotPossible when the settings have parts and this is none of them."""
    _known(part, [one.name for one in shelf.parts], "part", "parts")


def known_place(place: str, shelf: Shelf) -> None:
    """Raises NotPossible when the settings have places and this is none of them."""
    _known(place, [one.name for one in shelf.places], "place", "shelf, places")


def _known(word: str, names: Sequence[str], what: str, key: str) -> None:
    if names and word not in names:
        near = get_close_matches(word, names, 1)
        hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(names[:12])}"
        raise NotPossible(f"the settings have no {what} {word!r} ({key}); {hint}")
    if not word.strip() or len(word) > LONGEST:
        raise NotPossible(f"{word!r} is no name of a {what}")


def _place_of(place: str | None, shelf: Shelf) -> str:
    names = [one.name for one in shelf.places]
    if place is not None:
        known_place(place, shelf)
        return place
    if len(names) > 1:
        raise NotPossible(f"say where: --place {' or --place '.join(_quoted(name) for name in names)}")
    return names[0] if names else USUAL_PLACE


def _quoted(word: str) -> str:
    return f'"{word}"' if " " in word else word


def _listed(words: frozenset[str]) -> str:
    return ", ".join(sorted(words))


def _allowed(move: Movement, place: str, before: ShelfState) -> None:
    part, count = move.part, move.count
    here = lying(before, part, place)
    if move.kind == COUNTED_OUT and here < count:
        raise NotPossible(
            f"{part}: only {here} at {place}, {count} cannot be taken; a shelf holds no less than "
            f"nothing. If there were more, count again first: lowmark shelf recount {part} N --place {_quoted(place)}"
        )
    so_many = before.on_order(part)
    if move.kind not in (ARRIVED, WITHDRAWN) or so_many >= count:
        return
    if move.kind == WITHDRAWN:
        raise NotPossible(f"{part}: only {so_many} on order, {count} cannot be called off")
    if so_many == 0:
        raise NotPossible(f"{part}: none is on order; what came without an order: lowmark shelf in {part} {count}")
    raise NotPossible(
        f"{part}: only {so_many} on order; say that {so_many} arrived, and count the rest in with lowmark shelf in"
    )


def said(move: Movement, place: str) -> str:
    """What the ledger says of it, in words."""
    count, part = move.count, move.part
    words = {
        COUNTED_IN: f"{count} {part} counted in at {place}",
        COUNTED_OUT: f"{count} {part} counted out at {place}",
        RECOUNTED: f"{count} {part} lie at {place}, counted again",
        ORDERED: f"{count} {part} ordered",
        ARRIVED: f"{count} {part} arrived at {place}",
        WITHDRAWN: f"{count} {part} will not come",
    }[move.kind]
    return words + (f" ({move.remark})" if move.remark else "")
