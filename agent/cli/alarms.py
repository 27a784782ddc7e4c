"""``lowmark alarms``: what stands, who has seen it, what is put away, and which messages wait."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from agent.cli.alarm_outbox import outbox
from agent.cli.alarm_rehearsal import rehearse
from agent.cli.alarm_window import windows
from agent.cli.options import AsJson, At, SettingsFile, Since, StoreUrl
from agent.model.alarm import SEVERITIES, AlarmRecord, AlarmState, rank
from agent.model.day_words import clock_words

if TYPE_CHECKING:
    from agent.alarms.lifecycle import Transition
    from agent.store import Store

MARKS = {"low": "·", "medium": "!", "high": "!!", "urgent": "!!!"}
"""So that severity can be seen without colour."""

_COLOURS = {"low": "", "medium": "yellow", "high": "red", "urgent": "bold red"}
_SET_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)

Act = Callable[[AlarmRecord, datetime], "tuple[AlarmRecord, Transition]"]
Key = Annotated[str, typer.Argument(metavar="KEY", help="The alarm's key, or a part of it that fits one alarm only.")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who does this; it stands in the ledger.")]


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    group = typer.Typer()
    group.callback(invoke_without_command=True)(show_alarms)
    group.command("ack")(ack)
    group.command("shelve")(shelve)
    group.command("unshelve")(unshelve)
    group.command("withdraw")(withdraw)
    group.command("reinstate")(reinstate)
    group.command("outbox")(outbox)
    group.command("rehearse")(rehearse)
    group.add_typer(windows(), name="window")
    app.add_typer(group, name="alarms")


def show_alarms(  # noqa: PLR0913 - each is an option of the command
    context: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Also what is set aside or normal again.")] = False,
    severity: Annotated[
        str | None, typer.Option("--severity", metavar="WORD", help=f"At least so grave: {', '.join(SEVERITIES)}.")
    ] = None,
    report: Annotated[
        bool, typer.Option("--report", help="How well the alarms serve: how many, which, and which rule to change.")
    ] = False,
    since: Since = None,
    at: At = None,
    people: Annotated[
        int | None,
        typer.Option("--people", min=1, metavar="N", help="With --report: how many people share the alarms."),
    ] = None,
    as_json: AsJson = False,
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """The alarms that stand, the gravest first; or a report about them.

    \b
    Example:
      lowmark alarms
      lowmark alarms --severity high --json
      lowmark alarms --at 2026-03-02T08:00:00+01:00
      lowmark alarms --report --since 2026-03-01T00:00:00Z
      lowmark alarms ack "toner-low|7|toner:cyan" --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    if context.invoked_subcommand is not None:
        return
    if severity is not None and severity not in SEVERITIES:
        raise typer.BadParameter(f"{severity!r} is none of {', '.join(SEVERITIES)}", param_hint="--severity")
    now = datetime.now(UTC)
    if at is not None and at > now:
        _refuse_what_lies_ahead(at, now, settings)
    if report:
        from agent.cli.alarm_report import report as print_report

        print_report(settings, store, since, at, people=people, as_json=as_json)
        return
    if since is not None or people is not None:
        raise typer.BadParameter("--since and --people go with --report")
    from agent.alarms.spells import LATELY, LEDGER_KINDS, trembling
    from agent.app.past import alarms_at

    now = at or now
    with _open(settings, store) as opened:
        records = opened.alarms() if at is None else alarms_at(opened, at)
        chattered = trembling(opened.ledger(since=now - LATELY, until=now, kinds=LEDGER_KINDS), now)
    chosen = choose(records, every=every, at_least=severity)
    if as_json:
        from agent.web import shapes

        _emit("alarms", {"at": now, "alarms": shapes.alarms(chosen, chattered, now)})
        return
    _print_alarms(chosen, chattered, now)
    aside = sum(record.state in _SET_ASIDE for record in records)
    if aside and not every:
        _say(f"{aside} more set aside (shelved, suppressed by design or out of service); --all shows them")


def _refuse_what_lies_ahead(at: datetime, now: datetime, settings: Path | None) -> NoReturn:
    """What will stand then nobody knows, and what stands now is no answer."""
    from agent.cli.show import fail
    from agent.cli.wiring import load_settings

    loaded = load_settings(settings)
    said = clock_words(at, loaded.zone if loaded is not None else "UTC", now)
    fail(f"{said} has not come yet; --at tells of an earlier moment. lowmark runout looks ahead", 2)


def choose(records: Sequence[AlarmRecord], *, every: bool = False, at_least: str | None = None) -> list[AlarmRecord]:
    """The alarms to show: those that stand and are not set aside, or ``every`` one; gravest first, then oldest."""
    wanted = [
        record
        for record in records
        if (every and record.occurrence > 0) or (record.standing and record.state not in _SET_ASIDE)
    ]
    if every:
        wanted += [record for record in records if record.state in _SET_ASIDE and record.occurrence == 0]
    return sorted(
        (record for record in wanted if at_least is None or rank(record.severity) >= rank(at_least)),
        key=lambda one: (not one.standing, -rank(one.severity), one.raised_at or one.since, one.key),
    )


