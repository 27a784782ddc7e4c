"""``lowmark proofs`` and ``lowmark suggestions``: what became of services, and what nobody logged."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.service import AnyPrinter, desk, printers_of
from agent.cli.show import console, emit, plain, table
from agent.model.day_words import moment_words
from agent.model.wording import supply_words
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.model.fleet import Printer
    from agent.model.proof import Proof

_WORDS = {"proving": "proving", "proven": "proven", "unproven": "NOT PROVEN"}


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("proofs")(proofs)
    app.command("suggestions")(suggestions)


def proofs(
    printer: AnyPrinter = None,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The services of the last thirty days with what the printers show of them, and what is missing.

    Exit status 1 when one of them is not proven within the set time (servicing.prove_within).

    \b
    Example:
      lowmark proofs
      lowmark proofs "Reading room" --at 2026-03-02T08:00:00+01:00
      lowmark proofs --json
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.history import find
    from agent.web import shapes_service as shapes

    as_of = at or datetime.now(UTC)
    with desk(settings, store) as (opened, servicing):
        wanted = find(opened, printer).id if printer is not None else None
        found = servicing.proofs(wanted, as_of)
        printers = printers_of(opened)
    if as_json:
        emit("proofs", shapes.proofs(found, printers, as_of))
    elif not found:
        console.print(plain("No service was logged within the last thirty days: lowmark service PRINTER --did ITEM"))
    else:
        rows = [_row(one, printers[one.service.printer_id], as_of) for one in reversed(found)]
        headers = ("Entry", "When", "Printer", "Done", "By", "Proof", "What is seen, and what is not")
        console.print(table(headers, rows, right=(0,), whole=(1, 5), lead=4))
    if any(one.state == "unproven" for one in found):
        raise typer.Exit(1)


def _row(proof: Proof, printer: Printer, as_of: datetime) -> tuple[object, ...]:
    service = proof.service
    when = service.at.astimezone(zone_of(printer.place.zone))
    waits = [one.words for one in proof.checks if one.state == "waiting"]
    seen = [one.words for one in proof.checks if one.state == "seen"]
    words = "; ".join([*proof.missing, *waits] or seen or [one.words for one in proof.checks])
    did = ", ".join(supply_words(deed.subject) for deed in service.deeds)
    return (service.id, moment_words(when, as_of), printer.name, did, service.who, _WORDS[proof.state], words)


def suggestions(
    printer: AnyPrinter = None,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """What printers show to have been done in the last thirty days although nobody logged it.

    \b
    Example:
      lowmark suggestions
      lowmark service --accept 3-20260302T081500-toner:cyan --who "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.history import find
    from agent.web import shapes_service as shapes

    as_of = at or datetime.now(UTC)
    with desk(settings, store) as (opened, servicing):
        wanted = find(opened, printer).id if printer is not None else None
        found = servicing.suggestions(wanted, as_of)
        printers = printers_of(opened)
    if as_json:
        emit("suggestions", shapes.suggestions(found, printers, as_of))
        return
    if not found:
        console.print(plain("Nothing: all that the printers show was logged."))
        return
    rows = [
        (printers[one.printer_id].name, ", ".join(map(supply_words, one.subjects)), one.words, one.id) for one in found
    ]
    console.print(table(("Printer", "What", "What the printer shows", "Accept with --accept"), rows, whole=(3,)))
    console.print(plain("lowmark service --accept ID --who NAME writes the entry."))
