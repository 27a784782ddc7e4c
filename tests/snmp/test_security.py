"""SNMPv3 keys and digests against the worked examples of RFC 3414, and messages against another library."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
from collections.abc import Callable

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from agent.model.wire import UsmUser
from agent.snmp import ber as wire_ber
from tests.snmp import ber
from tests.snmp.ber import integer, octets, oid

ENGINE_ID = bytes.fromhex("000000000000000000000002")

# RFC 3414 section A.3: the pass phrase "maplesyrup", the engine ID above; Ku, then Kul.
A3 = {
    "MD5": ("9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"),
    "SHA-1": ("9fb5cc0381497b3793528939ff788d5d79145211", "6695febc9288e36282235fc7151f128497b38f3f"),
}


def by_hand(algorithm: str, passphrase: bytes) -> tuple[bytes, bytes]:
    """RFC 3414 section A.2 with hashlib: a megabyte of the pass phrase, then the engine ID between two keys."""
    times = 1_048_576 // len(passphrase) + 1
    key = hashlib.new(algorithm, (passphrase * times)[:1_048_576]).digest()
    return key, hashlib.new(algorithm, key + ENGINE_ID + key).digest()


@pytest.mark.parametrize("auth", A3)
def test_our_own_reckoning_gives_the_keys_of_the_standard(auth: str) -> None:
    assert tuple(key.hex() for key in by_hand({"MD5": "md5", "SHA-1": "sha1"}[auth], b"maplesyrup")) == A3[auth]


@pytest.mark.parametrize("auth", ["MD5", "SHA-1", "SHA-224", "SHA-256", "SHA-384", "SHA-512"])
def test_gufo_makes_the_keys_of_the_standard(auth: str) -> None:
    """MD5 and SHA-1: RFC 3414 section A.3. RFC 7860 gives no examples for SHA-2: by hand."""
    pytest.importorskip("gufo.snmp")
    from agent.snmp import gufo_keys

    master = gufo_keys._master_key(auth, "maplesyrup")
    local = gufo_keys._AUTH[auth].get_localized_key(master, ENGINE_ID)
    assert (master, local) == by_hand(auth.lower().replace("-", ""), b"maplesyrup")
    if auth in A3:
        assert (master.hex(), local.hex()) == A3[auth]


@pytest.mark.parametrize("auth", A3)
def test_pysnmp_makes_the_keys_of_the_standard(auth: str) -> None:
    from pysnmp.proto.rfc1902 import OctetString
    from pysnmp.proto.secmod.rfc3414 import localkey

    kind = hashlib.md5 if auth == "MD5" else hashlib.sha1
    master = localkey.hash_passphrase(OctetString(b"maplesyrup"), kind)
    assert bytes(master).hex() == A3[auth][0]
    assert bytes(localkey.localize_key(master, OctetString(ENGINE_ID), kind)).hex() == A3[auth][1]


def v3(pdu: int, *, key: bytes | None, algorithm: str = "sha1", size: int = 12, engine: bytes = ENGINE_ID) -> bytes:
    """An SNMPv3 message without privacy (RFC 3412 section 6, RFC 3414 section 2.4), with a digest if there is a key."""

    def build(digest: bytes) -> bytes:
        flags = octets(bytes([1 if key is not None else 0]))
        header = b"".join(ber.tlv(t.tag, t.octets) for t in (integer(7), integer(65_507), flags, integer(3)))
        security = b"".join(
            ber.tlv(t.tag, t.octets)
            for t in (octets(engine), integer(1), integer(2), octets("clerk"), octets(digest), octets(b""))
        )
        inner = b"".join(ber.tlv(ber.INTEGER, integer(n).octets) for n in (9, 0, 0)) + ber.tlv(ber.SEQUENCE, b"")
        scoped = ber.tlv(ber.OCTETS, engine) + ber.tlv(ber.OCTETS, b"") + ber.tlv(pdu, inner)
        return ber.tlv(
            ber.SEQUENCE,
            ber.tlv(ber.INTEGER, b"\x03")
            + ber.tlv(ber.SEQUENCE, header)
            + ber.tlv(ber.OCTETS, ber.tlv(ber.SEQUENCE, security))
            + ber.tlv(ber.SEQUENCE, scoped),
        )

    if key is None:
        return build(b"")
    return build(hmac.new(key, build(bytes(size)), algorithm).digest()[:size])


DIGESTS = {"MD5": 12, "SHA-1": 12, "SHA-224": 16, "SHA-256": 24, "SHA-384": 32, "SHA-512": 48}


@pytest.mark.parametrize("auth", DIGESTS)
def test_a_message_is_genuine_only_with_the_digest_that_belongs_to_it(auth: str) -> None:
    """HMAC truncated as RFC 3414 sections 6 and 7 and RFC 7860 section 4.1 say; made here with Python's own hmac."""
    pytest.importorskip("gufo.snmp")
    from agent.snmp.gufo_keys import checker

    algorithm, size = auth.lower().replace("-", ""), DIGESTS[auth]
    _, key = by_hand(algorithm, b"maplesyrup")
    genuine = checker(UsmUser("clerk", auth, "maplesyrup"), ENGINE_ID)
    assert genuine is not None
    good = v3(ber.RESPONSE, key=key, algorithm=algorithm, size=size)
    assert genuine(good)
    assert genuine(v3(ber.REPORT, key=key, algorithm=algorithm, size=size))
    assert genuine(v3(ber.REPORT, key=None))
    assert not genuine(v3(ber.RESPONSE, key=None))
    assert not genuine(v3(ber.RESPONSE, key=b"another key", algorithm=algorithm, size=size))
    assert not genuine(v3(ber.RESPONSE, key=key, algorithm=algorithm, size=size, engine=b"another engine"))
    assert not genuine(v3(ber.RESPONSE, key=key, algorithm=algorithm, size=8))
    assert not any(genuine(good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :]) for at in range(len(good)))
    assert not any(genuine(good[:at]) for at in range(len(good)))


