"""The authoritative side of SNMPv3 against the vectors of RFC 3414 and against Debian's tools."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from agent.model.wire import UsmUser
from agent.rehearsal import kinds, usm
from agent.rehearsal.agent import Image, Responder
from agent.rehearsal.face import tag_of
from agent.rehearsal.serve import Rehearsal
from tests.rehearsal.running import rehearsal, tool

ENGINE = bytes.fromhex("000000000000000000000002")
DESCR = "1.3.6.1.2.1.1.1.0"


@pytest.mark.parametrize(
    ("digest", "unlocalised", "localised"),
    [  # RFC 3414 appendix A.3.1 and A.3.2
        ("md5", "9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"),
        ("sha1", "9fb5cc0381497b3793528939ff788d5d79145211", "6695febc9288e36282235fc7151f128497b38f3f"),
    ],
)
def test_keys_are_those_of_rfc_3414(digest: str, unlocalised: str, localised: str) -> None:
    assert usm.pass_phrase_key(digest, "maplesyrup").hex() == unlocalised
    assert usm.localised_key(digest, "maplesyrup", ENGINE).hex() == localised


def test_digests_have_the_lengths_of_rfc_7860() -> None:
    sent = {name: size for name, (_, size) in usm.DIGESTS.items()}
    # RFC 3414 sections 6.1 and 7.1: 12 octets. RFC 7860 section 4.2.1: 16, 24, 32, 48.
    assert sent == {"MD5": 12, "SHA-1": 12, "SHA-224": 16, "SHA-256": 24, "SHA-384": 32, "SHA-512": 48}


def asked(user: UsmUser, address: str, *more: str, **other: str) -> tuple[int, str]:
    """An snmpget as this user, with some options otherwise; its exit status and all that it said."""
    words = {"MD5": "MD5", "SHA-1": "SHA", "AES-128": "AES"}
    options = {
        "-l": user.level,
        "-u": user.user,
        "-a": words.get(user.auth or "", user.auth or ""),
        "-A": user.auth_key or "",
        "-x": words.get(user.priv or "", user.priv or ""),
        "-X": user.priv_key or "",
        "-n": user.context,
    } | {f"-{key}": value for key, value in other.items()}
    flat = [part for pair in options.items() if pair[1] for part in pair]
    ran = tool("snmpget", "-v3", *flat, address, *(more or (DESCR,)))
    return ran.returncode, ran.stdout + ran.stderr


@pytest.fixture(scope="module")
def running() -> Iterator[Rehearsal]:
    with rehearsal() as started:
        yield started


@pytest.fixture(scope="module")
def secure(running: Rehearsal) -> str:
    return address_of(running, kinds.SECURE)


def address_of(running: Rehearsal, kind: kinds.Kind) -> str:
    return next(str(host.address) for host in running.hosts if host.printers[0].kind is kind)


@pytest.mark.parametrize("kind", [kinds.SECURE, kinds.SECURE_OLD], ids=lambda kind: kind.credentials.auth)
def test_net_snmp_reads_with_authentication_and_privacy(running: Rehearsal, kind: kinds.Kind) -> None:
    assert isinstance(kind.credentials, UsmUser)
    status, said = asked(kind.credentials, address_of(running, kind))
    assert (status, kind.title in said) == (0, True), said


@pytest.mark.parametrize(
    ("wrong", "words"),
    [  # what Net-SNMP says when it gets the report for each usmStats counter (RFC 3414 section 5)
        ({"A": "quite another phrase"}, "Authentication failure"),
        ({"X": "quite another phrase"}, "Decryption error"),
        ({"u": "nobody"}, "Unknown user name"),
        ({"l": "authNoPriv"}, "authorizationError"),
        ({"l": "noAuthNoPriv"}, "authorizationError"),
        ({"n": "elsewhere"}, "Bad context"),
    ],
    ids=["digest", "privacy key", "user", "no privacy", "no authentication", "context"],
)
def test_net_snmp_is_told_what_is_wrong(secure: str, wrong: dict[str, str], words: str) -> None:
    status, said = asked(kinds.SECURE_256, secure, **wrong)
    assert status != 0
    assert words in said


def test_a_level_that_the_user_has_no_keys_for_is_unsupported() -> None:
    plain = UsmUser("plain")
    made = responder(plain).handle(request(UsmUser("plain", "SHA-1", "some phrase", "AES-128", "some phrase")))
    assert made is not None
    assert usm_counter(made) == usm.UNSUPPORTED_LEVEL


def test_a_request_from_another_time_is_told_the_time() -> None:
    user = kinds.SECURE_256
    late = responder(user, clock=(1, 1_000))
    assert usm_counter(late.handle(request(user, clock=(1, 1_000 - 151)))) == usm.NOT_IN_WINDOW
    assert usm_counter(late.handle(request(user, clock=(2, 1_000)))) == usm.NOT_IN_WINDOW
    answered = late.handle(request(user, clock=(1, 1_000 - 149)))
    assert answered is not None
    assert sum(late.stats.values()) == 2


def test_a_printer_that_restarts_is_read_again(running: Rehearsal) -> None:
    host = running.host_of(next(worn.who.name for worn in running.fleet.printers if worn.kind is kinds.SECURE))
    name = host.printers[0].who.name
    running.unplug(name)
    running.plug(name)
    status, said = asked(kinds.SECURE_256, str(host.address), "1.3.6.1.6.3.10.2.1.2.0", "1.3.6.1.2.1.1.3.0")
    assert status == 0, said
    assert host.printers[0].boots == 2


@pytest.mark.parametrize("auth", sorted(usm.DIGESTS))
@pytest.mark.parametrize("context", ["", "printing"])
def test_every_digest_and_a_context_are_read_by_net_snmp(running: Rehearsal, auth: str, context: str) -> None:
    host = next(host for host in running.hosts if host.printers[0].kind is kinds.DESK)
    user = UsmUser("reader", auth, "a phrase for signing", "AES-128", "a phrase for hiding", context)
    before = host.responder
    host.responder = responder(user, clock=(1, 500))
    try:
        status, said = asked(user, str(host.address))
    finally:
        host.responder = before
    assert (status, "Quillon" in said) == (0, True), said


# --- without a network -------------------------------------------------------------------------------------------


def responder(user: UsmUser, clock: tuple[int, int] = (1, 0)) -> Responder:
    image = Image({DESCR: b"Quillon C720"}, tag_of)
    return Responder(lambda: image, (user,), engine_id=ENGINE, clock=lambda: clock)


def request(user: UsmUser, clock: tuple[int, int] = (1, 0)) -> bytes:
    """A GET as that user would send it: the authoritative engine's own sealing, with the reportable flag."""
    from agent.rehearsal import ber

    pdu = ber.pdu(ber.GET, 99, 0, 0, ber.binding(ber.oid_content(DESCR), bytes((ber.NULL, 0))))
    flags = 4 | (1 if user.auth else 0) | (2 if user.priv else 0)
    return usm.Engine(ENGINE, (user,), lambda: clock).message(5, flags, user, user.context.encode(), pdu)


def usm_counter(made: bytes | None) -> str:
    """The OID of the counter in a report that is not encrypted."""
    assert made is not None
    for oid in (usm.UNSUPPORTED_LEVEL, usm.NOT_IN_WINDOW, usm.UNKNOWN_USER, usm.UNKNOWN_ENGINE, usm.WRONG_DIGEST):
        from agent.rehearsal import ber

        if ber.oid_content(oid) in made:
            return oid
    return ""


def test_a_request_without_the_reportable_flag_gets_no_report() -> None:
    user = replace(kinds.SECURE_256, user="stranger")
    octets = bytearray(request(user))
    assert responder(kinds.SECURE_256).handle(bytes(octets)) is not None
    at = octets.index(b"\x04\x01\x07")
    octets[at + 2] = 3
    assert responder(kinds.SECURE_256).handle(bytes(octets)) is None
