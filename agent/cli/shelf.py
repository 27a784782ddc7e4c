"""``lowmark shelf``: spare parts in stock, what they fit, what is on its way, and what to order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, fail, plain
from agent.model.shelf import ShelfState

if TYPE_CHECKING:
    from agent.model.fleet import LedgerEntry
    from agent.settings import Settings

MOST = 100_000


@dataclass(frozen=True, slots=True)
class _Move:
    """What a command says about a part."""

    kind: str
    part: str
    count: int
    place: str | None
    by: str | None
    remark: str
    at: datetime | None


_Part = Annotated[str, typer.Argument(metavar="PART", help="The part, as the settings name it.", show_default=False)]
_Count = Annotated[int, typer.Argument(metavar="N", min=1, max=MOST, help="How many.", show_default=False)]
_Lying = Annotated[int, typer.Argument(metavar="N", min=0, max=MOST, help="How many lie there.", show_default=False)]
_Place = Annotated[
    str | None, typer.Option("--place", metavar="PLACE", help="Where; needed when there are several places.")
]
_By = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who did it; else the user of this terminal.")]
_Remark = Annotated[str, typer.Option("--remark", metavar="TEXT", help="What else there is to say.")]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    group = typer.Typer()
    group.callback(invoke_without_command=True)(show_shelf)
    group.command("in")(count_in)
    group.command("out")(count_out)
    group.command("recount")(recount)
    group.command("order")(order)
    group.command("arrived")(arrived)
    group.command("withdraw")(withdraw)
    app.add_typer(group, name="shelf")


def show_shelf(
    context: typer.Context,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Stock per part and place, which supplies fit which models, open orders, and what to order by when.

    \b
    Example:
      lowmark shelf
      lowmark shelf --json --at 2026-03-02T08:00:00+01:00
      lowmark shelf in TG-40K 4 --place "Cupboard 3" --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    if context.invoked_subcommand is not None:
        return
    from agent.cli.fleetbook import read_book, settings_or_usual
    from agent.cli.stock import as_data, reckon, show
    from agent.cli.wiring import load_settings, open_store

    known = settings_or_usual(load_settings(settings))
    with open_store(store, settings) as opened:
        book = read_book(opened, known, at or datetime.now(UTC))
    shelf, state, advice = reckon(book)
    if as_json:
        emit("shelf", as_data(book, shelf, state, advice))
        return
    show(book, shelf, state, advice)


def count_in(  # noqa: PLR0913 - each is an option of the command
    part: _Part,
    count: _Count,
    place: _Place = None,
    by: _By = None,
    remark: _Remark = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Count parts in that came from elsewhere than an order.

    \b
    Example:
      lowmark shelf in TG-40K 4 --place "Cupboard 3"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _write(_Move("shelfCountedIn", part, count, place, by, remark, at), settings, store)


def count_out(  # noqa: PLR0913 - each is an option of the command
    part: _Part,
    count: _Count,
    place: _Place = None,
    by: _By = None,
    remark: _Remark = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Count parts out that went elsewhere than into a printer (swaps and services count out by themselves).

    \b
    Example:
      lowmark shelf out TG-40K 1 --place "Cupboard 3" --remark "box was damaged"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _write(_Move("shelfCountedOut", part, count, place, by, remark, at), settings, store)


def recount(  # noqa: PLR0913 - each is an option of the command
    part: _Part,
    count: _Lying,
    place: _Place = None,
    by: _By = None,
    remark: _Remark = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Say how many really lie at a place; the ledger keeps what the books said before.

    \b
    Example:
      lowmark shelf recount TG-40K 3 --place "Cupboard 3" --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _write(_Move("shelfRecounted", part, count, place, by, remark, at), settings, store)


def order(
    part: _Part,
    count: _Count,
    by: _By = None,
    remark: _Remark = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Say that parts were ordered, so that they are not ordered twice.

    \b
    Example:
      lowmark shelf order TG-40K 6 --by "Night desk" --remark "order 4711"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _write(_Move("ordered", part, count, None, by, remark, at), settings, store)


def arrived(  # noqa: PLR0913 - each is an option of the command
    part: _Part,
    count: _Count,
    place: _Place = None,
    by: _By = None,
    remark: _Remark = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Say that ordered parts have come and lie at a place now. The oldest open orders are settled first.

    \b
    Example:
      lowmark shelf arrived TG-40K 6 --place "Cupboard 3"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _write(_Move("orderArrived", part, count, place, by, remark, at), settings, store)


def withdraw(
    part: _Part,
    count: _Count,
    by: _By = None,
    remark: _Remark = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Say that ordered parts will not come: called off, or not deliverable.

    \b
    Example:
      lowmark shelf withdraw TG-40K 6 --remark "not deliverable"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    _write(_Move("orderWithdrawn", part, count, None, by, remark, at), settings, store)


# --- what the commands share --------------------------------------------------------------------------------------


def known_part(part: str, settings: Settings) -> None:
    """Leave with status 2 when the settings have parts and this is none of them."""
    _known(part, [one.name for one in settings.parts], "part", "parts")


def known_place(place: str, settings: Settings) -> None:
    """Leave with status 2 when the settings have places and this is none of them."""
    _known(place, [one.name for one in settings.shelf.places], "place", "shelf, places")


def _known(word: str, names: Sequence[str], what: str, key: str) -> None:
    from agent.settings.units import did_you_mean

    if names and word not in names:
        hint = did_you_mean(word, names) or f"known: {', '.join(names[:12])}"
        fail(f"the settings have no {what} {word!r} ({key}); {hint}", 2)
    if not word.strip() or len(word) > 100:
        fail(f"{word!r} is no name of a {what}", 2)


def _place_of(place: str | None, settings: Settings) -> str:
    from agent.insight.shelf import USUAL_PLACE

    names = [one.name for one in settings.shelf.places]
    if place is not None:
        known_place(place, settings)
        return place
    if len(names) > 1:
        fail(f"say where: --place {' or --place '.join(_quoted(name) for name in names)}", 2)
    return names[0] if names else USUAL_PLACE


def _quoted(word: str) -> str:
    return f'"{word}"' if " " in word else word


def _write(move: _Move, settings_file: SettingsFile, store: StoreUrl) -> None:
    """Write one entry about a part into the ledger, and say what the shelf holds now."""
    from agent.cli.fleetbook import settings_or_usual
    from agent.cli.wiring import load_settings, open_store
    from agent.insight.shelf import ORDERED, WITHDRAWN, Shelf
    from agent.insight.shelf import state as shelf_state

    now = datetime.now(UTC)
    when = move.at or now
    if when > now:
        fail(f"{when.isoformat()} has not come yet; --at says when it happened", 2)
    known = settings_or_usual(load_settings(settings_file))
    known_part(move.part, known)
    where = "" if move.kind in (ORDERED, WITHDRAWN) else _place_of(move.place, known)
    with open_store(store, settings_file) as opened:
        printers = {one.id: one for one in opened.printers(retired=True)}
        shelf = Shelf(known.spares(), known.places(), known.plans(), printers)
        before, _ = shelf_state(shelf, opened.ledger(until=now), now)
        _allowed(move.kind, move.part, move.count, where, before)
        entry = _entry(move, when, where, before)
        opened.append_ledger([entry])
        after, _ = shelf_state(shelf, opened.ledger(until=now), now)
    lying = ", ".join(f"{one.place}: {one.count}" for one in after.stock if one.part == move.part)
    coming = after.on_order(move.part)
    text = f"{entry.text}. Now {lying or 'none on the shelf'}" + (f"; {coming} on order" if coming else "")
    console.print(plain(text), soft_wrap=True)
    _hint_terms(move.kind, move.part, move.count, known)


def _entry(move: _Move, when: datetime, where: str, before: ShelfState) -> LedgerEntry:
    from agent.cli.service import user
    from agent.model.fleet import LedgerEntry

    data: dict[str, str | int | float | bool | None] = {"count": move.count}
    data |= {"place": where} if where else {}
    data |= {"remark": move.remark} if move.remark else {}
    data |= {"before": _at(before, move.part, where)} if move.kind == "shelfRecounted" else {}
    text = _text(move.kind, move.part, move.count, where, move.remark)
    return LedgerEntry(when, move.kind, text, None, move.part, user(move.by), data)


def _at(state: ShelfState, part: str, place: str) -> int:
    return sum(one.count for one in state.stock if (one.part, one.place) == (part, place))


def _allowed(kind: str, part: str, count: int, place: str, before: ShelfState) -> None:
    if kind == "shelfCountedOut" and _at(before, part, place) < count:
        fail(
            f"{part}: only {_at(before, part, place)} at {place}, {count} cannot be taken; a shelf holds no less than "
            f"nothing. If there were more, count again first: lowmark shelf recount {part} N --place {_quoted(place)}",
            2,
        )
    if kind in ("orderArrived", "orderWithdrawn") and before.on_order(part) < count:
        so_many = before.on_order(part)
        if kind == "orderWithdrawn":
            fail(f"{part}: only {so_many} on order, {count} cannot be called off", 2)
        if so_many == 0:
            fail(f"{part}: none is on order; what came without an order: lowmark shelf in {part} {count}", 2)
        fail(
            f"{part}: only {so_many} on order; say that {so_many} arrived, and count the rest in with lowmark shelf in",
            2,
        )


def _text(kind: str, part: str, count: int, place: str, remark: str) -> str:
    said = f" ({remark})" if remark else ""
    return {
        "shelfCountedIn": f"{count} {part} counted in at {place}",
        "shelfCountedOut": f"{count} {part} counted out at {place}",
        "shelfRecounted": f"{count} {part} lie at {place}, counted again",
        "ordered": f"{count} {part} ordered",
        "orderArrived": f"{count} {part} arrived at {place}",
        "orderWithdrawn": f"{count} {part} will not come",
    }[kind] + said


def _hint_terms(kind: str, part: str, count: int, settings: Settings) -> None:
    from agent.cli.wiring import warn

    terms = next((one.terms for one in settings.spares() if one.name == part), None)
    if kind != "ordered" or terms is None:
        return
    if count < terms.minimum:
        warn(f"the settings say that at least {terms.minimum} of {part} can be ordered")
    if count % terms.pack:
        warn(f"the settings say that {part} comes in packs of {terms.pack}")
