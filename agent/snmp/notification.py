"""Notifications as datagrams: which are a reason to read their printer, and what is answered to those that want it.

SNMPv1 traps (RFC 1157 section 4.1.6), v2c traps and informs (RFC 3416 sections 4.2.6 and 4.2.7) go through pysnmp's
message types; SNMPv3 through pysnmp's engine (``notification_usm``). The community of the first two is not looked at:
it stands in the clear, proves nothing, and many printers send another one than they are asked with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pyasn1.codec.ber import decoder, encoder
from pyasn1.error import PyAsn1Error
from pysnmp.error import PySnmpError
from pysnmp.proto import api
from pysnmp.proto.api import verdec

HEARD, IGNORED, DENIED, GARBLED = "heard", "ignored", "denied", "garbled"
"""Outcomes; see ``agent.model.health.NOTIFICATION_OUTCOMES``."""

V1, V2C, V3 = 0, 1, 3
UNREADABLE = (PyAsn1Error, PySnmpError, ValueError, TypeError, IndexError, KeyError, OverflowError, RecursionError)
"""What pysnmp and pyasn1 raise for octets that are no message."""

_MODULES = {V1: api.PROTOCOL_MODULES[api.SNMP_VERSION_1], V2C: api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]}
_TRAP_OID = (1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0)  # snmpTrapOID.0 (RFC 3418)
_AUTHENTICATION_FAILURE = (1, 3, 6, 1, 6, 3, 1, 1, 5, 5)  # RFC 3418
_GENERIC_AUTHENTICATION_FAILURE = 4  # RFC 1157 section 4.1.6.5


@dataclass(frozen=True, slots=True)
class Notice:
    """What became of one datagram. ``answers``: datagrams to send back to where it came from."""

    outcome: str
    answers: tuple[bytes, ...] = ()


def version_of(data: bytes) -> int | None:
    """0 for SNMPv1, 1 for v2c, 3 for v3 ...; None if it is no SNMP message."""
    try:
        return int(verdec.decode_message_version(data))
    except UNREADABLE:
        return None


def weigh(varbinds: list[tuple[Any, Any]]) -> str:
    """Whether a v2c or v3 notification is a reason to read its printer.

    authenticationFailure is none: our own asking with a wrong community brings it, and reading would bring the next.
    """
    for name, value in varbinds:
        if name.asTuple() == _TRAP_OID:
            return IGNORED if value.asTuple() == _AUTHENTICATION_FAILURE else HEARD
    return IGNORED


def read_plain(data: bytes, version: int) -> Notice:
    """A message of SNMPv1 or v2c."""
    try:
        message, rest = decoder.decode(data, asn1Spec=_MODULES[version].Message())
        if rest:
            return Notice(GARBLED)
        return _read_v1(message) if version == V1 else _read_v2c(message)
    except UNREADABLE:
        return Notice(GARBLED)


def _read_v1(message: Any) -> Notice:
    module = _MODULES[V1]
    pdu = module.apiMessage.get_pdu(message)
    if not isinstance(pdu, module.TrapPDU):
        return Notice(IGNORED)
    generic = int(module.apiTrapPDU.get_generic_trap(pdu))
    return Notice(IGNORED if generic == _GENERIC_AUTHENTICATION_FAILURE else HEARD)


def _read_v2c(message: Any) -> Notice:
    module = _MODULES[V2C]
    pdu = module.apiMessage.get_pdu(message)
    if isinstance(pdu, module.InformRequestPDU):
        return Notice(weigh(module.apiPDU.get_varbinds(pdu)), (_confirmation(module, message, pdu),))
    if isinstance(pdu, module.SNMPv2TrapPDU):
        return Notice(weigh(module.apiPDU.get_varbinds(pdu)))
    return Notice(IGNORED)


def _confirmation(module: Any, message: Any, pdu: Any) -> bytes:
    """The response to an inform: its variables again, no error (RFC 3416 section 4.2.7)."""
    response = module.apiMessage.get_response(message)
    module.apiPDU.set_varbinds(module.apiMessage.get_pdu(response), module.apiPDU.get_varbinds(pdu))
    encoded: bytes = encoder.encode(response)
    return encoded
