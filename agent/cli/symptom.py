"""``lowmark symptom``: from what is seen on paper to the parts that are probably behind it.

The JSON (``lowmark.symptom.v1``) is described in docs/json-symptom.md.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, fail, plain, table

if TYPE_CHECKING:
    from agent.insight.process import Process
    from agent.model.fleet import Printer
    from agent.model.symptom import Ranking, Suspect

SHOWN = 6
"""So many suspects are shown with all that is known; the others in one line."""
_TURNS = {0.5: "1/2", 1 / 3: "1/3"}


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("symptom")(symptom)


def symptom(  # noqa: PLR0913 - each is an option of the command
    printer: Annotated[str, typer.Argument(metavar="PRINTER", help="Its name, serial number, address, MAC or id.")],
    seen: Annotated[
        str | None, typer.Option("--seen", metavar="KIND", help="What is seen; left out: the kinds there are.")
    ] = None,
    every: Annotated[
        str | None,
        typer.Option("--every", metavar="MM", help="The distance of marks, or of a ghost, along the paper, in mm."),
    ] = None,
    colour: Annotated[
        str, typer.Option("--colour", metavar="COLOUR", help="The colour that shows it, where it is only one.")
    ] = "",
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The parts that may be behind what is seen on paper, in order, by what is known of this printer.

    Lives nearly over, parts exchanged lately, upkeep that is due, alerts, jams and the display each weigh in, and each
    says so. A distance is compared with the rollers of the model's upkeep plans (settings: upkeep, rollers).

    \b
    Example:
      lowmark symptom desk-1
      lowmark symptom desk-1 --seen repeating-mark --every 94
      lowmark symptom desk-1 --seen wrong-colours --colour cyan --json
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.app.symptoms import case_of
    from agent.cli.fleetbook import settings_or_usual
    from agent.cli.history import find
    from agent.cli.wiring import load_settings, open_store
    from agent.insight.process import packaged
    from agent.insight.symptoms import distance, rank, read
    from agent.web.shapes_symptom import symptom as shape

    process = packaged()
    if seen is None and (every is not None or colour):
        fail("--every and --colour say more of what is seen: add --seen KIND (without it the kinds are listed)", 2)
    known = settings_or_usual(load_settings(settings))
    moment = at or datetime.now(UTC)
    ranking = None
    with open_store(store, settings) as opened:
        whose = find(opened, printer)
        if seen is not None:
            sight = read(process, seen, distance(every or ""), colour)
            ranking = rank(process, case_of(opened, known, whose.id, moment), sight)
    if as_json:
        emit("symptom", shape(process, whose, moment, ranking))
    elif ranking is None:
        _print_kinds(process)
    else:
        _print(process, whose, ranking)


def _print_kinds(process: Process) -> None:
    rows = [(one.kind, one.title, one.look, "yes" if one.distance else "") for one in process.symptoms.values()]
    console.print(table(("Kind", "What is seen", "How to tell it", "--every"), rows, whole=(0,)))
    console.print(plain("Say which: lowmark symptom PRINTER --seen KIND"), soft_wrap=True)


def _print(process: Process, whose: Printer, ranking: Ranking) -> None:
    from agent.insight.symptoms import care
    from agent.web.shapes_symptom import ADVICE

    told = process.symptoms[ranking.seen.kind]
    more = f", every {ranking.seen.every:g} mm" if ranking.seen.every is not None else ""
    more += f", in {ranking.seen.colour}" if ranking.seen.colour else ""
    console.print(plain(f"{whose.name}: {told.title}{more}"), style="bold", soft_wrap=True)
    console.print(plain(f"{told.look} First: {told.first}"), soft_wrap=True)
    rows = [_row(number, process, one) for number, one in enumerate(ranking.suspects[:SHOWN], 1)]
    headers = ("", "Part", "Stage", "Score", "Why here", "Look first", "Who")
    console.print(table(headers, rows, right=(0, 3)))
    rest = ranking.suspects[SHOWN:]
    if rest:
        console.print(
            plain("Less likely: " + ", ".join(f"{one.name} ({one.score:.3g})" for one in rest)), soft_wrap=True
        )
    console.print(plain(ranking.verdict), soft_wrap=True)
    if ranking.rollers:
        _print_rollers(ranking)
    for note in ranking.notes:
        console.print(plain(note), soft_wrap=True)
    console.print(plain(ADVICE), soft_wrap=True)
    console.print(plain("Take care:"), soft_wrap=True)
    for line in care(ranking.suspects[:SHOWN]):
        console.print(plain(f"  {line}"), soft_wrap=True)


def _print_rollers(ranking: Ranking) -> None:
    from agent.insight.symptoms import off_words

    rows = [
        (
            one.roller.name,
            "" if one.roller.diameter is None else f"{one.roller.diameter:g}",
            f"{one.roller.around:.1f}",
            _TURNS.get(one.turns, f"{one.turns:g}"),
            f"{one.expected:.1f}",
            off_words(one),
            f"{one.tolerance:.1f}",
            "fits" if one.fits else "",
        )
        for one in ranking.rollers
    ]
    headers = ("Roller", "Diameter", "One turn", "Turns", "Expected", "Off by", "May be off", "")
    console.print(table(headers, rows, title="Distances in mm", right=(1, 2, 3, 4, 5, 6)))


def _row(number: int, process: Process, one: Suspect) -> list[str]:
    from agent.model.alert_words import TRAINING

    reasons = [f"x {reason.factor:.2g}: {reason.text}" for reason in one.reasons]
    return [
        str(number),
        one.name,
        ", ".join(process.titles(one.stages)).lower() if len(one.stages) < 4 else "nearly all",
        f"{one.score:.3g}",
        "\n".join([f"{one.weight}: {one.why}", *reasons]),
        one.check,
        TRAINING[one.who],
    ]
