"""A signed web request: POST with JSON.

Headers:

    Lowmark-Timestamp   seconds since 1970-01-01 UTC at which it was signed
    Lowmark-Signature   ``v1=`` and HMAC-SHA-256 (RFC 2104), in hexadecimal, with the shared secret over
                        timestamp + ``.`` + body; left out where no secret is set
    Idempotency-Key     the same whenever the same messages are sent again

The receiver should compute the signature itself, compare in constant time, and refuse old timestamps.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import ssl
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from agent.model.alarm import Message
from agent.notify.channel import MakeLink, Reveal, Undelivered, fingerprint, masked, no_link, revealed
from agent.notify.message import compose

FORMAT = "lowmark.messages.v1"
LONGEST_RETRY_AFTER = 3600.0
_RETRIED = (408, 429)


class WebhookChannel:
    """Posts to one URL. ``url`` and ``secret`` are asked for at each sending. Redirects are not followed.

    ``clock`` gives the moment of signing. ``timeout``: seconds for each of connecting, writing and reading, and four
    times that for the whole. ``link``: makes the address at which an alarm is acknowledged.
    """

    def __init__(
        self,
        name: str,
        url: Reveal,
        *,
        clock: Callable[[], datetime],
        secret: Reveal | None = None,
        ca_file: str | Path | None = None,
        timeout: float = 10.0,
        link: MakeLink = no_link,
    ) -> None:
        self._name = name
        self._link = link
        self._url = url
        self._secret = secret
        self._clock = clock
        self._ca_file = ca_file
        self._timeout = timeout

    @property
    def name(self) -> str:
        """As the rules call it."""
        return self._name

    async def send(self, messages: Sequence[Message]) -> None:
        """Post all in one request. Raises Undelivered."""
        url, secret = revealed(self._url, self._name), revealed(self._secret, self._name)
        content = body(messages, lambda message: self._link(message, self._name))
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "lowmark",
            "Idempotency-Key": fingerprint(messages),
        }
        stamp = str(int(self._clock().timestamp()))
        headers["Lowmark-Timestamp"] = stamp
        if secret:
            headers["Lowmark-Signature"] = signature(secret, stamp, content)
        try:
            async with (
                asyncio.timeout(self._timeout * 4),
                httpx.AsyncClient(
                    timeout=self._timeout, follow_redirects=False, trust_env=False, verify=self._context()
                ) as client,
                client.stream("POST", url, content=content, headers=headers) as answer,
            ):
                # What the receiver writes back is of no use, and may be endless.
                _judge(answer, _place(url))
        except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError, TimeoutError) as problem:
            wrong = isinstance(problem, httpx.InvalidURL | httpx.UnsupportedProtocol)
            said = masked(f"{type(problem).__name__}: {problem}", (url, secret))
            raise Undelivered(f"{_place(url)}: {said}", permanent=wrong) from None

    async def close(self) -> None:
        """Nothing is held open between requests."""

    def _context(self) -> ssl.SSLContext:
        context = ssl.create_default_context()
        if self._ca_file is not None:
            context.load_verify_locations(cafile=str(self._ca_file))
        return context


def body(messages: Sequence[Message], link: Callable[[Message], str] = lambda _: "") -> bytes:
    """The JSON: format, subject and text for people, and each message with its facts (and ``acknowledge``, a URL)."""
    text = compose(messages, link)
    listed: list[dict[str, Any]] = [_public(message, link(message)) for message in messages]
    made = {"format": FORMAT, "subject": text.subject, "text": text.body, "messages": listed}
    return json.dumps(made, ensure_ascii=True, separators=(",", ":")).encode("ascii")


def _public(message: Message, link: str) -> dict[str, Any]:
    shown = {name: value for name, value in message.to_data().items() if name not in ("channel", "batch")}
    return {**shown, "acknowledge": link} if link else shown


def signature(secret: str, stamp: str, content: bytes) -> str:
    """The value of Lowmark-Signature."""
    made = hmac.new(secret.encode(), stamp.encode("ascii") + b"." + content, hashlib.sha256)
    return f"v1={made.hexdigest()}"


def _judge(answer: httpx.Response, place: str) -> None:
    status = answer.status_code
    if 200 <= status < 300:
        return
    permanent = 300 <= status < 500 and status not in _RETRIED
    text = f"{place} answered {status} {answer.reason_phrase}"
    raise Undelivered(text, permanent=permanent, retry_after=_retry_after(answer))


def _retry_after(answer: httpx.Response) -> float | None:
    """Retry-After in seconds (RFC 9110 section 10.2.3); a date there is not followed."""
    given = answer.headers.get("Retry-After", "").strip()
    return min(float(given), LONGEST_RETRY_AFTER) if given.isascii() and given.isdigit() and len(given) < 10 else None


def _place(url: str) -> str:
    """Which host, and no more: path and query of a webhook often are its secret."""
    try:
        parts = urlsplit(url)
        return f"{parts.scheme}://{parts.hostname}" + (f":{parts.port}" if parts.port else "")
    except ValueError:
        return "the webhook's URL"
