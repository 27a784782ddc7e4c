"""``lowmark service``: what was done to a printer, into the ledger, with its proof."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, errors, fail, plain
from agent.model.day_words import clock_words, dated_words
from agent.model.wording import supply_words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from agent.app.servicing import Servicing
    from agent.model.fleet import Printer
    from agent.model.proof import Proof, Recorded
    from agent.store import Store

PrinterName = Annotated[
    str, typer.Argument(metavar="PRINTER", help="Its name, serial number, address, MAC or id.", show_default=False)
]
AnyPrinter = Annotated[
    str | None,
    typer.Argument(metavar="[PRINTER]", help="Its name, serial number, address, MAC or id.", show_default=False),
]
By = Annotated[
    str | None, typer.Option("--who", "--by", metavar="NAME", help="Who did it; else the user of this terminal.")
]
Remarks = Annotated[str, typer.Option("--remarks", "--remark", metavar="TEXT", help="What else there is to say.")]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("service")(service)


def service(  # noqa: PLR0913 - each is an option of the command
    printer: AnyPrinter = None,
    did: Annotated[
        str | None,
        typer.Option(
            "--did",
            metavar="ITEM[,ITEM]",
            help="What was done: plans and supplies, like kit,toner:cyan; words that fit one alone will do (cyan).",
        ),
    ] = None,
    who: By = None,
    counter: Annotated[
        int | None,
        typer.Option("--counter", min=0, metavar="N", help="The page counter; without it the printer is asked now."),
    ] = None,
    part: Annotated[
        list[str] | None,
        typer.Option("--part", metavar="[ITEM=]PART", help="Which part was fitted; once for each item."),
    ] = None,
    place: Annotated[str | None, typer.Option("--from", "--place", metavar="PLACE", help="Where it was taken.")] = None,
    no_part: Annotated[bool, typer.Option("--no-part", help="Nothing was taken from the shelf.")] = False,
    remarks: Remarks = "",
    photo: Annotated[
        Path | None, typer.Option("--photo", metavar="FILE", help="A photo: JPEG, PNG or WebP, at most 8 MiB.")
    ] = None,
    corrects: Annotated[
        int | None,
        typer.Option("--corrects", min=1, metavar="ID", help="This stands in the place of that wrong entry."),
    ] = None,
    withdraw: Annotated[
        int | None, typer.Option("--withdraw", min=1, metavar="ID", help="Take that entry back: it was not done.")
    ] = None,
    accept: Annotated[
        str | None,
        typer.Option("--accept", metavar="ID", help="Log what a printer shows; lowmark suggestions lists the ids."),
    ] = None,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Write into the ledger what was done to a printer, ask the printer at once, and show the first proof.

    The next interval of a plan starts from the counter at the service. Nothing is erased: a wrong entry is corrected
    by another (--corrects), or withdrawn. lowmark proofs shows what became of it.

    \b
    Example:
      lowmark service "Reading room" --did kit,calibration --who "Night desk"
      lowmark service "Reading room" --did "cyan toner"
      lowmark service TG00001 --did toner:cyan --part toner:cyan=QU-C --from "Cupboard 3"
      lowmark service "Reading room" --corrects 812 --did toner:cyan --counter 152310
      lowmark service --withdraw 812 --remarks "wrong printer"
      lowmark service --accept 3-20260302T081500-toner:cyan
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.model.proof import Done

    given = [name for name, value in (("--withdraw", withdraw), ("--accept", accept)) if value is not None]
    if len(given) > 1 or (given and (did is not None or corrects is not None)):
        fail(f"{given[0]} stands alone: it takes no --did, --corrects or other such option", 2)
    if not given and printer is None:
        fail("which printer? lowmark service PRINTER --did ITEM[,ITEM]", 2)
    if not given and did is None and corrects is None:
        fail("what was done? lowmark service PRINTER --did ITEM[,ITEM]", 2)
    with desk(settings, store) as (opened, servicing):
        if withdraw is not None:
            gone = servicing.withdraw(withdraw, user(who), remarks)
            _show_withdrawn(opened, gone, as_json=as_json)
            return
        if accept is not None:
            _show(opened, servicing.accept(accept, user(who), _only(part), remarks), as_json=as_json)
            return
        from agent.cli.history import find

        found = find(opened, printer or "")
        parts = _parts(part or [], did or "")
        done = Done(
            found.id, (did,) if did is not None else (), user(who), at, parts, place or "", not no_part, counter,
            remarks, _photo(photo), corrects,
        )  # fmt: skip
        _show(opened, servicing.record(done), as_json=as_json)


class desk:  # noqa: N801 - used like a function: with desk(...) as (store, servicing)
    """The store and what one does with services, for a command."""

    def __init__(self, settings: Path | None, store: str | None) -> None:
        self._settings, self._url = settings, store

    def __enter__(self) -> tuple[Store, Servicing]:
        """Open. Raises Failure."""
        from agent.app.asking import OwnWire
        from agent.app.servicing import Servicing
        from agent.cli.fleetbook import settings_or_usual
        from agent.cli.wiring import find_settings, load_settings, open_store

        given = load_settings(self._settings)
        known = settings_or_usual(given)
        self._store = open_store(self._url, self._settings)

        def clock() -> datetime:
            return datetime.now(UTC)

        wire = OwnWire(self._store, given, find_settings(self._settings), clock)
        return self._store, Servicing(self._store, lambda: known, clock, wire)

    def __exit__(self, *_: object) -> None:
        """Close the store."""
        self._store.close()


def user(by: str | None) -> str:
    """Who does this: as given, else the user of this terminal."""
    import getpass

    if by is not None and by.strip():
        return by.strip()[:100]
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "somebody"


def _parts(given: list[str], did: str) -> dict[str, str]:
    """Parts by item. Without an item: of the only one that was done."""
    items = [word.strip() for word in did.split(",") if word.strip()]
    made: dict[str, str] = {}
    for one in given:
        item, equals, name = one.partition("=")
        if not equals:
            if len(items) != 1:
                fail(f"--part {one}: of which item? Write --part ITEM={one}", 2)
            item, name = items[0], one
        made[item.strip()] = name.strip()
    return made


def _only(given: list[str] | None) -> str:
    if given and len(given) > 1:
        fail("--accept takes one --part", 2)
    return given[0].rpartition("=")[2] if given else ""


def _photo(path: Path | None) -> bytes | None:
    from agent.app.photos import LARGEST

    if path is None:
        return None
    try:
        if not path.is_file():
            fail(f"--photo: there is no file {path}", 2)
        with path.open("rb") as file:
            return file.read(LARGEST + 1)
    except OSError as error:
        fail(f"--photo: {path} cannot be read ({error.strerror or error})", 2)


# --- output -------------------------------------------------------------------------------------------------------


def printers_of(store: Store) -> Mapping[int, Printer]:
    """Every printer by its id."""
    return {one.id: one for one in store.printers(retired=True)}


def _show(store: Store, recorded: Recorded, *, as_json: bool) -> None:
    from agent.insight.logbook import said
    from agent.web import shapes_service as shapes

    printers = printers_of(store)
    if as_json:
        emit("service", shapes.recorded(recorded, printers))
        return
    name = printers[recorded.service.printer_id].name
    console.print(plain(f"{name}: {said(recorded.service)}"), soft_wrap=True)
    console.print(plain(f"Entry {recorded.service.id} of the ledger, by {recorded.service.who}."), soft_wrap=True)
    for notice in recorded.notices:
        errors.print(plain(notice), soft_wrap=True)
    show_proof(recorded.proof, printers[recorded.service.printer_id].place.zone)


def _show_withdrawn(store: Store, gone: Any, *, as_json: bool) -> None:
    from agent.web import shapes_service as shapes

    printers = printers_of(store)
    if as_json:
        emit("service", shapes.withdrawn(gone, printers))
        return
    did = ", ".join(supply_words(deed.subject) for deed in gone.deeds)
    day = dated_words(gone.at, printers[gone.printer_id].place.zone)
    text = f"{printers[gone.printer_id].name}: entry {gone.id} ({did}, {day}, {gone.who}) is withdrawn."
    console.print(plain(text), soft_wrap=True)


def show_proof(proof: Proof, zone: str) -> None:
    """What the printer shows of a service, as lines. ``zone``: the site's."""
    words = {
        "seen": "seen   ", "waiting": "waits  ", "missing": "MISSING", "not-applicable": "-      "
    }  # fmt: skip
    until = f", until {clock_words(proof.until, zone, proof.service.at)}" if not proof.proven_at else ""
    console.print(plain(f"Proof: {proof.state}{until}"))
    for check in proof.checks:
        console.print(plain(f"  {words[check.state]}  {check.words}"), soft_wrap=True)
