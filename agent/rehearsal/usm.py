"""The agent side of the User-based Security Model of SNMPv3 (RFC 3414), with RFC 7860 digests and RFC 3826 privacy.

A simulated printer is its own authoritative engine: it tells its engine ID and time to who asks, and answers requests
outside the time window, with an unknown user or a wrong digest with the report that RFC 3414 section 3.2 demands.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import AES

from agent.model.wire import UsmUser
from agent.rehearsal import ber

try:  # CFB moved house within the library
    from cryptography.hazmat.decrepit.ciphers.modes import CFB
except ImportError:  # pragma: no cover - older library
    from cryptography.hazmat.primitives.ciphers.modes import CFB

DIGESTS: Mapping[str, tuple[str, int]] = {
    "MD5": ("md5", 12),
    "SHA-1": ("sha1", 12),
    "SHA-224": ("sha224", 16),
    "SHA-256": ("sha256", 24),
    "SHA-384": ("sha384", 32),
    "SHA-512": ("sha512", 48),
}
"""hashlib's name and the octets of the digest that are sent: RFC 3414 sections 6 and 7, RFC 7860 section 4.1."""

WINDOW = 150  # seconds, RFC 3414 section 2.2.3
_STATS = "1.3.6.1.6.3.15.1.1"
UNSUPPORTED_LEVEL, NOT_IN_WINDOW, UNKNOWN_USER = f"{_STATS}.1.0", f"{_STATS}.2.0", f"{_STATS}.3.0"
UNKNOWN_ENGINE, WRONG_DIGEST, DECRYPTION_ERROR = f"{_STATS}.4.0", f"{_STATS}.5.0", f"{_STATS}.6.0"
UNKNOWN_CONTEXT = "1.3.6.1.6.3.12.1.5.0"
_AUTH, _PRIV, _REPORTABLE = 1, 2, 4