def ack(key: Key, by: By, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Say that somebody has seen an alarm: it is not told again.

    \b
    Example:
      lowmark alarms ack "toner-low|7|toner:cyan" --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.lifecycle import acknowledge

    _act(settings, store, key, lambda record, now: acknowledge(record, by, now))


def shelve(
    key: Key,
    by: By,
    length: Annotated[str, typer.Option("--for", metavar="TIME", help="For how long: 30m, 4h, 3d, 2w.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why; it stands in the ledger.")],
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Put an alarm away for a time; if it still stands then, it is told again.

    \b
    Example:
      lowmark alarms shelve "toner-low|7|toner:cyan" --for 3d --by "Night desk" --reason "cartridge is on its way"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.lifecycle import shelve as put_away

    span = read_span(length)
    _act(settings, store, key, lambda record, now: put_away(record, now + span, by, reason, now))


def unshelve(key: Key, by: By, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Take an alarm off the shelf before its time.

    \b
    Example:
      lowmark alarms unshelve "toner-low|7|toner:cyan" --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.lifecycle import unshelve as take_back

    _act(settings, store, key, lambda record, now: take_back(record, by, now))


def withdraw(
    key: Key,
    by: By,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why; it stands in the ledger.")],
    settings: SettingsFile = None,
    store: StoreUrl = None,
) -> None:
    """Take an alarm out of service, without an end: it tells nobody until somebody brings it back.

    \b
    Example:
      lowmark alarms withdraw "silent|7|contact" --by "Night desk" --reason "in the cellar until autumn"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.lifecycle import withdraw as take_out

    _act(settings, store, key, lambda record, now: take_out(record, by, reason, now))


def reinstate(key: Key, by: By, settings: SettingsFile = None, store: StoreUrl = None) -> None:
    """Bring an alarm back into service; if it stands, it is told again.

    \b
    Example:
      lowmark alarms reinstate "silent|7|contact" --by "Night desk"
    """  # noqa: D301 - the backspace keeps the lines of the example apart
    from agent.alarms.lifecycle import reinstate as bring_back

    _act(settings, store, key, lambda record, now: bring_back(record, by, now))


# --- what the commands share --------------------------------------------------------------------------------------


def read_span(text: str) -> timedelta:
    """``30m``, ``4h``, ``3d``, ``2w`` as a span of time; raises typer.BadParameter in words that help."""
    units = {"m": "minutes", "h": "hours", "d": "days", "w": "weeks"}
    number, unit = text.strip()[:-1], text.strip()[-1:]
    if unit not in units or not number.isascii() or not number.isdigit() or not 0 < len(number) <= 5:
        raise typer.BadParameter(f"{text!r} is no span of time; write e.g. 30m, 4h, 3d or 2w", param_hint="--for")
    return timedelta(**{units[unit]: int(number)})


def _act(settings: Path | None, store: str | None, key: str, act: Act) -> None:
    from agent.alarms.lifecycle import NotApplicableError, words
    from agent.app.desk import Overtaken, change

    now = datetime.now(UTC)
    with _open(settings, store) as opened:
        try:
            record = change(opened, key, act, now, part=True)
        except (LookupError, NotApplicableError, Overtaken) as problem:
            _fail(str(problem.args[0]))
    until = f" until {_local(record.shelved_until, record, now)}" if record.shelved_until else ""
    _say(f"{record.key}: {words(record.state)}{until}")


def _open(settings: Path | None, store: str | None) -> Store:
    from agent.cli.wiring import open_store

    return open_store(store, settings)


def _emit(name: str, payload: dict[str, Any]) -> None:
    from agent.cli.show import emit

    emit(name, payload)


def _say(text: str) -> None:
    from agent.cli.show import console, plain

    console.print(plain(text), soft_wrap=True)


def _fail(text: str) -> None:
    from agent.cli.show import fail

    fail(text, 2)


def _local(at: datetime, record: AlarmRecord, now: datetime) -> str:
    return clock_words(at, str(record.facts.get("zone") or "UTC"), now)


def _print_alarms(records: Sequence[AlarmRecord], chattered: Collection[str], now: datetime) -> None:
    from rich.text import Text

    from agent.alarms.lifecycle import words
    from agent.alarms.spells import marks
    from agent.alarms.wording import clean, span
    from agent.cli.show import console, table

    if not records:
        _say("no alarm stands")
        return
    rows: list[list[object]] = []
    for record in records:
        since = record.raised_at or record.since
        state = words(record.state)
        if record.shelved_until:
            state += f" until {_local(record.shelved_until, record, now)}"
        elif record.state is AlarmState.ACKNOWLEDGED:
            state += f" by {clean(record.acknowledged_by)}"
        state = ", ".join((state, *marks(record, chattered, now)))
        rows.append(
            [
                Text(f"{MARKS.get(record.severity, '?'):<3} {record.severity}", _COLOURS.get(record.severity, "")),
                clean(record.facts.get("printer") or "Lowmark"),
                clean(record.text),
                clean(record.facts.get("place") or ""),
                f"{_local(since, record, now)}, {span(now - since)} ago",
                state,
                clean(record.key),
            ]
        )
    console.print(table(("Severity", "Printer", "What", "Where", "Since", "State", "Key"), rows, lead=3, whole=(6,)))
