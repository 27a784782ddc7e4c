"""Who may do what: roles, each of which holds those before it."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from agent.model.failure import Failure

Role = Literal["look", "serve", "administer"]
ROLES: tuple[Role, ...] = ("look", "serve", "administer")
"""``look``: read everything. ``serve``: also record work, count parts and acknowledge alarms. ``administer``: all."""

DOES = {
    "look": "look at everything",
    "serve": "look, record work, count parts and acknowledge alarms",
    "administer": "do everything, also what concerns people and tokens",
}
"""What each role may do, in words for people."""


def holds(role: str, wanted: str) -> bool:
    """Whether who has ``role`` may do what ``wanted`` may. An unknown role holds nothing."""
    return role in ROLES and wanted in ROLES and ROLES.index(role) >= ROLES.index(wanted)


class NotAdmitted(Failure):
    """A sign-in, or what would change who may do what, is refused; the text says why without telling secrets.

    ``wait``: seconds until the next try is looked at.
    """

    status = 2

    def __init__(self, text: str, wait: float = 0.0) -> None:
        super().__init__(text)
        self.wait = wait


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in. ``password``: its Argon2id hash, "" for who comes through a proxy alone.

    ``changed``: when the password was set last.
    """

    name: str
    role: Role
    made: datetime
    changed: datetime
    password: str = field(default="", repr=False)

    @property
    def key(self) -> str:
        """What tells people apart: names that differ by case or form alone are the same."""
        return name_key(self.name)


@dataclass(frozen=True, slots=True)
class Session:
    """One browser that somebody signed in with; ``digest`` is the SHA-256 of what its cookie says."""

    digest: str = field(repr=False)
    person: Person
    made: datetime
    seen: datetime


@dataclass(frozen=True, slots=True)
class Token:
    """What a program shows instead of a sign-in. ``digest``: SHA-256 of the secret, which is kept nowhere.

    ``id`` 0: not in the store yet. ``expires`` None: never. ``used``: the last time, to the minute.
    """

    id: int
    name: str
    role: Role
    made: datetime
    made_by: str
    expires: datetime | None
    used: datetime | None = None
    revoked: datetime | None = None
    digest: str = field(default="", repr=False)

    def good(self, now: datetime) -> bool:
        """Whether it lets in now."""
        return self.revoked is None and (self.expires is None or now < self.expires)


def name_key(name: str) -> str:
    """One spelling for a name: composed (Unicode NFC), without case, blanks as single ones."""
    return unicodedata.normalize("NFC", " ".join(name.split()).casefold())
