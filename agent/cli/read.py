"""``lowmark read``: one printer now.

The JSON (``lowmark.read.v1``), on standard output::

    {"format": "lowmark.read.v1", "address": "192.0.2.7", "at": "2026-03-02T08:00:00+00:00", "engine": "gufo",
     "traffic": {"requests": 9, "retries": 0, "timeouts": 0, "seconds": 0.021},
     "truncated": [],                     subtrees that were cut short by a limit, with the reason
     "printers": [{                       one for each printer behind the address
        "device": 1, "model": ..., "name": ..., "serial": ..., "mac": ...,
        "system": {"descr", "object_id", "name", "location", "uptime_seconds"},
        "status": {"text": "idle: low toner", "device": "warning", "printer": "idle", "errors": ["lowToner"]},
        "pages_per_minute": 40.0,         null where it does not say
        "supplies": [{"key": "toner:black", "index": 1, "marker": 1, "class": "supplyThatIsConsumed", "kind": "toner",
                      "colorant": "black", "description": ..., "unit": "impressions",
                      "capacity": {"value": 10000}, "level": {"value": 1200}, "fraction": 0.12}, ...],
        "trays": [...], "bins": [...], "covers": [...], "console": [...], "lights": [...], "alerts": [...],
        "counters": [{"name": "life", "unit": "impressions", "value": 71200, "wraps_at": 4294967296}, ...],
        "events": {"config_changes", "critical", "all"},
        "remarks": [{"where": ..., "what": ...}],
        "cells": [{"oid", "name", "raw", "meaning"}, ...]        only with --explain
     }]}

An amount is ``{"value": number}`` or ``{"mark": "unknown" | "some" | "other"}`` as RFC 3805 section 2.4 has it;
``fraction`` is null where it is not known. Labels are those of the standards. When nothing could be read, ``printers``
is empty and ``"error": {"reason": "silent", "text": "..."}`` says why; reasons are those of the wire (unresolved,
silent, refused, denied, garbled, unsupported, agentFault ...) and ``noPrinter``, ``noSuchDevice``.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from agent.cli import access
from agent.cli.options import AsJson, SettingsFile
from agent.cli.show import console, emit, fail, plain, table
from agent.cli.wiring import find_settings
from agent.model.failure import Failure
from agent.model.wire import Answers, Community, Denied, Peer, Refused, Silent, Unsupported, UsmUser, WireError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.mib.oddities import Oddity
    from agent.model.reading import Reading
    from agent.settings import Settings, Target

_EPILOG = (
    "\b\nExamples:\n"
    "  lowmark read 192.0.2.7\n"
    "  lowmark read 192.0.2.7:1161 --community floor2 --json\n"
    "  lowmark read printer-1.example.org --user lowmark --auth SHA-256 --auth-key-file auth.key\n"
    "  lowmark read '[2001:db8::7]:161' --settings lowmark.yaml --explain"
)
DeviceOption = Annotated[
    int | None,
    typer.Option(
        "--device", min=1, metavar="N", help="Only the printer with this hrDeviceIndex, where there are several."
    ),
]


class CannotRead(Failure):
    """Reading came to nothing; ``reason`` is a word for programs."""

    def __init__(self, reason: str, text: str, status: int = 1) -> None:
        super().__init__(text)
        self.reason = reason
        self.status = status


@dataclass(frozen=True, slots=True)
class Asked:
    """Whom to ask, and what of it to show."""

    peer: Peer
    engine: str | None = None
    device: int | None = None
    oddities: tuple[str, ...] = ()


def register(app: typer.Typer) -> None:
    """Put ``read`` on the command line."""
    app.command("read", epilog=_EPILOG)(read)


def read(  # noqa: PLR0913 - the options of SNMP are as many
    address: Annotated[str, typer.Argument(metavar="ADDRESS", help="HOST or HOST:PORT (161 unless given).")],
    snmp: access.VersionOption = None,
    community: access.CommunityOption = None,
    user: access.UserOption = None,
    auth: access.AuthOption = None,
    auth_key_env: access.AuthKeyEnv = None,
    auth_key_file: access.AuthKeyFile = None,
    priv: access.PrivOption = None,
    priv_key_env: access.PrivKeyEnv = None,
    priv_key_file: access.PrivKeyFile = None,
    context: access.ContextOption = None,
    credentials: Annotated[
        str | None, typer.Option("--credentials", metavar="NAME", help="Credentials of that name in the settings file.")
    ] = None,
    engine: access.EngineOption = None,
    timeout: access.TimeoutOption = None,
    retries: access.RetriesOption = None,
    device: DeviceOption = None,
    explain: Annotated[bool, typer.Option("--explain", help="Show every cell that was read, and its meaning.")] = False,
    as_json: AsJson = False,
    settings: SettingsFile = None,
) -> None:
    """Read one printer now, and show what it says.

    Needs no settings file: without other options it asks with SNMP 2c and the community public. Where a settings file
    knows the address, its credentials and oddities are used.
    """
    settings = find_settings(settings)
    loaded = _load(settings)
    given = access.UserAccess(user, auth, auth_key_env, auth_key_file, priv, priv_key_env, priv_key_file, context)
    host, port = access.read_address(address)
    target = _target(loaded, host, port, device)
    if credentials is not None:
        if loaded is None:
            raise typer.BadParameter("--credentials needs --settings FILE, which has them by name")
        if snmp or community is not None or given.given:
            raise typer.BadParameter("--credentials is all that is needed: leave out the other options of SNMP")
        who: Community | UsmUser = access.credentials_named(loaded, credentials)
    elif loaded is not None and target is not None and not (snmp or community is not None or given.given):
        who = access.credentials_named(loaded, target.credentials)
    else:
        who = access.credentials_given(snmp, community, given)
    asked = _asked(loaded, target, Peer(host, port, who), timeout, retries)
    if engine or loaded is None or loaded.polling.engine == "auto":
        asked = replace(asked, engine=engine)
    else:
        asked = replace(asked, engine=loaded.polling.engine)
    if device is not None:
        asked = replace(asked, device=device)
    try:
        engine_name, answers = asyncio.run(_read(asked))
        readings = _decode(asked, answers, loaded, settings)
    except CannotRead as problem:
        if as_json:
            _emit_error(asked.peer, problem)
            raise typer.Exit(problem.status) from None
        fail(str(problem), problem.status)
    if as_json:
        _emit(asked.peer, engine_name, answers, readings, explain=explain)
    else:
        _show(engine_name, answers, readings, explain=explain)


def _load(path: Path | None) -> Settings | None:
    if path is None:
        return None
    from agent.settings import load

    return load(path)


def _target(settings: Settings | None, host: str, port: int, device: int | None) -> Target | None:
    if settings is None:
        return None
    here = [one for one in settings.targets() if (one.host, one.port) == (host, port)]
    exact = [one for one in here if device is not None and one.device == device]
    return next(iter(exact or here), None)


def _asked(
    settings: Settings | None, target: Target | None, peer: Peer, timeout: float | None, retries: int | None
) -> Asked:
    if settings is not None:
        polling = settings.polling
        peer = replace(
            peer,
            timeout=polling.timeout.total_seconds(),
            retries=polling.retries,
            deadline=polling.deadline.total_seconds(),
        )
    if timeout is not None:
        peer = replace(peer, timeout=timeout, deadline=max(peer.deadline, 5 * timeout))
    if retries is not None:
        peer = replace(peer, retries=retries)
    return Asked(peer, oddities=target.oddities if target is not None else ())


# --- asking ----------------------------------------------------------------------------------------------------------


async def _read(asked: Asked) -> tuple[str, Answers]:
    """The engine's name and everything the address answered. Raises CannotRead."""
    from agent.snmp.reader import Reader
    from agent.snmp.wire import open_engine

    peer = asked.peer
    try:
        engine = open_engine(asked.engine)
    except Unsupported as error:
        raise CannotRead(error.reason, str(error), 2) from None
    reader = Reader(engine)
    try:
        return engine.name, await reader.read(peer, full=True)
    except Unsupported as error:
        raise CannotRead(error.reason, str(error), 2) from None
    except WireError as error:
        text = str(error)
        if isinstance(error, Silent) and not isinstance(error, Refused):
            text += await _what_else_answers(reader, peer)
        raise CannotRead(error.reason, text) from None
    finally:
        await engine.close()


