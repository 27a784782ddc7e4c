"""Who may come in: passwords, sessions and tokens, and what the ledger says of them.

Passwords are hashed with Argon2id (RFC 9106, its second recommended choice: 64 MiB, 3 passes, 4 lanes). Session secrets
and tokens are 256 random bits, of which the store has the SHA-256: what cannot be guessed needs no slow hash.
"""

from __future__ import annotations

import secrets
import threading
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from hashlib import sha256
from typing import TYPE_CHECKING

from agent.app.throttle import Throttle
from agent.model.day_words import clock_words
from agent.model.fleet import LedgerEntry
from agent.model.people import ROLES, NotAdmitted, Person, Role, Session, Token, name_key

if TYPE_CHECKING:
    from argon2 import PasswordHasher

    from agent.store import Store

SHORTEST, LONGEST = 12, 256
"""Characters of a password. NIST SP 800-63B section 3.1.1.2: length matters, composition rules do not."""
FEWEST_DIFFERENT = 5
IDLE, ABSOLUTE = timedelta(hours=12), timedelta(days=7)
SEEN_EVERY = timedelta(minutes=1)
TOKEN_MARK = "lowmark_"  # noqa: S105 - how a token begins, so that it is known when it is found lying about
_WRONG = "The name or the password is not right."
_AT_ONCE = 2
"""So many passwords are checked at the same time; each takes 64 MiB for a moment."""


