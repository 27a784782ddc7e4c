"""Links in messages by which an alarm is acknowledged without signing in: signed, for one alarm and a time only.

A link names an alarm, which of its occurrences, whom the message went to, and until when it is good; all of it under
an HMAC-SHA256 (itsdangerous). Whoever has the message can acknowledge this one alarm, and nothing else.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from itsdangerous import BadData, URLSafeSerializer

from agent.model.alarm import AlarmRecord, Message
from agent.model.failure import Failure
from agent.settings import Settings
from agent.store import Store

GOOD_FOR = timedelta(days=14)
PATH = "/acknowledge/"
LONGEST = 4_000
KEPT_AS = "link key"


class Forged(ValueError):
    """The link was not made here, or was changed."""


class Expired(ValueError):
    """The link is too old."""


@dataclass(frozen=True, slots=True)
class Link:
    """What a link says."""

    key: str
    occurrence: int
    raised: int
    who: str
    until: int

    def is_about(self, record: AlarmRecord) -> bool:
        """Whether the record still tells of the occurrence that the link was made for."""
        at = record.raised_at
        return record.occurrence == self.occurrence and at is not None and int(at.timestamp()) == self.raised


class Links:
    """Makes and reads links. ``root``: where people reach the pages now, "" for no links; ``key``: gives the secret.

    ``key`` may raise Failure; then there is no link in the message, and ``problem`` says why.
    """

    def __init__(self, root: Callable[[], str], key: Callable[[], str]) -> None:
        self._root = root
        self._key = key
        self.problem = ""

    def url(self, message: Message, who: str) -> str:
        """The link for one receiver of a message; "" where there is none."""
        root, raised = self._root().rstrip("/"), message.facts.get("raised_at")
        if not root or message.kind == "returned" or not isinstance(raised, str):
            return ""
        try:
            at = int(datetime.fromisoformat(raised).timestamp())
            until = int((message.at + GOOD_FOR).timestamp())
            made = str(self._serializer().dumps([message.key, message.occurrence, at, who, until]))
        except (Failure, ValueError) as problem:
            self.problem = str(problem)
            return ""
        return f"{root}{PATH}{made}"

    def read(self, token: str, now: datetime) -> Link:
        """What the last part of such a URL says. Raises Forged, Expired, and Failure without a secret."""
        if len(token) > LONGEST:
            raise Forged
        try:
            key, occurrence, raised, who, until = self._serializer().loads(token)
            link = Link(str(key), int(occurrence), int(raised), str(who), int(until))
        except (BadData, ValueError, TypeError):
            raise Forged from None
        if now.astimezone(UTC).timestamp() >= link.until:
            raise Expired
        return link

    def _serializer(self) -> URLSafeSerializer:
        return URLSafeSerializer(self._key(), salt="lowmark acknowledge", signer_kwargs={"digest_method": sha256})


class Keys:
    """The secret: that of the settings, else one of 256 random bits that is made once and kept in the store."""

    def __init__(self, settings: Callable[[], Settings], store: Store) -> None:
        self._settings = settings
        self._store = store
        self._kept = ""

    def key(self) -> str:
        """The secret now. Raises SecretMissing, StoreError."""
        named = self._settings().listen.link_key
        if named is not None:
            return named.reveal()
        self._kept = self._kept or self._store.kept(KEPT_AS, lambda: secrets.token_urlsafe(32))
        return self._kept
