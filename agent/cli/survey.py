"""``lowmark survey``: find the printers of a network.

The JSON (``lowmark.survey.v1``), on standard output::

    {"format": "lowmark.survey.v1", "asked": 254, "total": 254, "silent": 240, "closed": 3,
     "printers": [{"address": "192.0.2.7", "devices": [1], "name": ..., "descr": ..., "object_id": ...,
                   "credentials": "public", "problem": ""}],
     "others": [the same, with no devices: it answered and is no printer],
     "denied": [the same: none of the credentials may read it],
     "settings": "printers: ..."}        YAML, ready to paste

``silent`` addresses did not answer, ``closed`` ones are there and listen for no SNMP. ``asked`` is less than ``total``
when the survey was stopped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from agent.cli import access
from agent.cli.options import AsJson, SettingsFile
from agent.cli.show import console, emit, errors, fail, plain, table
from agent.cli.wiring import find_settings
from agent.model.wire import Community, Peer, Unsupported

if TYPE_CHECKING:
    from agent.survey import Credential, Found, Survey, SurveyResult

_EPILOG = (
    "\b\nExamples:\n"
    "  lowmark survey 192.0.2.0/24\n"
    "  lowmark survey 192.0.2.0/24 2001:db8::/120 --settings lowmark.yaml\n"
    "  lowmark survey 192.0.2.0/24 --yaml > printers.yaml"
)
_VARIABLE = "LOWMARK_COMMUNITY"
MOST = 1 << 20


def register(app: typer.Typer) -> None:
    """Put ``survey`` on the command line."""
    app.command("survey", epilog=_EPILOG)(survey)


def survey(  # noqa: PLR0913 - each is one question that a survey leaves open
    ranges: Annotated[
        list[str], typer.Argument(metavar="CIDR...", help="Ranges like 192.0.2.0/24, or single addresses.")
    ],
    community: access.CommunityOption = None,
    snmp: Annotated[
        Literal["1", "2c"] | None,
        typer.Option("--snmp", help="Only this SNMP version; else 2c, and 1 where that is met with silence."),
    ] = None,
    credentials: Annotated[
        list[str] | None,
        typer.Option(
            "--credentials", metavar="NAME", help="Credentials of the settings file to try (again for more); else all."
        ),
    ] = None,
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="The UDP port to ask.")] = 161,
    rate: Annotated[float, typer.Option("--rate", min=0.1, max=5000, help="At most so many addresses a second.")] = 50,
    timeout: access.TimeoutOption = None,
    retries: access.RetriesOption = None,
    most: Annotated[
        int, typer.Option("--most", min=1, max=MOST, help="Refuse ranges with more addresses than this.")
    ] = 65_536,
    engine: access.EngineOption = None,
    only_yaml: Annotated[
        bool,
        typer.Option("--yaml", help="Print only the settings on standard output, everything else on standard error."),
    ] = False,
    as_json: AsJson = False,
    settings: SettingsFile = None,
) -> None:
    """Look through address ranges for printers, and print settings for them that are ready to paste.

    Only asks (SNMP GET); nothing is changed anywhere. Ask only networks that you may ask. Ctrl-C stops, and shows what
    was found so far.
    """
    from agent.app.loop import run as run_loop
    from agent.survey import read_ranges, to_yaml

    networks = read_ranges(ranges)
    tried, needed = _credentials(settings, credentials, community, snmp)
    like = Peer("", timeout=timeout or 1.0, retries=1 if retries is None else retries, deadline=5 * (timeout or 1.0))
    stopped = False
    going: list[Survey] = []
    try:
        run_loop(_run(going, networks, tried, engine, {"rate": rate, "port": port, "most": most, "like": like}))
    except Unsupported as error:
        fail(str(error), 2)
    except KeyboardInterrupt:
        stopped = True
        if not going:
            raise
    result = going[0].result
    text = to_yaml(result, needed)
    if as_json:
        emit("survey", {**_plain(result), "settings": text})
    else:
        _show(result, text, needed, only_yaml=only_yaml)
    if stopped:
        fail(f"Stopped after {result.asked:,} of {result.total:,} addresses.", 130)
    if not result.printers:
        raise typer.Exit(1)


def _credentials(
    settings: Path | None, names: Sequence[str] | None, community: str | None, snmp: Literal["1", "2c"] | None
) -> tuple[list[Credential], dict[str, Mapping[str, object]]]:
    """What to try, with names, and what of it the user's settings may not have yet."""
    path = find_settings(settings)
    if path is not None and community is None and snmp is None:
        from agent.settings import load

        loaded = load(path)
        wanted = list(dict.fromkeys(names or loaded.credentials))
        known = [(name, access.credentials_named(loaded, name)) for name in wanted]
        oldest = Community("1", "public")
        if names or oldest in [one for _, one in known]:
            return known, {}
        return [*known, ("surveyed-1", oldest)], {"surveyed-1": {"version": "1"}}
    if names:
        raise typer.BadParameter("--credentials needs --settings FILE, and neither --community nor --snmp")
    secret = {} if community in (None, "public") else {"community": {"env": _VARIABLE}}
    tried: list[Credential] = []
    needed: dict[str, Mapping[str, object]] = {}
    for version in ("2c", "1") if snmp is None else (snmp,):
        usual = version == "2c" and not secret
        name = "public" if usual else f"surveyed-{version}"
        tried.append((name, Community(version, community or "public")))
        if not usual:
            needed[name] = {"version": version, **secret}
    return tried, needed