def test_a_user_without_authentication_has_nothing_to_check() -> None:
    pytest.importorskip("gufo.snmp")
    from agent.snmp.gufo_keys import checker

    assert checker(UsmUser("clerk"), ENGINE_ID) is None


# --- messages ---------------------------------------------------------------------------------------------------

names = st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=12).map(lambda arcs: "1.3." + ".".join(map(str, arcs)))
values = st.one_of(
    st.integers(-(2**31), 2**31 - 1).map(lambda n: (integer(n), n)),
    st.integers(0, 2**32 - 1).map(lambda n: (integer(n, ber.COUNTER32), n)),
    st.binary(max_size=300).map(lambda data: (octets(data), data)),
    names.map(lambda name: (oid(name), name)),
    st.sampled_from([0x80, 0x81, 0x82]).map(lambda tag: (ber.Typed(tag), None)),
)


@given(
    st.integers(-(2**31), 2**31 - 1),
    st.integers(0, 20),
    st.integers(0, 99),
    st.lists(st.tuples(names, values), max_size=8),
)
@settings(max_examples=150)
def test_a_response_is_read_as_it_was_written(request_id: int, status: int, index: int, rows: list) -> None:
    written = ber.write(
        ber.Message(1, b"public", ber.RESPONSE, request_id, status, index, tuple((n, typed) for n, (typed, _) in rows))
    )
    found = wire_ber.response(written)
    assert (found.version, found.community, found.request_id) == (1, b"public", request_id)
    assert (found.status, found.index) == (status, index)
    assert found.rows == tuple((name, value) for name, (_, value) in rows)


@given(st.integers(0, 2**31 - 1), st.lists(names, min_size=1, max_size=8), st.integers(0, 50))
@settings(max_examples=100)
def test_a_request_is_what_pysnmp_reads(request_id: int, oids: list[str], repetitions: int) -> None:
    from pyasn1.codec.ber import decoder
    from pysnmp.proto import api

    module = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
    data = wire_ber.request(1, "public", wire_ber.GET_BULK, request_id, oids, repetitions)
    message, rest = decoder.decode(data, asn1Spec=module.Message())
    pdu = module.apiMessage.get_pdu(message)
    assert not rest
    assert int(module.apiBulkPDU.get_request_id(pdu)) == request_id
    assert int(module.apiBulkPDU.get_max_repetitions(pdu)) == repetitions
    assert [str(name) for name, _ in module.apiBulkPDU.get_varbinds(pdu)] == oids


ANSWER = ber.write(
    ber.Message(
        1, b"public", ber.RESPONSE, 5, 0, 0, (("1.3.6.1.2.1.1.1.0", octets("x")), ("1.3.6.1.2.1.1.2.0", oid("1.3.6")))
    )
)


@pytest.mark.parametrize("reads", [wire_ber.response, wire_ber.secured, wire_ber.oid_text])
@given(st.data())
@example(None)
@settings(max_examples=300)
def test_whatever_comes_is_read_or_is_a_value_error(
    reads: Callable[[bytes], object], data: st.DataObject | None
) -> None:
    if data is None:
        hostile = b""
    elif data.draw(st.booleans()):
        hostile = data.draw(st.binary(max_size=60))
    else:
        whole = bytearray(data.draw(st.sampled_from([ANSWER, v3(ber.RESPONSE, key=b"k")])))
        for _ in range(data.draw(st.integers(1, 4))):
            whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
        hostile = bytes(whole[: data.draw(st.integers(0, len(whole)))])
    with contextlib.suppress(ValueError):
        reads(hostile)
