"""``lowmark round``: what to carry where today, why, and how; on the terminal, as JSON, and on paper."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, errors, fail, plain, table
from agent.model.day_words import day_words
from agent.model.round import DUE, JOIN, JOINS, NOW, OVERDUE, STANDS, WAIT
from agent.model.wording import clean

if TYPE_CHECKING:
    from agent.insight.jobs import Morning
    from agent.model.round import Bring, Round, Visit
    from agent.settings import Settings

WORDS = {STANDS: "STANDS STILL", OVERDUE: "overdue", DUE: "due", JOINS: "joins"}
_STYLES = {STANDS: "bold red", OVERDUE: "bold red", DUE: "", JOINS: ""}
_DECIDED = {NOW: "now", JOIN: "joins", WAIT: "waits"}
_WAITS_SHOWN = 10
ROOM_FOR_COLUMNS = 110
"""From this width on the visits are a table; below it each is a block of lines."""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("round")(show_round)


def _day(text: str | date) -> date:
    if isinstance(text, date):
        return text
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no day; write it like 2026-03-02") from None


def show_round(  # noqa: PLR0913 - each is an option of the command
    site: Annotated[str | None, typer.Option("--site", metavar="SITE", help="Only the printers of this site.")] = None,
    day: Annotated[
        date | None,
        typer.Option(
            "--day", parser=_day, metavar="DAY", help="The day, like 2026-03-02; else the next on which one is made."
        ),
    ] = None,
    on_paper: Annotated[
        bool, typer.Option("--print", help="Write a PDF to carry along: round-SITE-DAY.pdf in this directory.")
    ] = False,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.pdf", help="Write the PDF there (implies --print).")
    ] = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="The sums behind each decision, and everything that waits.")
    ] = False,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """What there is to do at which printer, in the order of the walk: why now, what to bring, how long it takes.

    A job is on the round when waiting for the next one would cost more than the pages that are given up and the walk.
    Jobs at one printer are one visit. The order is site, building, floor (from the bottom up), room.

    \b
    Example:
      lowmark round
      lowmark round --site "Main library" --print
      lowmark round --day 2026-03-02 --explain
      lowmark round --json --at 2026-03-02T08:00:00+01:00
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.insight.reach import day_in
    from agent.insight.rounds import plan_round

    known, morning, as_of = _read(settings, store, site, at)
    zones = [one.printer.place.zone for one in morning.spots] if site is not None else []
    if day is not None and day < day_in(zones[0] if zones else known.zone, as_of):
        fail(f"{day} is over; --at MOMENT shows the round as it was planned at a moment", 2)
    made = plan_round(morning, as_of, site=site, day=day)
    if as_json:
        from agent.web.shapes_round import round_data

        emit("round", round_data(made))
    else:
        show_lines(made, explain=explain)
    if on_paper or to is not None:
        _write(made, known, to)


def _read(
    settings: Path | None, url: str | None, site: str | None, at: datetime | None
) -> tuple[Settings, Morning, datetime]:
    """Everything that the round is planned from."""
    from agent.app.past import alarms_at
    from agent.app.rounds import morning_of, spot_of_history
    from agent.cli.fleetbook import read_book, settings_or_usual
    from agent.cli.service import desk
    from agent.cli.wiring import load_settings
    from agent.insight.shelf import state as shelf_state

    known = settings_or_usual(load_settings(settings))
    as_of = at or datetime.now(UTC)
    with desk(settings, url) as (opened, servicing):
        book = read_book(opened, known, as_of)
        latest = opened.latest()
        alarms = opened.alarms() if at is None else alarms_at(opened, at)
        proofs = servicing.proofs(None, as_of)
    _check_site(site, {one.printer.place.site for one in book.histories})
    spots = [
        spot_of_history(one, book.insights[one.printer.id], book.upkeep(one), latest.get(one.printer.id))
        for one in book.histories
        if site is None or one.printer.place.site == site
    ]
    stock, _ = shelf_state(book.shelf, book.ledger, as_of)
    return known, morning_of(known, spots, book.shelf, stock, alarms, proofs), as_of


def _check_site(site: str | None, sites: set[str]) -> None:
    from agent.settings.units import did_you_mean

    if site is not None and site not in sites:
        named = sorted(one for one in sites if one)
        hint = did_you_mean(site, named) or f"sites with printers: {', '.join(named) or 'none'}"
        fail(f"no printer stands at {site!r}; {hint}", 2)


# --- on paper ------------------------------------------------------------------------------------------------------


def _write(made: Round, known: Settings, to: Path | None) -> None:
    from agent.drawing import more_signs
    from agent.web.round_pdf import pdf

    path = to or Path(f"round-{_file_word(made.site or 'all')}-{made.day}.pdf")
    try:
        path.write_bytes(pdf(made, known.listen.public_url or "", more_signs()))
    except OSError as error:
        fail(f"{path} cannot be written: {error.strerror or error}", 2)
    errors.print(plain(f"Written: {path}"), soft_wrap=True)