async def _run(
    going: list[Survey], networks: Any, tried: Sequence[Credential], engine: str | None, options: dict[str, Any]
) -> None:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from agent.snmp.reader import Reader
    from agent.snmp.wire import open_engine
    from agent.survey import Progress as Step
    from agent.survey import Survey

    chosen = open_engine(engine)
    bar = Progress(
        TextColumn("Surveying"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[printers]} printers"),
        TimeRemainingColumn(),
        console=errors,
        transient=True,
    )
    try:
        with bar:
            task = bar.add_task("", total=None, printers=0)

            def step(at: Step) -> None:
                bar.update(task, completed=at.asked, total=at.total, printers=at.printers)

            one = Survey(networks, tried, Reader(chosen), on_progress=step, **options)
            going.append(one)
            await one.run()
    finally:
        await chosen.close()


def _show(result: SurveyResult, text: str, needed: Mapping[str, object], *, only_yaml: bool) -> None:
    out = errors if only_yaml else console
    if result.printers:
        rows = [(one.address, one.name, one.descr, _devices(one), one.credentials) for one in result.printers]
        out.print(table(["Printer", "Name", "Says of itself", "Device", "Credentials"], rows))
    if result.others:
        rows = [(one.address, one.name, one.descr, one.object_id, one.problem) for one in result.others]
        out.print(table(["Answers, but is no printer", "Name", "Says of itself", "sysObjectID", "Note"], rows))
    if result.denied:
        out.print(table(["Refuses these credentials", "Why"], [(one.address, one.problem) for one in result.denied]))
    out.print(plain(_summary(result)), soft_wrap=True)
    if not text:
        nothing = "Nothing to put into the settings. Is SNMP on there, and are the credentials right?"
        out.print(plain(nothing), soft_wrap=True)
        return
    if not only_yaml:
        console.print(plain("\nFor the settings file:\n"))
    # Straight out, so that no line is wrapped: this is meant to be pasted.
    typer.echo(text, nl=False)
    if f"env: {_VARIABLE}" in text and needed:
        errors.print(plain(f"Put the community into the environment variable {_VARIABLE} before you use these."))


def _devices(one: Found) -> str:
    return ", ".join(str(device) for device in one.devices)


def _summary(result: SurveyResult) -> str:
    printers, others, denied = len(result.printers), len(result.others), len(result.denied)
    parts = (
        f"{printers:,} {'printer' if printers == 1 else 'printers'}",
        f"{others:,} that {'answers and is no printer' if others == 1 else 'answer and are no printers'}",
        f"{denied:,} that {'refuses' if denied == 1 else 'refuse'}",
        f"{result.closed:,} without SNMP",
        f"{result.silent:,} silent",
    )
    return f"{result.asked:,} {'address' if result.asked == 1 else 'addresses'} asked: {', '.join(parts)}."


def _plain(result: SurveyResult) -> dict[str, Any]:
    def rows(found: Sequence[Found]) -> list[dict[str, Any]]:
        return [{key: value for key, value in asdict(one).items() if key not in {"host", "port"}} for one in found]

    return {
        "asked": result.asked,
        "total": result.total,
        "silent": result.silent,
        "closed": result.closed,
        "printers": rows(result.printers),
        "others": rows(result.others),
        "denied": rows(result.denied),
    }