async def _what_else_answers(reader: Any, peer: Peer) -> str:
    """Tell silence from wrong credentials as far as that can be done: see whether another way of asking is answered.

    SNMPv1 and v2c agents drop a wrong community without a word (RFC 3584, RFC 1157 section 4.1), but an agent that
    also speaks SNMPv3 says that it does not know a user (RFC 3414 section 3.2), and so that it is there.
    """
    from agent.survey import ANYBODY

    short = replace(peer, retries=0, deadline=max(1.0, 2 * peer.timeout))
    if isinstance(peer.credentials, Community):
        other = "1" if peer.credentials.version == "2c" else "2c"
        probe = await reader.probe(replace(short, credentials=replace(peer.credentials, version=other)))
        if probe.answered:
            return f". It does answer to SNMP version {other}: use --snmp {other}."
        probe = await reader.probe(replace(short, credentials=ANYBODY))
        if probe.answered or isinstance(probe.error, Denied):
            return ". It is there, for it answers SNMP version 3: the community is wrong, or versions 1 and 2c are off."
        return ""
    probe = await reader.probe(replace(short, credentials=Community("2c", "public")))
    if probe.answered:
        return ". It does answer to SNMP version 2c with the community public."
    return ""


def _decode(asked: Asked, answers: Answers, settings: Settings | None, path: Path | None) -> list[Reading]:
    """The readings of the printers wanted. Raises CannotRead where there is none."""
    from agent.mib.decode import decode
    from agent.mib.oddities import choose

    wanted = [one for one in answers.devices if asked.device in (None, one)]
    if not wanted:
        _no_printer(asked, answers)
    oddities = choose(_known_oddities(settings, path), answers.cells.get("1.3.6.1.2.1.1.2.0"), asked.oddities)
    return [
        decode(answers.cells, at=answers.at, address=asked.peer.address, device_index=one, oddities=oddities)
        for one in wanted
    ]


