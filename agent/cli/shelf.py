"""``lowmark shelf``: spare parts in stock, what they fit, what is on its way, and what to order."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, fail, plain
from agent.model.stocktaking import NotPossible

if TYPE_CHECKING:
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
    from agent.cli.stock import reckon, show
    from agent.cli.wiring import load_settings, open_store
    from agent.web.shapes_shelf import shelf as as_data

    known = settings_or_usual(load_settings(settings))
    with open_store(store, settings) as opened:
        book = read_book(opened, known, at or datetime.now(UTC))
    found = reckon(book)
    if as_json:
        emit("shelf", as_data(found))
        return
    show(found)


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
    from agent.insight import movements
    from agent.insight.shelf import Shelf

    with _said():
        movements.known_part(part, Shelf(settings.spares(), settings.places()))


def known_place(place: str, settings: Settings) -> None:
    """Leave with status 2 when the settings have places and this is none of them."""
    from agent.insight import movements
    from agent.insight.shelf import Shelf

    with _said():
        movements.known_place(place, Shelf(settings.spares(), settings.places()))


@contextmanager
def _said() -> Iterator[None]:
    """What is not possible is said, and the command ends."""
    try:
        yield
    except NotPossible as failure:
        fail(str(failure), failure.status)


def _write(move: _Move, settings_file: SettingsFile, store: StoreUrl) -> None:
    """Write one entry about a part into the ledger, and say what the shelf holds now."""
    from agent.cli.fleetbook import settings_or_usual
    from agent.cli.service import user
    from agent.cli.wiring import load_settings, open_store, warn
    from agent.insight.movements import doubts, entry_of, now_words
    from agent.insight.shelf import Shelf
    from agent.insight.shelf import state as shelf_state
    from agent.model.day_words import clock_words
    from agent.model.stocktaking import Movement

    now = datetime.now(UTC)
    when = move.at or now
    known = settings_or_usual(load_settings(settings_file))
    if when > now:
        fail(f"{clock_words(when, known.zone, now)} has not come yet; --at says when it happened", 2)
    said = Movement(move.kind, move.part, move.count, user(move.by), move.place, move.remark)
    with open_store(store, settings_file) as opened:
        printers = {one.id: one for one in opened.printers(retired=True)}
        shelf = Shelf(known.spares(), known.places(), known.plans(), printers, known.zone)
        before, _ = shelf_state(shelf, opened.ledger(until=now), now)
        with _said():
            entry = entry_of(said, shelf, before, when)
        opened.append_ledger([entry])
        after, _ = shelf_state(shelf, opened.ledger(until=now), now)
    console.print(plain(f"{entry.text}. {now_words(after, move.part)}"), soft_wrap=True)
    for doubt in doubts(said, shelf):
        warn(doubt)
