"""``lowmark hands``: do a technician's work at a simulated printer of a rehearsal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson
from agent.cli.show import console, emit, errors, fail, plain

if TYPE_CHECKING:
    from agent.model.hands import Handwork
    from agent.rehearsal.hands import Hands


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("hands")(hands)


def hands(  # noqa: PLR0913 - each is an option of the command
    printer: Annotated[
        str, typer.Argument(metavar="PRINTER", help="Its name, serial number or address.", show_default=False)
    ],
    fit: Annotated[
        list[str] | None, typer.Option("--fit", metavar="SUPPLY[=SHARE]", help="Fit a new one, or a used one (=40%).")
    ] = None,
    empty: Annotated[list[str] | None, typer.Option("--empty", metavar="SUPPLY", help="Empty a receptacle.")] = None,
    reset: Annotated[
        list[str] | None, typer.Option("--reset", metavar="SUPPLY", help="Reset the printer's counter of a part.")
    ] = None,
    level: Annotated[
        list[str] | None, typer.Option("--set", metavar="SUPPLY=SHARE", help="So much of it is left from now on.")
    ] = None,
    calibrate: Annotated[bool, typer.Option("--calibrate", help="Have it calibrate.")] = False,
    jam: Annotated[bool, typer.Option("--jam", help="Jam the paper.")] = False,
    clear: Annotated[bool, typer.Option("--clear", help="Clear the jam.")] = False,
    no_reset: Annotated[
        bool, typer.Option("--no-reset", help="With --fit: leave the printer's own counter as it is.")
    ] = False,
    rehearsal: Annotated[
        Path | None, typer.Option("--rehearsal", metavar="DOOR", help="Which one, when several are running.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Do something at a simulated printer of lowmark demo or lowmark rehearse; it answers accordingly from then on.

    \b
    Example:
      lowmark hands hl-02 --fit toner:cyan
      lowmark hands hl-02 --fit fuser --no-reset      # the counter still shows the old one
      lowmark hands hl-02 --reset fuser
      lowmark hands hl-02 --empty wasteToner --calibrate
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.model.hands import CALIBRATE, CLEAR, EMPTY, FIT, JAM, RESET, SET, Handwork
    from agent.rehearsal.hands import through

    works: list[Handwork] = [_with_share(FIT, one, 1.0, reset=not no_reset) for one in fit or ()]
    works += [Handwork(EMPTY, one) for one in empty or ()]
    works += [Handwork(RESET, one) for one in reset or ()]
    works += [_with_share(SET, one, None) for one in level or ()]
    works += [Handwork(verb) for verb, wanted in ((CALIBRATE, calibrate), (JAM, jam), (CLEAR, clear)) if wanted]
    if not works:
        fail("what shall be done? For instance: lowmark hands PRINTER --fit toner:cyan", 2)
    door = rehearsal or _door()
    said = [through(door, printer, work) for work in works]
    if as_json:
        emit("hands", {"printer": printer, "done": said})
        return
    for text in said:
        console.print(plain(text), soft_wrap=True)


@contextmanager
def let_in(hands: Hands) -> Iterator[None]:
    """Let ``lowmark hands`` in while this lasts; where that cannot be, say so and go on without."""
    from agent.rehearsal.hands import CannotDo, Door

    with ExitStack() as stack:
        try:
            stack.enter_context(Door(hands))
        except CannotDo as failure:
            errors.print(plain(f"lowmark hands will not find this rehearsal: {failure}"), soft_wrap=True)
        yield


def _with_share(verb: str, text: str, usual: float | None, *, reset: bool = True) -> Handwork:
    from agent.model.hands import Handwork

    subject, equals, share = text.rpartition("=")
    if not equals:
        if usual is None:
            fail(f"--{verb} {text}: how much is left? Write --{verb} {text}=40%", 2)
        return Handwork(verb, text, usual, reset)
    try:
        number = float(share.strip().removesuffix("%")) / (100 if share.strip().endswith("%") else 1)
    except ValueError:
        fail(f"--{verb}: {share!r} is no share; write e.g. 40% or 0.4", 2)
    return Handwork(verb, subject, number, reset)


def _door() -> Path:
    from agent.rehearsal.hands import doors

    found = list(doors())
    if not found:
        fail("no rehearsal is running here: start lowmark demo or lowmark rehearse in another terminal", 1)
    if len(found) > 1:
        fail(f"several rehearsals are running; name one with --rehearsal: {', '.join(map(str, found))}", 2)
    return found[0]