def _known_oddities(settings: Settings | None, path: Path | None) -> Sequence[Oddity]:
    from agent.app.parts import oddities
    from agent.settings import parse

    return oddities(settings or parse(""), path.parent if path is not None else Path())


def _no_printer(asked: Asked, answers: Answers) -> NoReturn:
    from agent.mib.text import words

    address = asked.peer.address
    if answers.devices:
        there = ", ".join(str(one) for one in answers.devices)
        text = f"{address} has no printer with hrDeviceIndex {asked.device}; there are: {there}"
        raise CannotRead("noSuchDevice", text)
    descr = answers.cells.get("1.3.6.1.2.1.1.1.0")
    said = " ".join(words(descr).split())[:120] if isinstance(descr, bytes) else ""
    says = f' It says of itself: "{said}".' if said else ""
    raise CannotRead(
        "noPrinter",
        f"{address} answers SNMP, but is no printer: it has neither a device of type printer (HOST-RESOURCES-MIB) nor "
        f"a Printer-MIB, or does not show them to these credentials.{says}",
    )


# --- telling ---------------------------------------------------------------------------------------------------------


def _show(engine: str, answers: Answers, readings: Sequence[Reading], *, explain: bool) -> None:
    from agent.cli.reading import show

    for number, reading in enumerate(readings):
        if number:
            console.print()
        show(reading, console)
        if explain:
            _explain_alerts(reading)
            rows = ((one["name"], one["raw"], one["meaning"], one["oid"]) for one in _cells(answers, reading))
            console.print(table(["Cell", "Value as sent", "Meaning", "OID"], rows))
    for cut in answers.truncated:
        console.print(plain(f"Cut short: {cut}"))
    traffic = answers.traffic
    repeated = f", {traffic.retries} sent again" if traffic.retries else ""
    console.print(
        plain(f"Read with {engine} in {traffic.seconds * 1000:.0f} ms, {traffic.requests} requests{repeated}."),
        style="dim",
    )


def _explain_alerts(reading: Reading) -> None:
    """What the standing alerts mean, what to look at first, and who may do it."""
    from agent.model.alert_words import about, meaning

    rows = []
    for alert in reading.alerts:
        told = meaning(alert)
        rows.append((about(alert), told.means, told.first, told.who))
    if rows:
        console.print(table(["Alert about", "What it means", "Look first (common practice)", "Who"], rows))


def _cells(answers: Answers, reading: Reading) -> list[dict[str, str]]:
    from agent.mib.explain import explain

    return [
        {"oid": one.oid, "name": one.name, "raw": one.raw, "meaning": one.meaning}
        for one in explain(answers.cells, reading.device_index)
    ]


def _emit(peer: Peer, engine: str, answers: Answers, readings: Sequence[Reading], *, explain: bool) -> None:
    from agent.web import shapes

    printers = []
    for reading in readings:
        made = shapes.reading(reading)
        if explain:
            made["cells"] = _cells(answers, reading)
        printers.append(made)
    traffic = answers.traffic
    emit(
        "read",
        {
            "address": peer.address,
            "at": answers.at,
            "engine": engine,
            "traffic": {
                "requests": traffic.requests,
                "retries": traffic.retries,
                "timeouts": traffic.timeouts,
                "seconds": round(traffic.seconds, 6),
            },
            "truncated": list(answers.truncated),
            "printers": printers,
        },
    )


def _emit_error(peer: Peer, problem: CannotRead) -> None:
    error = {"reason": problem.reason, "text": str(problem)}
    emit("read", {"address": peer.address, "at": datetime.now(UTC), "error": error, "printers": []})
