"""Who asks, and whether they may: known for the time of one request, to routes, forms and templates alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Literal

from fastapi import HTTPException, Request

from agent.model.people import DOES, Role, holds

How = Literal["loopback", "session", "token", "proxy", "nobody"]


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. ``how`` they are known: ``loopback`` means somebody at this machine, of whom no name is known.

    ``nobody``: not signed in, at one of the few addresses that want nobody to be. ``role`` is "" then.
    """

    name: str
    role: Role | Literal[""]
    how: How

    def may(self, role: Role) -> bool:
        """Whether they may do what this role may."""
        return holds(self.role, role)


AT_THIS_MACHINE = Caller("", "administer", "loopback")
NOBODY = Caller("", "", "nobody")


@dataclass(slots=True)
class Visit:
    """One request under way. ``secret``: what forms are bound to, a session's or that of a cookie for forms alone.

    ``who``: the name that was given in a form last, remembered by a cookie. ``fresh``: the secret was made for this
    request and wants its cookie as soon as a form was rendered (``formed``). ``secure``: asked for over TLS.
    ``address``: where the request comes from. ``cookies``: whole ``Set-Cookie`` values to send along.
    """

    caller: Caller
    secret: str = ""
    who: str = ""
    address: str = ""
    secure: bool = False
    fresh: bool = False
    formed: bool = False
    cookies: list[str] = field(default_factory=list)


_visit: ContextVar[Visit] = ContextVar("lowmark_visit")


class Refused(HTTPException):
    """The request is turned away; ``detail`` is a sentence for a person that says why and what to do."""

    def __init__(self, status: int, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(status, detail, dict(headers or {}))


def enter(visit: Visit) -> None:
    """From here on this request is that visit."""
    _visit.set(visit)


def visit() -> Visit:
    """The visit under way; outside of a request it is nobody's."""
    return _visit.get(Visit(NOBODY))


def caller() -> Caller:
    """Who asks now."""
    return visit().caller


def needs(role: Role) -> Callable[[Request], Caller]:
    """A dependency for the API, and a check for pages: ``needs("serve")(request)``. Gives back who asks, or refuses.

    ``def route(by: Annotated[Caller, Depends(needs("serve"))])``. Raises Refused: 401 for nobody, 403 for whose role
    does not hold this one.
    """

    def check(_: Request) -> Caller:
        return insist(role)

    return check


def insist(role: Role) -> Caller:
    """Who asks now, if they may do what ``role`` may. Raises Refused."""
    found = caller()
    if found.may(role):
        return found
    if found.how == "nobody":
        raise Refused(401, "Sign in, or send a token: Authorization: Bearer TOKEN.", {"www-authenticate": "Bearer"})
    raise Refused(
        403,
        f"This needs the role {role} (to {DOES[role]}); {found.name or 'you'} may only {DOES[found.role or 'look']}.",
    )


def who_does_it(given: str) -> str:
    """The name for the ledger: that of the caller, and on loopback, where nobody signs in, the one that was ``given``.

    Raises Refused where there is none.
    """
    found = caller()
    name = found.name or " ".join("".join(sign if sign.isprintable() else " " for sign in given).split())[:100]
    if not name:
        raise Refused(422, "Say who does it: the ledger wants a name.")
    return name
