"""The agent-side codec, against pyasn1 (an independent BER library) and against rubbish."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder, encoder
from pyasn1.type import univ

from agent.rehearsal import ber

OIDS = st.builds(
    lambda first, second, rest: ".".join(map(str, (first, second, *rest))),
    st.integers(0, 1),
    st.integers(0, 39),
    st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=30),
)


@given(st.integers(-(2**31), 2**32 - 1))
def test_integers_are_read_by_pyasn1_and_are_no_longer_than_needed(number: int) -> None:
    octets = ber.integer(number)
    found, rest = decoder.decode(octets)
    assert (int(found), rest) == (number, b"")
    first, *more = octets[2:]
    # X.690 section 8.3.2: the first nine bits are neither all ones nor all zeros
    assert not more or (first, more[0] >> 7) not in ((0, 0), (255, 1))


@given(OIDS)
def test_object_identifiers_are_encoded_as_pyasn1_encodes_them(dotted: str) -> None:
    assert ber.element(ber.OID, ber.oid_content(dotted)) == encoder.encode(univ.ObjectIdentifier(dotted))


@pytest.mark.parametrize("size", [0, 1, 127, 128, 255, 256, 65_535, 65_536, 70_000])
def test_lengths_are_encoded_as_pyasn1_encodes_them(size: int) -> None:
    assert ber.element(ber.OCTETS, bytes(size)) == encoder.encode(univ.OctetString(bytes(size)))


@given(OIDS, OIDS)
def test_arcs_stand_in_the_order_of_object_identifiers(one: str, other: str) -> None:
    numbers = [tuple(map(int, dotted.split("."))) for dotted in (one, other)]
    assert (ber.arcs_of_dotted(one) < ber.arcs_of_dotted(other)) == (numbers[0] < numbers[1])


def test_a_request_is_taken_apart() -> None:
    null = bytes((ber.NULL, 0))
    bindings = ber.binding(ber.oid_content("1.3.6.1.2.1.1.1.0"), null) + ber.binding(ber.oid_content("1.3.6.1"), null)
    octets = ber.message(1, b"public", ber.pdu(ber.GET_BULK, -5, 1, 20, bindings))
    message = ber.read_message(octets)
    assert (message.version, message.community) == (1, b"public")
    assert message.pdu == ber.Pdu(
        ber.GET_BULK, -5, 1, 20, (ber.oid_content("1.3.6.1.2.1.1.1.0"), ber.oid_content("1.3.6.1")), bindings
    )


@given(st.binary(max_size=200))
def test_rubbish_is_malformed_and_nothing_worse(octets: bytes) -> None:
    try:
        ber.read_message(octets)
    except ber.Malformed:
        return


@given(st.data())
def test_a_damaged_request_is_malformed_or_another_request(data: st.DataObject) -> None:
    whole = bytearray(
        ber.message(1, b"public", ber.pdu(ber.GET, 7, 0, 0, ber.binding(ber.oid_content("1.3.6.1.2.1"), b"\x05\x00")))
    )
    for place in data.draw(st.lists(st.integers(0, len(whole) - 1), max_size=4)):
        whole[place] = data.draw(st.integers(0, 255))
    try:
        message = ber.read_message(bytes(whole[: data.draw(st.integers(0, len(whole)))]))
    except ber.Malformed:
        return
    assert message.version in (0, 1)
