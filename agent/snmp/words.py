"""The failures of the wire in words for the person who has to mend them, the same whichever engine met them.

None of these sentences holds a community, a user's pass phrase or any other secret.
"""

from __future__ import annotations

from collections.abc import Sequence

from agent.model.wire import Community, Denied, Garbled, Peer, Refused, Silent, UsmUser, WireError
from agent.snmp.wire import CellFault, Dropped, NoSuchName, TooBig

# RFC 3416 section 3, error-status.
_STATUS = (
    "noError",
    "tooBig",
    "noSuchName",
    "badValue",
    "readOnly",
    "genErr",
    "noAccess",
    "wrongType",
    "wrongLength",
    "wrongEncoding",
    "wrongValue",
    "noCreation",
    "inconsistentValue",
    "resourceUnavailable",
    "commitFailed",
    "undoFailed",
    "authorizationError",
    "notWritable",
    "inconsistentName",
)
_TOO_BIG, _NO_SUCH_NAME, _NO_ACCESS, _AUTHORIZATION_ERROR = 1, 2, 6, 16


def _who(peer: Peer) -> str:
    credentials = peer.credentials
    return f"the user {credentials.user!r}" if isinstance(credentials, UsmUser) else "this community"


def silent(peer: Peer) -> Silent:
    """No answer came."""
    if isinstance(peer.credentials, Community):
        hint = f"that SNMP v{peer.credentials.version} is enabled, and the community (a wrong one is met with silence)"
    else:
        hint = "and that SNMPv3 is enabled"
    return Silent(
        f"{peer.address} did not answer: check that it is switched on, that nothing filters UDP port {peer.port}, "
        f"{hint}"
    )


def unreachable(peer: Peer, error: OSError) -> Silent:
    """The operating system could not send, or was told that the host cannot be reached."""
    return Silent(
        f"{peer.address} cannot be reached ({error.strerror or error}): check the address and the route to it"
    )


def refused(peer: Peer) -> Refused:
    """ICMP port unreachable."""
    return Refused(
        f"{peer.address}: the host is there, but nothing listens on UDP port {peer.port}: "
        "switch SNMP on in its settings, or correct the port"
    )


def dropped(peer: Peer) -> Dropped:
    """An SNMPv3 agent told its engine ID and then kept silent."""
    context = peer.credentials.context if isinstance(peer.credentials, UsmUser) else ""
    return Dropped(
        f"{peer.address} speaks SNMPv3, but leaves requests of {_who(peer)} unanswered: "
        "check the privacy protocol and its pass phrase" + (f", and the context {context!r}" if context else "")
    )


def garbled(peer: Peer, what: str) -> Garbled:
    """What came is no well-formed answer."""
    return Garbled(
        f"{peer.address} answered with something that is no well-formed SNMP ({what}): "
        f"check that UDP port {peer.port} is its SNMP port, and whether a newer firmware mends it"
    )


def report(peer: Peer, number: int | None) -> Denied:
    """An SNMPv3 report (the usmStats counter's number, RFC 3414 section 5), or a refusal that names none."""
    level = peer.credentials.level if isinstance(peer.credentials, UsmUser) else ""
    what = {
        1: f"it does not support {level} for {_who(peer)}: choose the security level that is set there",
        2: "its clock and restart count do not settle (notInTimeWindow): restart it, and look for a second device with "
        "the same engine ID",
        3: f"it does not know {_who(peer)}: check the user name",
        4: "it does not know its own engine ID: look for a second device with the same address",
        5: f"the digest of {_who(peer)} is wrong: check the authentication protocol and its pass phrase",
        6: f"it could not decrypt what {_who(peer)} sent: check the privacy protocol and its pass phrase",
    }.get(number or 0, f"{_who(peer)} may not read this: give it read access to the whole MIB, at the level {level!r}")
    return Denied(f"{peer.address} refused: {what}")


def fault(peer: Peer, status: int, index: int, asked: Sequence[str]) -> WireError:
    """An error-status other than noError; ``index`` counts the cells asked for from 1 (0: none in particular)."""
    name = _STATUS[status] if 0 <= status < len(_STATUS) else f"error-status {status}"
    oid = asked[index - 1] if 1 <= index <= len(asked) else (asked[0] if len(asked) == 1 else None)
    if status == _TOO_BIG:
        return TooBig(f"{peer.address} cannot fit {len(asked)} cells into one answer (tooBig)")
    if status == _NO_SUCH_NAME:
        return NoSuchName(f"{peer.address} has no {oid or 'such cell'} (noSuchName)", oid)
    if status in (_NO_ACCESS, _AUTHORIZATION_ERROR):
        return Denied(
            f"{peer.address} refused ({name}): {_who(peer)} may not read {oid or 'this'}: give it read access"
        )
    return CellFault(f"{peer.address} failed to answer for {oid or 'a cell'} ({name}): its firmware is at fault", oid)