@lru_cache(maxsize=1_000)
def pass_phrase_key(digest: str, phrase: str) -> bytes:
    """Ku: the digest of the pass phrase repeated to 2^20 octets (RFC 3414 appendix A.2)."""
    octets = phrase.encode()
    whole = (octets * (1_048_576 // len(octets) + 1))[:1_048_576]
    return hashlib.new(digest, whole, usedforsecurity=False).digest()


@lru_cache(maxsize=20_000)
def localised_key(digest: str, phrase: str, engine_id: bytes) -> bytes:
    """Kul: Ku made the key of one engine (RFC 3414 section 2.6)."""
    key = pass_phrase_key(digest, phrase)
    return hashlib.new(digest, key + engine_id + key, usedforsecurity=False).digest()


def cipher(key: bytes, boots: int, time: int, salt: bytes) -> Cipher[CFB]:
    """AES-128 in CFB128 as RFC 3826 section 3.1.2 sets it up: IV = engineBoots, engineTime, salt."""
    return Cipher(AES(key[:16]), CFB(boots.to_bytes(4, "big") + time.to_bytes(4, "big") + salt))


@dataclass(frozen=True, slots=True)
class Secured:
    """A request that passed: who asks and how, and what a response needs to go back the same way."""

    user: UsmUser
    flags: int
    message_id: int
    max_size: int
    context_engine: bytes
    context: bytes
    pdu: ber.Pdu


@dataclass(slots=True)
class _Head:
    """The parts of a message before its scoped PDU. ``digest_at``: where the digest stands in the whole message."""

    message_id: int
    max_size: int
    flags: int
    engine_id: bytes
    boots: int
    time: int
    name: bytes
    digest: bytes
    digest_at: int
    salt: bytes
    body_at: int
    end: int


def _head(data: bytes) -> _Head:
    """RFC 3412 section 6 and RFC 3414 section 2.4. Raises Malformed."""
    _, at, end = ber.version_of(data)
    start, stop = ber.expect(data, at, end, ber.SEQUENCE)
    message_id, start = ber.read_integer(data, start, stop)
    max_size, start = ber.read_integer(data, start, stop)
    flags, start = ber.read_octets(data, start, stop)
    model, _ = ber.read_integer(data, start, stop)
    if len(flags) != 1 or model != 3:
        raise ber.Malformed("the message header names no User-based Security Model")
    at, body = ber.expect(data, stop, end, ber.OCTETS)
    at, stop = ber.expect(data, at, body, ber.SEQUENCE)
    engine_id, at = ber.read_octets(data, at, stop)
    boots, at = ber.read_integer(data, at, stop)
    time, at = ber.read_integer(data, at, stop)
    name, at = ber.read_octets(data, at, stop)
    digest_at, at = ber.expect(data, at, stop, ber.OCTETS)
    salt, _ = ber.read_octets(data, at, stop)
    return _Head(
        message_id, max_size, flags[0], engine_id, boots, time, name, data[digest_at:at], digest_at, salt, body, end
    )


@dataclass(frozen=True, slots=True)
class Admitted:
    """A message whose sender is who it says, with its scoped PDU in plain octets."""

    head: _Head
    user: UsmUser
    scoped: bytes


class Engine:
    """One authoritative engine with its users.

    ``clock`` gives how often the engine booted and the seconds since (RFC 3414 section 2.2). ``stats`` counts, by OID,
    what the usmStats group of RFC 3414 counts.
    """

    def __init__(self, engine_id: bytes, users: tuple[UsmUser, ...], clock: Callable[[], tuple[int, int]]) -> None:
        self.engine_id = engine_id
        self.clock = clock
        self.stats: Counter[str] = Counter()
        self._users = {user.user.encode(): user for user in users}

    def open(self, data: bytes) -> Secured | bytes | None:
        """Check a message as RFC 3414 section 3.2 says: the request, the report to send, or None to stay silent.

        Raises Malformed when the octets are no SNMPv3 message.
        """
        admitted = self.admit(data)
        if not isinstance(admitted, Admitted):
            return admitted
        try:
            return self._scoped(admitted)
        except ber.Malformed:
            if admitted.head.flags & _PRIV:  # a wrong privacy key shows as nonsense after decryption
                return self._report(admitted.head, DECRYPTION_ERROR)
            raise

    def admit(self, data: bytes) -> Admitted | bytes | None:
        """The same checks, and the scoped PDU left as octets (or the report to send, or None to stay silent).

        Raises Malformed when the octets are no SNMPv3 message.
        """
        head = _head(data)
        if head.engine_id != self.engine_id:
            return self._report(head, UNKNOWN_ENGINE)
        user = self._users.get(head.name)
        if user is None:
            return self._report(head, UNKNOWN_USER)
        wrong = self._wrong(data, head, user)
        if wrong is not None:
            # Only the report about the time can be authentic: the requester has been checked by then.
            return self._report(head, wrong, user if wrong == NOT_IN_WINDOW else None)
        try:
            return Admitted(head, user, self._plain(data, head, user))
        except ber.Malformed:
            return self._report(head, DECRYPTION_ERROR)

    def _wrong(self, data: bytes, head: _Head, user: UsmUser) -> str | None:
        """Which usmStats counter this message moves, None when it is as it should be."""
        authentic, private = bool(head.flags & _AUTH), bool(head.flags & _PRIV)
        if (authentic and user.auth is None) or (private and (user.priv is None or not authentic)):
            return UNSUPPORTED_LEVEL
        if not authentic:
            return None
        if not self._digest_holds(data, head, user):
            return WRONG_DIGEST
        boots, time = self.clock()
        return NOT_IN_WINDOW if head.boots != boots or abs(head.time - time) > WINDOW else None

    def _plain(self, data: bytes, head: _Head, user: UsmUser) -> bytes:
        """The scoped PDU, decrypted where it is private. Raises Malformed."""
        if not head.flags & _PRIV:
            return data[head.body_at : head.end]
        start, stop = ber.expect(data, head.body_at, head.end, ber.OCTETS)
        if len(head.salt) != 8:
            raise ber.Malformed("a salt of other than 8 octets")
        return self._cipher(user, head.boots, head.time, head.salt).decryptor().update(data[start:stop])

    def _scoped(self, admitted: Admitted) -> Secured | bytes | None:
        head, user, scoped = admitted.head, admitted.user, admitted.scoped
        at, end = ber.expect(scoped, 0, len(scoped), ber.SEQUENCE)
        context_engine, at = ber.read_octets(scoped, at, end)
        context, at = ber.read_octets(scoped, at, end)
        pdu = ber.read_pdu(scoped, at, end)
        secured = Secured(user, head.flags & 3, head.message_id, head.max_size, context_engine, context, pdu)
        if context != user.context.encode():
            self.stats[UNKNOWN_CONTEXT] += 1
            return self.seal(secured, self._stat(UNKNOWN_CONTEXT, pdu.request_id))
        return secured

    def seal(self, asked: Secured, pdu: bytes) -> bytes:
        """A response (or report) PDU as a message at the level of the request."""
        return self.message(asked.message_id, asked.flags, asked.user, asked.context, pdu)

    def _digest_holds(self, data: bytes, head: _Head, user: UsmUser) -> bool:
        name, size = DIGESTS[user.auth or "SHA-1"]
        if len(head.digest) != size:
            return False
        blank = data[: head.digest_at] + bytes(size) + data[head.digest_at + size :]
        key = localised_key(name, user.auth_key or "", self.engine_id)
        return hmac.compare_digest(hmac.digest(key, blank, name)[:size], head.digest)

    def _cipher(self, user: UsmUser, boots: int, time: int, salt: bytes) -> Cipher[CFB]:
        name, _ = DIGESTS[user.auth or "SHA-1"]
        return cipher(localised_key(name, user.priv_key or "", self.engine_id), boots, time, salt)

    def _stat(self, oid: str, request_id: int) -> bytes:
        count = ber.binding(ber.oid_content(oid), ber.integer(self.stats[oid], ber.COUNTER32))
        return ber.pdu(ber.REPORT, request_id, 0, 0, count)

    def _report(self, head: _Head, oid: str, user: UsmUser | None = None) -> bytes | None:
        """A report without privacy, authentic only where the requester could be checked (RFC 3414 section 3.2)."""
        self.stats[oid] += 1
        if not head.flags & _REPORTABLE:
            return None
        return self.message(head.message_id, _AUTH if user else 0, user, b"", self._stat(oid, 0))

    def message(self, message_id: int, flags: int, user: UsmUser | None, context: bytes, pdu: bytes) -> bytes:
        """A message of this engine at the level that ``flags`` say, for ``user`` (None: nobody in particular)."""
        boots, time = self.clock()
        scoped = ber.element(
            ber.SEQUENCE, ber.element(ber.OCTETS, self.engine_id) + ber.element(ber.OCTETS, context) + pdu
        )
        salt, size = b"", 0
        if user and flags & _PRIV:
            salt = os.urandom(8)
            scoped = ber.element(ber.OCTETS, self._cipher(user, boots, time, salt).encryptor().update(scoped))
        if user and flags & _AUTH:
            size = DIGESTS[user.auth or "SHA-1"][1]
        header = ber.integer(message_id) + ber.integer(65_507) + bytes((4, 1, flags)) + ber.integer(3)
        salted = ber.element(ber.OCTETS, salt)
        parameters = (
            ber.element(ber.OCTETS, self.engine_id)
            + ber.integer(boots)
            + ber.integer(time)
            + ber.element(ber.OCTETS, user.user.encode() if user else b"")
            + ber.element(ber.OCTETS, bytes(size))
            + salted
        )
        secure = ber.element(ber.OCTETS, ber.element(ber.SEQUENCE, parameters))
        whole = ber.element(ber.SEQUENCE, ber.integer(3) + ber.element(ber.SEQUENCE, header) + secure + scoped)
        if not size or user is None:
            return whole
        name, _ = DIGESTS[user.auth or "SHA-1"]
        key = localised_key(name, user.auth_key or "", self.engine_id)
        at = len(whole) - len(scoped) - len(salted) - size
        return whole[:at] + hmac.digest(key, whole, name)[:size] + whole[at + size :]
