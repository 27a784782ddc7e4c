"""``lowmark letters``: which letters are written when; and one of them written now, without sending it.

``lowmark.letters.v1``: at, letters [{name, kind, channel, to, sites, at, days, zone, locale, next}].
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from agent.cli.options import AsJson, At, SettingsFile, StoreUrl
from agent.cli.show import console, emit, fail, plain, table
from agent.model.day_words import moment_words

if TYPE_CHECKING:
    from agent.app.digests import Sources
    from agent.settings import Letter, Settings

KINDS = ("morning", "weekly")
EVERY = ""
_AHEAD = 370


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("letters", cls=_Bare)(letters)


class _Bare(TyperCommand):
    """``--preview`` without a name stands for every letter that the settings have."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """As always, with the name that was left out."""
        filled: list[str] = []
        for at, word in enumerate(args):
            filled.append(word)
            if word == "--preview" and (at + 1 == len(args) or args[at + 1].startswith("-")):
                filled.append(EVERY)
        return super().parse_args(ctx, filled)


def letters(
    preview: Annotated[
        str | None,
        typer.Option(
            "--preview",
            metavar="NAME",
            help="Write this letter now: its name, or morning or weekly; without a name all of the settings.",
        ),
    ] = None,
    site: Annotated[
        list[str] | None, typer.Option("--site", help="With --preview: only this site; again for more.")
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.eml", help="With --preview: write the mail, pictures and all.")
    ] = None,
    at: At = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The letters that are written regularly, and when the next of each is due. Nothing is sent by this command.

    \b
    Example:
      lowmark letters
      lowmark letters --preview
      lowmark letters --preview morning
      lowmark letters --preview weekly --site "Main library" --to weekly.eml
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.fleetbook import settings_or_usual
    from agent.cli.wiring import load_settings

    known = settings_or_usual(load_settings(settings))
    now = at or datetime.now(UTC)
    if preview is not None:
        names = (preview,) if preview != EVERY else tuple(one.name for one in known.letters)
        if not names:
            fail(f"the settings have no letters; say which kind to write: --preview {' or '.join(KINDS)}", 2)
        if to is not None and len(names) > 1:
            fail(f"--to takes one letter; say which: --preview {' or '.join(names)}", 2)
        for at_letter, name in enumerate(names):
            if at_letter:
                console.print(plain("-" * 40))
            _preview(known, settings, store, _letter(known, name, tuple(site or ())), now, to)
        return
    if to is not None or site:
        raise typer.BadParameter("--to and --site go with --preview")
    rows = [_row(one, known, now) for one in known.letters]
    if as_json:
        emit("letters", {"at": now, "letters": rows})
    else:
        _print(rows)


def _letter(known: Settings, name: str, sites: tuple[str, ...]) -> Letter:
    """The letter of this name, or one of this kind with nothing else said."""
    from agent.settings import Letter

    found = next((one for one in known.letters if one.name == name), None)
    if found is None and name in KINDS:
        found = Letter(name=name, kind=name, channel="preview")  # type: ignore[arg-type]
    if found is None:
        names = ", ".join((*(one.name for one in known.letters), *KINDS))
        fail(f"there is no letter {name!r}; there are: {names}", 2)
    return found.model_copy(update={"sites": sites}) if sites else found


def _preview(
    known: Settings, settings: Path | None, store: str | None, letter: Letter, now: datetime, to: Path | None
) -> None:
    from agent.app.digests import compose, day_of
    from agent.app.writing import message_of
    from agent.cli.wiring import open_store
    from agent.notify.mail import digest_letter

    with open_store(store, settings) as opened:
        digest = compose(letter, sources(opened, known, now), now)
    if to is None:
        console.print(plain(f"Subject: {digest.subject}"), soft_wrap=True)
        console.print(plain(""))
        console.print(plain(digest.plain), soft_wrap=True)
        return
    message = message_of(letter, day_of(letter, known, now), digest, now)
    mail = next((one for one in known.channels if one.name == letter.channel and one.kind == "mail"), None)
    sender = mail.sender if mail is not None and mail.kind == "mail" else "lowmark@localhost"
    receivers = digest.to or (mail.to if mail is not None and mail.kind == "mail" else ("preview@localhost",))
    content = digest_letter(message, digest, sender, receivers).as_bytes()
    try:
        to.write_bytes(content)
    except OSError as error:
        fail(f"{to} cannot be written: {error.strerror or error}", 2)
    pictures = f", {len(digest.pictures)} pictures" if digest.pictures else ""
    console.print(plain(f"written: {to} ({len(content):,} octets{pictures})"), soft_wrap=True)


def sources(store: Any, known: Settings, now: datetime) -> Sources:
    """Where a letter is looked up, in the store alone."""
    from agent.app.digests import Sources
    from agent.app.rounds import morning_of, spot_of_history
    from agent.app.shelving import Shelving
    from agent.cli.fleetbook import read_book
    from agent.insight.rounds import plan_round
    from agent.model.fleet import PrinterView

    book = read_book(store, known, now)
    latest, contacts, alarms = store.latest(), store.contacts(), store.alarms()
    due = {one.printer.id: book.upkeep(one) for one in book.histories}
    shelving = Shelving(store, lambda: known, lambda: (book.insights, due), lambda: {one.id: one for one in book.every})
    views = []
    for one in book.histories:
        state = contacts.get(one.printer.id)
        reachable, since = (state.reachable, state.since) if state is not None else (False, now)
        views.append(PrinterView(one.printer, latest.get(one.printer.id), reachable, since))

    def plan(site: str | None) -> Any:
        spots = [
            spot_of_history(one, book.insights[one.printer.id], due[one.printer.id], latest.get(one.printer.id))
            for one in book.histories
            if site is None or one.printer.place.site == site
        ]
        return plan_round(morning_of(known, spots, book.shelf, shelving.stock(now)[1], alarms), now, site=site)

    def advice() -> Any:
        shelving.reckon(now)
        return shelving.look(now).advice

    return Sources(store, known, views, book.insights, alarms, plan, lambda: shelving.stock(now), advice)


def _row(letter: Letter, known: Settings, now: datetime) -> dict[str, Any]:
    from agent.app.digests import locale_of, zone_name

    return {
        "name": letter.name,
        "kind": letter.kind,
        "channel": letter.channel,
        "to": list(letter.to),
        "sites": list(letter.sites),
        "at": letter.at,
        "days": list(letter.days),
        "zone": zone_name(letter, known),
        "locale": locale_of(letter, known),
        "next": _next(letter, known, now),
    }


def _next(letter: Letter, known: Settings, now: datetime) -> datetime | None:
    from agent.app.digests import zone_name
    from agent.app.writing import is_day
    from agent.model.zones import zone_of

    zone = zone_of(zone_name(letter, known))
    today: date = now.astimezone(zone).date()
    for ahead in range(_AHEAD):
        day = today + timedelta(days=ahead)
        moment = datetime.combine(day, time.fromisoformat(letter.at), zone)
        if moment > now and is_day(letter, known, day):
            return moment
    return None


def _print(rows: list[dict[str, Any]]) -> None:
    if not rows:
        console.print(plain("no letters are written; see letters in: lowmark settings example"))
        return
    shown = []
    for row in rows:
        due = row["next"]
        whom = ", ".join(row["to"]) or f"the receivers of {row['channel']}"
        when = "" if due is None else f"{moment_words(due)} {due:%Z}"
        shown.append((row["name"], row["kind"], ", ".join(row["sites"]) or "all sites", whom, when))
    console.print(table(("Letter", "Kind", "About", "To", "Next"), shown))
