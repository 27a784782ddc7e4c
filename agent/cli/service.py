"""``lowmark service``: what was done to a printer, into the ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import At, SettingsFile, StoreUrl
from agent.cli.show import console, errors, fail, plain

if TYPE_CHECKING:
    from agent.model.fleet import LedgerEntry, PrinterHistory
    from agent.model.upkeep import Plan
    from agent.settings import Settings

_FUTURE = timedelta(minutes=5)

PrinterName = Annotated[
    str, typer.Argument(metavar="PRINTER", help="Its name, serial number, address, MAC or id.", show_default=False)
]
By = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who did it; else the user of this terminal.")]


@dataclass(frozen=True, slots=True)
class Deed:
    """What is said of a service besides the items: see the options of the command."""

    at: datetime
    who: str
    remark: str = ""
    counter: int | None = None
    part: str | None = None
    place: str | None = None
    from_shelf: bool = True
    accepted: bool = False


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("service")(service)


def service(  # noqa: PLR0913 - each is an option of the command
    printer: PrinterName,
    did: Annotated[
        str,
        typer.Option("--did", metavar="ITEM[,ITEM]", help="What was done: plans and supplies, like kit,toner:cyan."),
    ],
    by: By = None,
    counter: Annotated[
        int | None, typer.Option("--counter", min=0, metavar="N", help="The page counter read at the printer.")
    ] = None,
    part: Annotated[str | None, typer.Option("--part", metavar="PART", help="Which part was fitted.")] = None,
    place: Annotated[str | None, typer.Option("--place", metavar="PLACE", help="From which place it came.")] = None,
    no_part: Annotated[bool, typer.Option("--no-part", help="Nothing was taken from the shelf.")] = False,
    remark: Annotated[str, typer.Option("--remark", metavar="TEXT", help="What else there is to say.")] = "",
    at: At = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Write into the ledger what was done to a printer. The next interval starts from its counter at that moment.

    \b
    Example:
      lowmark service "Reading room" --did kit,calibration --by "Night desk" --counter 152310
      lowmark service TG00001 --did toner:black --part TG-40K --place "Cupboard 3"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.fleetbook import settings_or_usual
    from agent.cli.history import find
    from agent.cli.wiring import load_settings, open_store

    now = datetime.now(UTC)
    when = at or now
    if when > now + _FUTURE:
        fail(f"{when.isoformat()} has not come yet; --at says when the work was done", 2)
    known = settings_or_usual(load_settings(settings))
    with open_store(store, settings) as opened:
        found = find(opened, printer)
        history = opened.history(found.id, until=when)
        items = _items(did, history, known)
        _check_part(part, place, known)
        deed = Deed(when, user(by), remark, counter, part, place, from_shelf=not no_part)
        entries = entries_of(history, items, known.plans(), deed)
        opened.append_ledger(entries)
    for entry in entries:
        if entry.kind == "service":
            console.print(plain(f"{found.name}: {entry.text}"), soft_wrap=True)
    _say_next(items, known.plans(), history)


def user(by: str | None) -> str:
    """Who does this: as given, else the user of this terminal."""
    import getpass

    if by is not None and by.strip():
        return by.strip()[:100]
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "somebody"


def entries_of(history: PrinterHistory, items: Sequence[str], plans: Sequence[Plan], deed: Deed) -> list[LedgerEntry]:
    """The ledger entries of a service: one for each item, and one for each supply that a plan renewed."""
    from agent.model.fleet import LedgerEntry
    from agent.model.shelf import names_supply

    by_name = {plan.name: plan for plan in plans}
    printer_id = history.printer.id
    told = {"counter": deed.counter, "part": deed.part, "place": deed.place, "remark": deed.remark}
    data = {key: value for key, value in told.items() if value not in (None, "")}
    data |= {} if deed.from_shelf else {"fromShelf": False}
    data |= {"accepted": True} if deed.accepted else {}
    count = f" at {deed.counter:,}" if deed.counter is not None else ""
    said = f" ({deed.remark})" if deed.remark else ""
    words = "accepted as done" if deed.accepted else "done"
    made = []
    for item in items:
        made.append(LedgerEntry(deed.at, "service", f"{item} {words}{count}{said}", printer_id, item, deed.who, data))
        plan = by_name.get(item)
        keys = dict.fromkeys(track.key for track in history.supplies) if plan is not None and plan.renews else ()
        made += [
            LedgerEntry(deed.at, "swapped", f"{key} renewed with {item}", printer_id, key, deed.who, {"plan": item})
            for key in keys
            if plan is not None and names_supply(key, plan.renews) and key != item
        ]
    return made


def _items(did: str, history: PrinterHistory, settings: Settings) -> list[str]:
    from agent.model.shelf import fits
    from agent.settings.units import did_you_mean

    plans = [plan.name for plan in settings.plans() if fits(history.printer.model, plan.models)]
    known = [*plans, *dict.fromkeys(track.key for track in history.supplies)]
    items = list(dict.fromkeys(word.strip() for word in did.split(",") if word.strip()))
    if not items:
        fail(f"--did says nothing; write one or more of {', '.join(known) or 'the upkeep plans'}", 2)
    for item in items:
        if item not in known:
            hint = did_you_mean(item, known)
            listed = ", ".join(known) or "nothing: no upkeep plan applies and no supply has been read"
            fail(f"{history.printer.name} has no {item!r} to do; {hint or 'known here: ' + listed}", 2)
    return items


def _check_part(part: str | None, place: str | None, settings: Settings) -> None:
    from agent.cli.shelf import known_part, known_place

    if part is not None:
        known_part(part, settings)
    if place is not None:
        known_place(place, settings)


def _say_next(items: Sequence[str], plans: Sequence[Plan], history: PrinterHistory) -> None:
    """What is still to be done, and how Lowmark will see that it worked."""
    from agent.insight.upkeep import COLOURS
    from agent.model.shelf import fits, names_supply

    keys = list(dict.fromkeys(track.key for track in history.supplies))
    renewed = [key for key in keys if key in items]
    for plan in plans:
        if plan.name in items and plan.renews:
            renewed += [key for key in keys if names_supply(key, plan.renews)]
    if renewed:
        errors.print(
            plain(
                f"Reset the printer's own counter if it has one; Lowmark looks whether it shows "
                f"{', '.join(dict.fromkeys(renewed))} as new."
            ),
            soft_wrap=True,
        )
    colour = any(track.colorant in COLOURS for track in history.supplies)
    following = [
        plan.what
        for plan in plans
        if plan.name not in items
        and fits(history.printer.model, plan.models)
        and (colour or not plan.colour_only)
        and any(item in plan.after or names_supply(item, plan.after) for item in [*items, *renewed])
    ]
    if following:
        errors.print(plain(f"Now due: {'; '.join(following)}."), soft_wrap=True)
