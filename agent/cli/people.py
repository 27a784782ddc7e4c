"""``lowmark people`` and ``lowmark tokens``: who may come in.

A password is never the value of an option or an argument: every user of the machine may see those (``ps``).
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl
from agent.model.day_words import clock_words, day_words
from agent.model.people import DOES, Role
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.app.keeper import Keeper

Name = Annotated[str, typer.Argument(metavar="NAME", help="What the person is called.")]
By = Annotated[
    str | None,
    typer.Option("--by", metavar="NAME", help="Who does this; else whoever runs the command. For the ledger."),
]
PasswordFile = Annotated[
    Path | None,
    typer.Option(
        "--password-file", metavar="FILE", help="Read the password from the first line of a file; -: from stdin."
    ),
]
_RoleArgument = Annotated[Role, typer.Argument(metavar="ROLE", help="look, serve or administer.")]


_PEOPLE = """People who may sign in to the pages.

\b
Example:
  lowmark people add "Wren Ashdown" --role serve
  lowmark people list
  lowmark people remove "Wren Ashdown"
"""
_TOKENS = """Tokens with which programs use the API.

\b
Example:
  lowmark tokens add "stock list" --scope look --for 90d
  lowmark tokens list
  lowmark tokens revoke "stock list"
"""


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    people = typer.Typer(help=_PEOPLE, no_args_is_help=True)
    people.command("add")(add)
    people.command("list")(list_people)
    people.command("role")(role)
    people.command("password")(password)
    people.command("remove")(remove)
    app.add_typer(people, name="people")
    tokens = typer.Typer(help=_TOKENS, no_args_is_help=True)
    tokens.command("add")(add_token)
    tokens.command("list")(list_tokens)
    tokens.command("revoke")(revoke)
    app.add_typer(tokens, name="tokens")


def add(
    name: Name,
    may: Annotated[Role, typer.Option("--role", help="What they may do.")] = "look",
    password_file: PasswordFile = None,
    no_password: Annotated[
        bool, typer.Option("--no-password", help="They come through a proxy that knows them (listen.proxy).")
    ] = False,
    by: By = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Enter somebody who may sign in. The password is asked for, or read from a file.

    look: look at everything. serve: also record work, count parts and acknowledge alarms. administer: everything.

    \b
    Example:
      lowmark people add "Wren Ashdown" --role serve
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.cli.show import console, plain

    if no_password and password_file is not None:
        raise typer.BadParameter("give one of --password-file and --no-password")
    with _keeper(store, settings, create=True) as keeper:
        made = keeper.add(name, may, None if no_password else _password(password_file), _who(by))
    console.print(plain(f"{made.name} may {DOES[made.role]}."))


def list_people(as_json: AsJson = False, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Show everybody who may sign in.

    \b
    Example:
      lowmark people list
    """  # noqa: D301
    from agent.cli.show import console, emit, table
    from agent.cli.wiring import agent_zone

    with _keeper(store, settings) as keeper:
        everybody, zone = keeper.people(), agent_zone(settings)
    if as_json:
        listed = [
            {
                "name": one.name,
                "role": one.role,
                "password": bool(one.password),
                "made": one.made,
                "changed": one.changed,
            }
            for one in everybody
        ]
        emit("people", {"people": listed})
        return
    if not everybody:
        console.print("There is nobody yet: lowmark people add NAME --role administer")
        return
    rows = [
        (
            one.name,
            one.role,
            "yes" if one.password else "through a proxy",
            _day(one.made, zone),
            _day(one.changed, zone),
        )
        for one in everybody
    ]
    console.print(table(["name", "role", "password", "since", "password set"], rows, whole=(1, 3, 4)))


