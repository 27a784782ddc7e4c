"""Alarms as alerts of Prometheus' Alertmanager: ``POST /api/v2/alerts`` (its OpenAPI description, version 2).

Alertmanager tells two alerts apart by their labels alone, so these are only what does not change while an alarm stands:

    alertname, about, severity, alarm (the alarm's key), printer_id, site, subject

All else is in the annotations. An alarm whose severity changed is therefore another alert, and the former one is ended
in the same request. Lowmark says when an alarm is over; until then the alert would end by itself only after ``keep``.
Alertmanager forgets alerts when it is started again: give such rules a ``repeat``, and they are told anew.
"""

from __future__ import annotations

import asyncio
import json
import ssl
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from agent.alarms.wording import clean
from agent.model.alarm import SEVERITIES, Message
from agent.notify.channel import Reveal, Undelivered, masked, revealed
from agent.notify.message import compose

KEEP = timedelta(days=30)
_TEXTS = ("printer", "address", "model", "serial", "place", "part", "consequence", "action", "note")
_RETRIED = (408, 429)


class AlertmanagerChannel:
    """Posts to one Alertmanager. ``url``: its root, such as http://127.0.0.1:9093; asked for at each sending.

    ``timeout``: seconds for each of connecting, writing and reading, and four times that for the whole.
    """

    def __init__(
        self,
        name: str,
        url: Reveal,
        *,
        ca_file: str | Path | None = None,
        keep: timedelta = KEEP,
        timeout: float = 10.0,
    ) -> None:
        self._name = name
        self._url = url
        self._ca_file = ca_file
        self._keep = keep
        self._timeout = timeout

    @property
    def name(self) -> str:
        """As the rules call it."""
        return self._name

    async def send(self, messages: Sequence[Message]) -> None:
        """Post all in one request. Raises Undelivered. The same messages twice are the same alerts."""
        root = revealed(self._url, self._name).rstrip("/")
        content = json.dumps([alert for message in messages for alert in alerts(message, self._keep)]).encode("ascii")
        context = ssl.create_default_context()
        try:
            if self._ca_file is not None:
                context.load_verify_locations(cafile=str(self._ca_file))
            async with (
                asyncio.timeout(self._timeout * 4),
                httpx.AsyncClient(timeout=self._timeout, trust_env=False, verify=context) as client,
                client.stream(
                    "POST", f"{root}/api/v2/alerts", content=content, headers={"Content-Type": "application/json"}
                ) as answer,
            ):
                said = b"".join([part async for part in _some(answer)]) if answer.status_code >= 300 else b""
                _judge(answer, said, _place(root))
        except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError, TimeoutError) as problem:
            wrong = isinstance(problem, httpx.InvalidURL | httpx.UnsupportedProtocol)
            text = masked(f"{type(problem).__name__}: {problem}", (root,))
            raise Undelivered(f"Alertmanager at {_place(root)}: {text}", permanent=wrong) from None

    async def close(self) -> None:
        """Nothing is held open between requests."""


def alerts(message: Message, keep: timedelta = KEEP) -> Iterator[dict[str, Any]]:
    """The alerts that tell of ``message``: the one that it is about, and those that it puts an end to."""
    over = message.kind == "returned"
    yield _alert(message, message.severity, None if over else keep)
    if message.kind in ("changed", "returned"):
        for severity in SEVERITIES:
            if severity != message.severity:
                yield _alert(message, severity, None)


def _alert(message: Message, severity: str, keep: timedelta | None) -> dict[str, Any]:
    """One alert; with ``keep`` None it ended at the moment of the message."""
    starts = message.at if keep is not None else _raised(message)
    return {
        "labels": _labels(message, severity),
        "annotations": _annotations(message),
        "startsAt": _moment(min(starts, message.at)),
        "endsAt": _moment(message.at + keep if keep is not None else message.at),
    }


def _labels(message: Message, severity: str) -> Mapping[str, str]:
    facts = message.facts
    rule, _, _ = message.key.partition("|")
    labels = {
        "alertname": clean(facts.get("rule") or rule, 200),
        "about": "agent" if "agent_part" in facts else "printer",
        "severity": severity,
        "alarm": clean(message.key, 300),
        **{name: clean(facts[name], 200) for name in ("printer_id", "site", "subject") if name in facts},
    }
    return {name: value for name, value in labels.items() if value}


def _annotations(message: Message) -> Mapping[str, str]:
    text = compose([message])
    found = {"summary": text.subject, "description": clean(message.text, 1000)}
    found |= {name: clean(message.facts[name], 1000) for name in _TEXTS if name in message.facts}
    return {name: value for name, value in found.items() if value}


def _raised(message: Message) -> datetime:
    """When it began, for the alert of an alarm that is over."""
    try:
        return datetime.fromisoformat(str(message.facts["raised_at"]))
    except (KeyError, ValueError):
        return message.at


def _moment(at: datetime) -> str:
    """RFC 3339, in UTC."""
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


async def _some(answer: httpx.Response, most: int = 500) -> Any:
    """The beginning of what it says; what comes after may be endless."""
    left = most
    async for part in answer.aiter_bytes():
        yield part[:left]
        left -= len(part)
        if left <= 0:
            return


def _judge(answer: httpx.Response, said: bytes, place: str) -> None:
    status = answer.status_code
    if 200 <= status < 300:
        return
    permanent = 300 <= status < 500 and status not in _RETRIED
    why = clean(said.decode("utf-8", "replace"), 200)
    raise Undelivered(f"Alertmanager at {place} answered {status}: {why or answer.reason_phrase}", permanent=permanent)


def _place(url: str) -> str:
    """Which host, and no more."""
    try:
        parts = urlsplit(url)
        return f"{parts.scheme}://{parts.hostname}" + (f":{parts.port}" if parts.port else "")
    except ValueError:
        return "the URL given"