def _file_word(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower()[:60] or "site"


# --- on the terminal -----------------------------------------------------------------------------------------------


def show_lines(made: Round, *, explain: bool = False) -> None:
    """Print the round: what to carry, the visits, what to take care of, and what waits."""
    _say(title_of(made))
    for remark in made.remarks:
        _say(remark)
    if made.visits:
        _show_carry(made)
        if console.width < ROOM_FOR_COLUMNS:
            _show_cards(made.visits)
        else:
            _show_visits(made.visits)
        _say("Take care (common practice; the maker's service manual and local codes come first):")
        for line in made.cautions:
            _say(f"  {line}")
    if explain:
        _explain(made)
    _show_waits(made, every=explain)


def title_of(made: Round) -> str:
    """One line about the whole round."""
    where = f"at {made.site}" if made.site else "at all sites"
    head = f"Round {where} on {day_words(made.day)} {made.day.year}"
    if not made.visits:
        return f"{head}: nothing is to be done."
    walks = sum(one.walk for one in made.visits)
    jobs = len(made.cards)
    text = f"{head}: {_many(len(made.visits), 'visit')}, {_many(jobs, 'job')}, about {_hours(made.minutes)}"
    text += f" ({_hours(walks)} of it walking)" if walks else ""
    return f"{text}. Next round: {day_words(made.next_day, made.day)}." if made.next_day is not None else f"{text}."


def _many(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def _hours(minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if hours and rest else f"{hours} h" if hours else f"{rest} min"


def _show_carry(made: Round) -> None:
    rows: list[Sequence[object]] = [
        (one.count, one.part or one.what, one.what if one.part else "", _where(one.place, one.on_shelf))
        for one in made.carry
    ]
    rows += [(one.count, one.part, one.what, f"none on the shelf: {one.note}") for one in made.lacking]
    if rows:
        console.print(table(("", "Carry", "What", "From"), rows, right=(0,), lead=3))


def _where(place: str, on_shelf: int | None) -> str:
    if place:
        return f"{place} ({on_shelf} there)" if on_shelf is not None else place
    return "nobody counted"


def _show_cards(visits: Iterable[Visit]) -> None:
    """One block for each visit: where, and below it each job with why, bring and minutes."""
    from rich.padding import Padding
    from rich.text import Text

    def say(indent: int, *parts: str | Text) -> None:
        console.print(Padding(Text.assemble(*parts), (0, 0, 0, indent)), overflow="fold")

    for visit in visits:
        place = _place(visit)
        console.print()
        head = f"{visit.number:>2}  {visit.printer}"
        console.print(Text.assemble(Text(head, "bold"), f"  {visit.minutes} min of work, {visit.walk} min to walk"))
        if place:
            say(4, place)
        for card in visit.cards:
            word = Text(f"{WORDS[card.urgency]}: ", _STYLES[card.urgency])
            say(4, word, Text(clean(card.title, 300), "bold"), f" ({card.minutes} min)")
            for one in card.why:
                say(8, one.text)
            for bring in card.bring:
                say(8, f"Bring {bring_words(bring)}")
            if card.follows:
                say(8, f"Then: {', '.join(card.follows)}")
    console.print()


def _place(visit: Visit) -> str:
    place = visit.place
    return ", ".join(one for one in (place.site, place.building, place.floor, place.room) if one)


def _show_visits(visits: Iterable[Visit]) -> None:
    from rich.text import Text

    rows: list[Sequence[object]] = []
    for visit in visits:
        for at, card in enumerate(visit.cards):
            place = _place(visit)
            where = f"{visit.printer}\n{place}" if place else visit.printer
            follows = f"\nthen: {', '.join(card.follows)}" if card.follows else ""
            rows.append(
                (
                    visit.number if at == 0 else "",
                    plain(where) if at == 0 else "",
                    Text(WORDS[card.urgency], _STYLES[card.urgency]),
                    plain(f"{card.title}{follows}"),
                    plain("\n".join(one.text for one in card.why)),
                    plain("\n".join(bring_words(one) for one in card.bring)),
                    card.minutes,
                )
            )
    headers = ("", "Printer", "", "Do", "Why now", "Bring", "Min")
    console.print(table(headers, rows, right=(0, 6)))


def bring_words(one: Bring) -> str:
    """What to carry, and from where."""
    name = one.part or one.what
    if one.place:
        return f"{one.count} {name} from {one.place}"
    return f"{one.count} {name}" + (f": {one.note}" if one.note else "")


def _explain(made: Round) -> None:
    rows = [
        (
            one.printer,
            one.title,
            _DECIDED[one.decision],
            f"{one.chance * 100:.1f} %",
            f"{one.standstill:.0f}",
            f"{one.risk:.1f}",
            f"{one.pages:,.0f}",
            "" if one.money is None else f"{one.money}",
            f"{one.waste:.1f}",
            f"{one.walk:.0f}",
            f"{one.cost_now:.1f}",
            f"{one.cost_later:.1f}",
            one.why,
        )
        for one in made.weighings
    ]
    if not rows:
        return
    money = made.currency or "Money"
    headers = (
        "Printer",
        "Job",
        "",
        "Chance",
        "x Harm",
        "= Risk",
        "Pages",
        money,
        "Waste",
        "+ Walk",
        "= Now",
        "Later",
        "Because",
    )
    title = "The sums, in minutes of work (chance: that it runs dry before the next round; later: the least of waiting)"
    console.print(table(headers, rows, title=title, right=tuple(range(3, 12)), lead=3))


def _show_waits(made: Round, *, every: bool) -> None:
    shown = made.waits if every else made.waits[:_WAITS_SHOWN]
    if not shown:
        return
    rows = [
        (one.printer, one.title, day_words(one.due, made.day) if one.due is not None else "", plain(one.why))
        for one in shown
    ]
    console.print()
    console.print(table(("Printer", "Job", "Due", "Why it waits"), rows, title="Not on this round", whole=(2,), lead=3))
    if len(shown) < len(made.waits):
        _say(f"{len(made.waits) - len(shown)} more wait; --explain shows all, with the sums.")


def _say(text: str) -> None:
    console.print(plain(text), soft_wrap=True)
