"""The simulated fleet on paper: settings with which ``lowmark run`` reads it, and the secrets that belong to them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

from agent.model.failure import Failure
from agent.model.wire import Community, UsmUser
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.serve import CannotServe
from agent.rehearsal.wear import Worn

HEAD = "# Settings of a rehearsal: simulated printers on this machine. Written by `lowmark rehearse`."


class NotOurs(Failure):
    """There is a file already that no rehearsal wrote."""

    status = 2


def _known_as(credentials: Community | UsmUser) -> str:
    """The name of these credentials in the settings."""
    if isinstance(credentials, UsmUser):
        return f"v3-{credentials.user}"
    if credentials == Community():
        return "public"
    return f"v{credentials.version}-community"  # its name must not tell the community


def _entry(worn: Worn) -> dict[str, Any]:
    who, kind = worn.who, worn.kind
    host = f"[{who.host}]" if ":" in who.host else who.host
    entry: dict[str, Any] = {"address": f"{host}:{who.port}", "name": who.name}
    if kind.devices > 1:
        entry["device"] = who.device_index
    entry |= {
        "site": who.place.site,
        "building": who.place.building,
        "floor": who.place.floor,
        "room": who.place.room,
        "tags": ["colour" if len(kind.colours) > 1 else "mono"],
    }
    named = _known_as(kind.credentials)
    return entry if named == "public" else {**entry, "credentials": named}


def _credentials(worn: Worn, secrets: dict[str, str]) -> dict[str, Any]:
    """One entry of ``credentials``; the secrets go into ``secrets`` by the path of their file."""
    given, name = worn.kind.credentials, _known_as(worn.kind.credentials)

    def put(word: str, value: str) -> dict[str, str]:
        path = f"rehearsal-secrets/{name if word in name else f'{name}-{word}'}"
        secrets[path] = value
        return {"file": path}

    if isinstance(given, Community):
        return {"version": given.version, "community": put("community", given.community)}
    made: dict[str, Any] = {"version": "3", "user": given.user}
    if given.auth and given.auth_key:
        made |= {"auth": given.auth, "auth_key": put("auth-key", given.auth_key)}
    if given.priv and given.priv_key:
        made |= {"priv": given.priv, "priv_key": put("priv-key", given.priv_key)}
    return {**made, "context": given.context} if given.context else made


RULES: tuple[Mapping[str, str | list[str]], ...] = (
    {"name": "supply-empty", "when": "supplyEmpty", "severity": "high"},
    {"name": "supply-low", "when": "supplyBelow", "below": "15%", "deadband": "3%"},
    {"name": "waste-nearly-full", "when": "receptacleNearlyFull", "below": "10%"},
    {"name": "printer-silent", "when": "unreachable", "for": "30s"},
    {"name": "printer-stopped", "when": "printerAlert", "alert_severity": ["critical"]},
    {"name": "counter-odd", "when": "counterOddity", "severity": "low"},
    {"name": "agent-unwell", "when": "agentUnwell", "severity": "high"},
)
"""Alarm rules for where time runs faster: the usual ones wait ten minutes, in which ten hours of printing go by."""


def settings(
    fleet: Fleet,
    *,
    store: str = "sqlite:///lowmark-rehearsal.sqlite",
    alarms: Sequence[Mapping[str, str | list[str]]] = (),
) -> tuple[str, dict[str, str]]:
    """Settings (YAML) for all printers of the fleet, and the secrets: path beside the settings -> content.

    ``alarms``: rules, such as ``RULES``; without any the usual ones apply.
    """
    secrets: dict[str, str] = {}
    credentials: dict[str, Any] = {}
    for worn in fleet.printers:
        name = _known_as(worn.kind.credentials)
        if name != "public" and name not in credentials:
            credentials[name] = _credentials(worn, secrets)
    whole: dict[str, Any] = {
        "store": {"url": store},
        "zone": fleet.zone,
        "polling": {"status": "10s", "inventory": "10m", "timeout": "1s", "retries": 1, "deadline": "4s"},
        "sites": {site: {"zone": fleet.zone} for site in dict.fromkeys(w.who.place.site for w in fleet.printers)},
        "credentials": credentials,
        "printers": [_entry(worn) for worn in fleet.printers],
        "alarms": [dict(rule) for rule in alarms],
    }
    text = yaml.safe_dump(
        {key: part for key, part in whole.items() if part}, sort_keys=False, allow_unicode=True, width=120
    )
    return f"{HEAD}\n# {fleet.organisation}: {len(fleet.printers)} printers.\n\n{text}", secrets


def write_settings(fleet: Fleet, path: Path, **more: Any) -> tuple[Path, ...]:
    """Write the settings to ``path`` and the secrets (readable by their owner alone) beside it; all files written.

    Raises NotOurs when something else stands at ``path``, CannotServe when it cannot be written.
    """
    text, secrets = settings(fleet, **more)
    with contextlib.suppress(FileNotFoundError, UnicodeDecodeError):
        if not path.read_text("utf-8").startswith(HEAD):
            raise NotOurs(f"{path} exists and was not written by a rehearsal; name another file, or move it away")
    written = [path]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for name, content in secrets.items():
            place = path.parent / name
            place.parent.mkdir(mode=0o700, exist_ok=True)
            with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
                file.write(content)
            written.append(place)
        path.write_text(text, "utf-8")
    except OSError as error:
        raise CannotServe(f"cannot write the settings to {path}: {error.strerror or error}") from error
    return tuple(written)