class Keeper:
    """Keeps the doors of one store. ``now``: UTC; ``timer``: seconds that never go back. Safe in any thread.

    ``idle`` and ``absolute``: how long a session lasts unused, and at most. ``zone``: the agent's own, for the ledger.
    ``hasher``: other costs than those above.
    What needs the store may raise StoreError.
    """

    def __init__(
        self,
        store: Store,
        now: Callable[[], datetime],
        timer: Callable[[], float],
        *,
        idle: timedelta = IDLE,
        absolute: timedelta = ABSOLUTE,
        zone: Callable[[], str] = lambda: "UTC",
        hasher: PasswordHasher | None = None,
    ) -> None:
        self._register = store.register
        self._now, self._timer = now, timer
        self._idle, self._absolute, self._zone = idle, absolute, zone
        # A name is slowed down for a minute at most, so that nobody can lock others out by failing in their name.
        self._names, self._addresses = Throttle(5, 60.0), Throttle(10, 900.0)
        self._checking = threading.Semaphore(_AT_ONCE)
        self._counting = threading.Lock()
        self._nobody = ""
        self._given_hasher = hasher

    # --- people ---------------------------------------------------------------------------------------------------

    def people(self) -> tuple[Person, ...]:
        """Everybody who may come in."""
        return self._register.people()

    def person(self, name: str) -> Person | None:
        """Whoever is called so."""
        return self._register.person(name)

    def add(self, name: str, role: Role, password: str | None, by: str) -> Person:
        """Enter somebody. ``password`` None: they come through a proxy that knows them. Raises NotAdmitted."""
        name = fit_name(name)
        if self._register.person(name) is not None:
            raise NotAdmitted(f"there is somebody called {name} already; lowmark people list shows everybody")
        now = self._now()
        hashed = "" if password is None else self._hashed(name, password)
        made = Person(name, _role(role), now, now, hashed)
        self._register.save_person(made, [self._told("personAdded", f"{name} may {role}", name, by)])
        return made

    def set_role(self, name: str, role: Role, by: str) -> Person:
        """Let somebody do more or less, from their next request on. Raises NotAdmitted."""
        found = self._known(name)
        if found.role == "administer" and role != "administer":
            self._not_the_last(found)
        changed = replace(found, role=_role(role))
        text = f"{found.name} may {role} now; it was {found.role}"
        self._register.save_person(changed, [self._told("roleChanged", text, found.name, by)])
        return changed

    def set_password(self, name: str, password: str, by: str) -> Person:
        """Give somebody a new password and end all their sessions. Raises NotAdmitted."""
        found = self._known(name)
        changed = replace(found, password=self._hashed(found.name, password), changed=self._now())
        text = f"{found.name} has a new password; every session of {found.name} was ended"
        entry = self._told("passwordChanged", text, found.name, by)
        self._register.save_person(changed, [entry], end_sessions=True)
        return changed

    def remove(self, name: str, by: str) -> None:
        """Take somebody out and end their sessions. Raises NotAdmitted."""
        found = self._known(name)
        if found.role == "administer":
            self._not_the_last(found)
        entry = self._told("personRemoved", f"{found.name} is not known here any more", found.name, by)
        self._register.remove_person(found.name, [entry])

    def _known(self, name: str) -> Person:
        found = self._register.person(name)
        if found is None:
            raise NotAdmitted(f"there is nobody called {name}; lowmark people list shows everybody")
        return found

    def _not_the_last(self, leaving: Person) -> None:
        everybody = self._register.people()
        others = [one for one in everybody if one.role == "administer" and one.key != leaving.key]
        if not others and len(everybody) > 1:
            raise NotAdmitted(
                f"{leaving.name} is the last one with the role administer; give it to somebody else first: "
                "lowmark people role NAME administer"
            )

    # --- sessions -------------------------------------------------------------------------------------------------

    def sign_in(self, name: str, password: str, address: str, before: str = "") -> str:
        """The secret of a new session. ``before``: that of a session it takes the place of. Raises NotAdmitted.

        It takes as long for a name that does not exist, and the refusal is the same.
        """
        key = name_key(name)[:200]
        found = self._admitted(key, name, password, address, _WRONG)
        if self._hasher().check_needs_rehash(found.password):
            self._register.save_person(replace(found, password=self._hasher().hash(_composed(password))), ())
        now = self._now()
        self._register.forget_sessions(now - self._idle, now - self._absolute)
        entry = self._told("signIn", f"{found.name} signed in from {address}", found.name, found.name)
        return self._begin(found, [entry], before)

    def session(self, secret: str, *, used: bool = True) -> Person | None:
        """Whose session this is, if it is one that is not over. ``used`` False: it does not last longer for that."""
        digest = _digest(secret)
        found = self._register.session(digest)
        if found is None:
            return None
        now = self._now()
        if self._over(found, now):
            self._register.end_session(digest)
            return None
        if used and now - found.seen >= SEEN_EVERY:
            self._register.seen(digest, now)
        return found.person

    def sign_out(self, secret: str) -> None:
        """End this session."""
        self._register.end_session(_digest(secret))

    def change_password(self, name: str, old: str, new: str, address: str) -> str:
        """Somebody changes their own password: every session ends, and a new one begins. Raises NotAdmitted."""
        key = name_key(name)[:200]
        found = self._admitted(key, name, old, address, "The present password is not right.")
        return self._begin(self.set_password(found.name, new, found.name), [], "")

    def _begin(self, person: Person, entries: list[LedgerEntry], before: str) -> str:
        secret = secrets.token_urlsafe(32)
        instead_of = _digest(before) if before else ""
        self._register.open_session(_digest(secret), person.name, self._now(), entries, instead_of=instead_of)
        return secret

    def _over(self, found: Session, now: datetime) -> bool:
        return now - found.seen > self._idle or now - found.made > self._absolute

    def _admitted(self, key: str, name: str, password: str, address: str, wrong: str) -> Person:
        with self._counting:  # counted before it is looked at: many at once are no way around the delays
            at = self._timer()
            wait = max(self._names.wait(key, at), self._addresses.wait(address, at))
            if wait > 0:
                raise NotAdmitted(f"Too many sign-ins failed. Try again in {max(1, round(wait))} s.", wait)
            counts = self._names.count(key, at), self._addresses.count(address, at)
        found = self._register.person(name)
        if found is None or not self._fits(found, password):
            if found is None:
                self._fits(None, password)
            self._tell_series(key, address, *counts)
            raise NotAdmitted(wrong)
        self._names.forget(key)
        self._addresses.forgive(address)
        return found

    def _tell_series(self, key: str, address: str, of_name: int, of_address: int) -> None:
        for count, free, subject, words in (
            (of_name, self._names.free, key, f"in the name of {key[:100]}, the latest from {address}"),
            (of_address, self._addresses.free, address, f"from {address}, the latest in the name of {key[:100]}"),
        ):
            # Once when it becomes a series, and then each time that it has become ten times as long.
            if count in {(free + 1) * 10**power for power in range(6)}:
                entry = self._told("signInRefused", f"{count} sign-ins failed {words}", subject[:100], "lowmark")
                self._register.note([entry])

    def _fits(self, found: Person | None, password: str) -> bool:
        from argon2.exceptions import InvalidHashError, VerificationError

        with self._checking:
            if not self._nobody:
                self._nobody = self._hasher().hash(secrets.token_hex(16))
            usable = found.password if found is not None and found.password else ""
            try:
                self._hasher().verify(usable or self._nobody, _composed(password[: LONGEST * 4]))
            except (VerificationError, InvalidHashError):
                return False
        return bool(usable)

    def _hashed(self, name: str, password: str) -> str:
        password = _composed(password)
        if not SHORTEST <= len(password) <= LONGEST:
            raise NotAdmitted(f"a password has {SHORTEST} to {LONGEST} characters; several words make a good one")
        if len(set(password.casefold())) < FEWEST_DIFFERENT or name_key(name) in password.casefold():
            raise NotAdmitted("this password is too easy to guess; several words that do not belong together are not")
        with self._checking:
            return self._hasher().hash(password)

    def _hasher(self) -> PasswordHasher:
        from argon2 import PasswordHasher
        from argon2.profiles import RFC_9106_LOW_MEMORY

        return self._given_hasher or PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)

    # --- tokens ---------------------------------------------------------------------------------------------------

    def add_token(self, name: str, role: Role, lasts: timedelta | None, by: str) -> tuple[str, Token]:
        """A new token and what is kept of it; the secret cannot be had again. Raises NotAdmitted."""
        name, now = fit_name(name), self._now()
        if any(one.good(now) and name_key(one.name) == name_key(name) for one in self._register.tokens()):
            raise NotAdmitted(f"there is a token called {name} already; revoke it first, or choose another name")
        secret = TOKEN_MARK + secrets.token_urlsafe(32)
        expires = None if lasts is None else now + lasts
        made = Token(0, name, _role(role), now, by, expires, digest=_digest(secret))
        until = "for good" if expires is None else f"until {clock_words(expires, self._zone())}"
        entry = self._told("tokenMade", f"a token called {name} may {role} {until}", name, by)
        return secret, replace(made, id=self._register.add_token(made, [entry]))

    def tokens(self) -> tuple[Token, ...]:
        """Every token there ever was."""
        return self._register.tokens()

    def revoke(self, which: str, by: str) -> Token:
        """End a token, by its number or its name. Raises NotAdmitted."""
        now = self._now()
        known = self._register.tokens()
        found = [one for one in known if str(one.id) == which]
        found = found or [one for one in known if one.revoked is None and name_key(one.name) == name_key(which)]
        if not found:
            raise NotAdmitted(f"there is no token {which}; lowmark tokens list shows them")
        one = found[-1]
        entry = self._told("tokenRevoked", f"the token called {one.name} lets nobody in any more", one.name, by)
        if not self._register.revoke_token(one.id, now, [entry]):
            raise NotAdmitted(f"the token {which} was revoked before")
        return replace(one, revoked=now)

    def token(self, secret: str) -> Token | None:
        """The token with this secret, if it lets in now."""
        if not secret.startswith(TOKEN_MARK) or len(secret) > 100:
            return None
        found, now = self._register.token(_digest(secret)), self._now()
        if found is None or not found.good(now):
            return None
        if found.used is None or now - found.used >= SEEN_EVERY:
            self._register.token_used(found.id, now)
        return found

    def _told(self, kind: str, text: str, subject: str, who: str) -> LedgerEntry:
        return LedgerEntry(self._now(), kind, text, subject=subject, who=who)


def fit_name(name: str) -> str:
    """A name as it is kept. Raises NotAdmitted where it could be mistaken for another, or is none."""
    found = unicodedata.normalize("NFC", " ".join(name.split()))
    if not 1 <= len(found) <= 100 or not found.isprintable():
        raise NotAdmitted("a name has 1 to 100 characters, and none that cannot be seen")
    if name_key(found) in ("lowmark", "nobody"):
        raise NotAdmitted(f"{found} is what the ledger calls somebody else; choose another name")
    return found


def _role(role: str) -> Role:
    for known in ROLES:
        if role == known:
            return known
    raise NotAdmitted(f"there is no role {role}; there are {', '.join(ROLES)}")


def _composed(password: str) -> str:
    """One spelling for what looks the same (RFC 8265 section 4.2.2: NFC)."""
    return unicodedata.normalize("NFC", password)


def _digest(secret: str) -> str:
    return sha256(secret.encode("utf-8", "replace")).hexdigest()
