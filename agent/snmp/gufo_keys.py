"""An SNMPv3 user in gufo-snmp's terms, its keys made ready."""

from __future__ import annotations

import functools
import hmac
from collections.abc import Callable

from gufo.snmp import (
    Aes128Key,
    Aes192Key,
    Aes256Key,
    BaseAuthKey,
    BasePrivKey,
    DesKey,
    Md5Key,
    Sha1Key,
    Sha224Key,
    Sha256Key,
    Sha384Key,
    Sha512Key,
    User,
)
from gufo.snmp.user import KeyType

from agent.model.wire import Unsupported, UsmUser
from agent.snmp import ber

_AUTH: dict[str, type[BaseAuthKey]] = {
    "MD5": Md5Key,
    "SHA-1": Sha1Key,
    "SHA-224": Sha224Key,
    "SHA-256": Sha256Key,
    "SHA-384": Sha384Key,
    "SHA-512": Sha512Key,
}
_PRIV: dict[str, type[BasePrivKey]] = {
    "DES": DesKey,
    "AES-128": Aes128Key,
    "AES-192": Aes192Key,
    "AES-256": Aes256Key,
}


@functools.lru_cache(maxsize=128)
def _master_key(auth: str, passphrase: str) -> bytes:
    """RFC 3414 section A.2: a megabyte of hashing for each pass phrase, so it is done once."""
    return _AUTH[auth].get_master_key(passphrase.encode())


def usm_user(credentials: UsmUser) -> User:
    """gufo-snmp's user with master keys; they are localised when the engine ID is known.

    Raises:
        Unsupported: this engine cannot do what the credentials ask for.
    """
    for given, known in ((credentials.auth, _AUTH), (credentials.priv, _PRIV)):
        if given is not None and given not in known:
            raise Unsupported(f"the engine gufo does not know {given!r}: choose one of {', '.join(known)}")
    if credentials.priv and not credentials.auth:
        raise Unsupported("SNMPv3 has no privacy without authentication (RFC 3414): name an authentication protocol")
    if credentials.context:
        raise Unsupported(
            f"the engine gufo cannot read the SNMPv3 context {credentials.context!r}: use the engine pysnmp"
        )
    if credentials.auth is None:
        return User(credentials.user)
    auth = _AUTH[credentials.auth](_master_key(credentials.auth, credentials.auth_key or ""), KeyType.Master)
    priv = None
    if credentials.priv is not None:
        # The privacy key is made with the authentication protocol's hash (RFC 3414 section 2.6).
        priv = _PRIV[credentials.priv](_master_key(credentials.auth, credentials.priv_key or ""), KeyType.Master)
    return User(credentials.user, auth_key=auth, priv_key=priv)


# The hash, and the octets of it that make the digest (RFC 3414 sections 6 and 7, RFC 7860 section 4).
_DIGESTS = {
    "MD5": ("md5", 12),
    "SHA-1": ("sha1", 12),
    "SHA-224": ("sha224", 16),
    "SHA-256": ("sha256", 24),
    "SHA-384": ("sha384", 32),
    "SHA-512": ("sha512", 48),
}


def checker(credentials: UsmUser, engine_id: bytes) -> Callable[[bytes], bool] | None:
    """A function that tells whether a message is really from the agent ``engine_id`` (RFC 3414 section 3.2, step 6).

    None for a user without authentication. Reports may come without a digest, as an agent that does not know the user
    has no key to make one with; nothing else may.
    """
    if credentials.auth is None:
        return None
    master = _master_key(credentials.auth, credentials.auth_key or "")
    key = _AUTH[credentials.auth].get_localized_key(master, engine_id)
    algorithm, size = _DIGESTS[credentials.auth]
    blank = bytes(size)

    def genuine(data: bytes) -> bool:
        try:
            message = ber.secured(data)
        except ValueError:
            return False
        if not message.authenticated:
            return message.pdu == ber.REPORT
        start, stop = message.digest
        if stop - start != size or message.engine_id != engine_id:
            return False
        digest = hmac.digest(key, data[:start] + blank + data[stop:], algorithm)[:size]
        return hmac.compare_digest(digest, data[start:stop])

    return genuine