def role(name: Name, may: _RoleArgument, by: By = None, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Let somebody do more or less, from their next click on.

    \b
    Example:
      lowmark people role "Wren Ashdown" administer
    """  # noqa: D301
    from agent.cli.show import console, plain

    with _keeper(store, settings) as keeper:
        made = keeper.set_role(name, may, _who(by))
    console.print(plain(f"{made.name} may {DOES[made.role]}."))


def password(
    name: Name,
    password_file: PasswordFile = None,
    by: By = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Give somebody a new password; they have to sign in again everywhere.

    \b
    Example:
      lowmark people password "Wren Ashdown"
    """  # noqa: D301
    from agent.cli.show import console, plain

    with _keeper(store, settings) as keeper:
        made = keeper.set_password(name, _password(password_file), _who(by))
    console.print(plain(f"{made.name} has a new password and is signed out everywhere."))


def remove(name: Name, by: By = None, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Take somebody out; their sessions end at once. What they did stays in the ledger.

    \b
    Example:
      lowmark people remove "Wren Ashdown"
    """  # noqa: D301
    from agent.cli.show import console, plain

    with _keeper(store, settings) as keeper:
        keeper.remove(name, _who(by))
    console.print(plain(f"{name} is not known here any more."))


def add_token(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What it is for; the ledger calls its bearer so.")],
    may: Annotated[Role, typer.Option("--scope", help="What its bearer may do.")] = "look",
    lasts: Annotated[
        str, typer.Option("--for", metavar="TIME", help="How long it lasts: 12h, 90d, 52w; or: ever.")
    ] = "90d",
    by: By = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Make a token for a program, and show it this once; the store has its hash alone.

    \b
    Example:
      lowmark tokens add "stock list" --scope look --for 90d
    """  # noqa: D301
    from agent.cli.alarms import read_span
    from agent.cli.show import console, emit, errors, plain
    from agent.cli.wiring import agent_zone

    span = None if lasts == "ever" else read_span(lasts)
    with _keeper(store, settings, create=True) as keeper:
        secret, made = keeper.add_token(name, may, span, _who(by))
    if as_json:
        emit("token", {"token": secret, "id": made.id, "name": made.name, "scope": made.role, "expires": made.expires})
        return
    until = (
        f"until {clock_words(made.expires, agent_zone(settings), made.made)}" if made.expires else "until it is revoked"
    )
    errors.print(plain(f"This is shown once. {made.name} may {DOES[made.role]}, {until}."), soft_wrap=True)
    console.print(plain(secret), soft_wrap=True)


def list_tokens(as_json: AsJson = False, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Show every token there was: what it may, until when, and when it was used last.

    \b
    Example:
      lowmark tokens list
    """  # noqa: D301
    from agent.cli.show import console, emit, table
    from agent.cli.wiring import agent_zone

    with _keeper(store, settings) as keeper:
        found, zone = keeper.tokens(), agent_zone(settings)
    now = datetime.now(UTC)

    def told(at: datetime | None, otherwise: str = "") -> str:
        return otherwise if at is None else clock_words(at, zone, now)

    if as_json:
        listed = [
            {"id": one.id, "name": one.name, "scope": one.role, "made": one.made, "made_by": one.made_by,
             "expires": one.expires, "used": one.used, "revoked": one.revoked, "good": one.good(now)}
            for one in found
        ]  # fmt: skip
        emit("tokens", {"tokens": listed})
        return
    rows = [
        (one.id, one.name, one.role, told(one.made), one.made_by, told(one.expires, "never"),
         told(one.used, "never"), "revoked" if one.revoked else "good" if one.good(now) else "expired")
        for one in found
    ]  # fmt: skip
    headers = ["id", "name", "scope", "made", "by", "expires", "used", "state"]
    console.print(table(headers, rows, right=(0,), whole=(2, 3, 5, 6, 7)) if rows else "There is no token.")


def revoke(
    which: Annotated[str, typer.Argument(metavar="TOKEN", help="Its number or its name, never the token itself.")],
    by: By = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """End a token; it lets nobody in from now on.

    \b
    Example:
      lowmark tokens revoke "stock list"
    """  # noqa: D301
    from agent.cli.show import console, plain

    with _keeper(store, settings) as keeper:
        made = keeper.revoke(which, _who(by))
    console.print(plain(f"The token called {made.name} lets nobody in any more."))


# --- inside -------------------------------------------------------------------------------------------------------


@contextmanager
def _keeper(url: str | None, settings: Path | None, *, create: bool = False) -> Iterator[Keeper]:
    from agent.app.keeper import Keeper
    from agent.cli.wiring import agent_zone, open_store

    with open_store(url, settings, create=create) as store:
        yield Keeper(store, lambda: datetime.now(UTC), time.monotonic, zone=lambda: agent_zone(settings))


def _password(file: Path | None) -> str:
    """From the file, from what is piped in, or asked for twice."""
    if file is not None and str(file) != "-":
        try:
            with file.open(encoding="utf-8") as opened:
                found = opened.readline(2000)
        except (OSError, UnicodeDecodeError) as problem:
            why = problem.strerror if isinstance(problem, OSError) else "it is not UTF-8 text"
            raise typer.BadParameter(f"the password cannot be read from {file}: {why}") from None
    elif file is not None or not sys.stdin.isatty():
        found = sys.stdin.readline(2000)
    else:
        return str(
            typer.prompt("Password (12 characters or more)", hide_input=True, confirmation_prompt=True, err=True)
        )
    return found.rstrip("\r\n")


def _who(by: str | None) -> str:
    from getpass import getuser

    if by is not None:
        return by
    try:
        return getuser()
    except (KeyError, OSError):  # a user without a name, as in some containers
        return "somebody at the command line"


def _day(at: datetime, zone: str) -> str:
    there = zone_of(zone)
    return day_words(at.astimezone(there), datetime.now(there))
