"""Whatever the Apprise library reaches: chat, push, SMS and many more, each by one URL."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import partial
from typing import Any

from agent.model.alarm import Message, rank
from agent.notify.channel import MakeLink, Receipts, Reveal, Undelivered, Worker, fingerprint, no_link, revealed
from agent.notify.message import compose


class AppriseChannel:
    """Sends to every URL in ``urls``, which are asked for at each sending since they hold the service's keys."""

    def __init__(self, name: str, urls: Sequence[Reveal], link: MakeLink = no_link) -> None:
        self._name = name
        self._urls = tuple(urls)
        self._link = link
        self._receipts = Receipts()
        self._worker = Worker(name)

    @property
    def name(self) -> str:
        """As the rules call it."""
        return self._name

    async def send(self, messages: Sequence[Message]) -> None:
        """Send all as one text. Raises Undelivered; a service that took it gets no second one from this process."""
        urls = [revealed(url, self._name) for url in self._urls]
        text = compose(messages, lambda message: self._link(message, self._name))
        piece, tone = fingerprint(messages), _tone(messages)
        await self._worker.run(partial(self._send, urls, piece, text.subject, text.body, tone))

    async def close(self) -> None:
        """End the thread."""
        self._worker.close()

    def _send(self, urls: Sequence[str], piece: str, subject: str, body: str, tone: str) -> None:
        by_mark = {hashlib.sha256(url.encode()).hexdigest(): url for url in urls}
        failed = []
        for mark in self._receipts.missing(piece, list(by_mark)):
            if self._one(by_mark[mark], subject, body, tone):
                self._receipts.note(piece, mark)
            else:
                failed.append(_scheme(by_mark[mark]))
        if failed:
            raise Undelivered(f"channel {self._name}: not taken by {', '.join(failed)}")

    def _one(self, url: str, subject: str, body: str, tone: str) -> bool:
        import apprise

        try:
            service: Any = apprise.Apprise.instantiate(url, suppress_exceptions=True)
            if service:
                return bool(service.notify(body=body, title=subject, notify_type=tone, body_format="text"))
        except Exception as problem:  # noqa: BLE001 - any of a hundred plug-ins, and none may stop the outbox
            raise Undelivered(f"channel {self._name}: {_scheme(url)} failed: {type(problem).__name__}") from None
        raise Undelivered(f"channel {self._name}: Apprise does not understand the {_scheme(url)} URL", permanent=True)


def _scheme(url: str) -> str:
    """``json://`` of a URL: the only part that is no secret."""
    scheme, found, _ = url.partition("://")
    return f"{scheme[:20]}://" if found and scheme.isalnum() else "the"


def _tone(messages: Sequence[Message]) -> str:
    """Apprise's word for how it is meant: info, success, warning or failure."""
    news = [message for message in messages if message.kind != "returned"]
    if not news:
        return "success"
    gravest = max(rank(message.severity) for message in news)
    return "failure" if gravest >= rank("high") else "warning" if gravest >= rank("medium") else "info"
