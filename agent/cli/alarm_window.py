"""``lowmark alarms window``: maintenance windows, opened and closed at once; alarms are suppressed by design meanwhile.

``lowmark.alarms.windows.v1``: at, windows [{name, reason, who, begin, end, sites, tags, printers, source, open}].
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from agent.cli.options import AsJson, SettingsFile, StoreUrl
from agent.model.day_words import clock_words
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.model.window import Opened
    from agent.settings import Settings
    from agent.store import Store

Name = Annotated[str, typer.Argument(metavar="NAME", help="What the window is called.")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who does this; it stands in the ledger.")]


def windows() -> typer.Typer:
    """The group of commands."""
    group = typer.Typer()
    group.callback(invoke_without_command=True)(show)
    group.command("open")(open_one)
    group.command("close")(close_one)
    return group


def show(
    context: typer.Context, as_json: AsJson = False, settings: SettingsFile = None, store: StoreUrl = None
) -> None:
    """The maintenance windows: those that people opened, and those of the settings.

    \b
    Example:
      lowmark alarms window
      lowmark alarms window open switch-b2 --for 4h --by "Night desk" --reason "the switch is exchanged" --tag switch-b2
      lowmark alarms window close switch-b2 --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    if context.invoked_subcommand is not None:
        return
    from agent.cli.show import emit
    from agent.cli.wiring import agent_zone, load_settings, open_store

    now = datetime.now(UTC)
    with open_store(store, settings) as opened:
        found = [{**one.to_data(), "source": "opened", "open": now < one.end} for one in opened.windows()]
    found += _of_settings(load_settings(settings), now)
    if as_json:
        emit("alarms.windows", {"at": now, "windows": found})
    else:
        _print(found, agent_zone(settings), now)


def _of_settings(settings: Settings | None, now: datetime) -> list[dict[str, Any]]:
    if settings is None:
        return []
    zones = {settings.zone, *(site.zone for site in settings.sites.values())}
    return [
        {
            "name": one.name, "reason": one.reason, "who": "", "begin": one.begin, "end": one.end,
            "sites": list(one.sites), "tags": list(one.tags), "printers": list(one.printers), "source": "settings",
            "open": any(one.holds(zone, now) for zone in zones),
        }
        for one in settings.windows()
    ]  # fmt: skip


def open_one(  # noqa: PLR0913 - each is an option of the command
    name: Name,
    by: By,
    length: Annotated[str, typer.Option("--for", metavar="TIME", help="For how long: 30m, 4h, 3d, 2w.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why; it stands in the ledger.")],
    site: Annotated[list[str] | None, typer.Option("--site", help="Only this site; again for more.")] = None,
    tag: Annotated[list[str] | None, typer.Option("--tag", help="Only printers with this tag; again for more.")] = None,
    printer: Annotated[
        list[str] | None, typer.Option("--printer", help="Only this printer (name, address, serial); again for more.")
    ] = None,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Open a maintenance window now: alarms of its printers are told afterwards only, if they still hold.

    \b
    Example:
      lowmark alarms window open switch-b2 --for 4h --by "Night desk" --reason "the switch is exchanged" --tag switch-b2
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.lifecycle import NotApplicableError
    from agent.alarms.opening import open_window
    from agent.cli.alarms import read_span
    from agent.cli.show import console, fail, plain
    from agent.cli.wiring import agent_zone, open_store
    from agent.model.window import Opened as Wanted

    now = datetime.now(UTC)
    wanted = Wanted(
        name, now, now + read_span(length), by, reason, tuple(site or ()), tuple(tag or ()), tuple(printer or ())
    )
    with open_store(store, settings) as opened:
        try:
            made, entry = open_window(wanted, [one for one in opened.windows() if one.end > now])
            _forget_the_old(opened, name, now)
        except NotApplicableError as problem:
            fail(str(problem), 2)
        opened.open_window(made, entry)
        covered = _covered(opened, made)
    console.print(plain(f"{entry.text}; until {clock_words(made.end, agent_zone(settings), now)}"), soft_wrap=True)
    console.print(plain(f"{covered} {'printer is' if covered == 1 else 'printers are'} in it"), soft_wrap=True)
    if not covered:
        fail("no printer in service is in it; lowmark sweep shows names and sites, the settings file the tags", 1)


def _covered(store: Store, made: Opened) -> int:
    from agent.alarms.windows import window_of

    window = window_of(made)
    return sum(window.covers(printer) for printer in store.printers())


def _forget_the_old(store: Store, name: str, now: datetime) -> None:
    """One of this name may still be there although its time is over, while no agent runs."""
    from agent.alarms.opening import close_window

    for one in store.windows():
        if one.name == name and one.end <= now:
            store.close_window(one, close_window(one, now))


def close_one(name: Name, by: By, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Close a maintenance window before its time.

    \b
    Example:
      lowmark alarms window close switch-b2 --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.opening import close_window
    from agent.cli.show import console, fail, plain
    from agent.cli.wiring import open_store

    if not by.strip():
        raise typer.BadParameter("it needs a name: who does this?", param_hint="--by")
    with open_store(store, settings) as opened:
        known = opened.windows()
        found = next((one for one in known if one.name == name), None)
        if found is None:
            names = ", ".join(one.name for one in known) or "none"
            fail(f"no window {name!r} was opened by hand; open are: {names}", 2)
        entry = close_window(found, datetime.now(UTC), by)
        opened.close_window(found, entry)
    console.print(plain(entry.text), soft_wrap=True)


def _print(found: list[dict[str, Any]], zone: str, now: datetime) -> None:
    from agent.alarms.wording import clean
    from agent.cli.show import console, plain, table

    if not found:
        console.print(plain("there is no maintenance window"))
        return
    rows = []
    for one in found:
        where = ", ".join((*one["sites"], *(f"tag {tag}" for tag in one["tags"]), *one["printers"])) or "all printers"
        end = datetime.fromisoformat(one["end"]) if isinstance(one["end"], str) else one["end"]
        # A window of the settings may have been written without an offset: it holds by the clock of each site.
        until = "" if end is None else clock_words(end.replace(tzinfo=end.tzinfo or zone_of(zone)), zone, now)
        rows.append(
            (
                clean(one["name"]),
                "open" if one["open"] else "",
                clean(where),
                until,
                clean(one["reason"]),
                clean(one["who"]),
            )
        )
    console.print(table(("Window", "Now", "Where", "Until", "Why", "Who"), rows))
