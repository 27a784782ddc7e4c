"""What passes between the wire and those who use it: whom to ask, how, what came back, and what can go wrong.

The tree of failures; every engine translates its library's exceptions into these at the edge:

    WireError
    ├── Unresolved        the host name has no address
    ├── Silent            no answer within the deadline (wrong address, powered off, filtered, or a wrong community:
    │                     SNMPv1 and v2c agents drop those without a word)
    │   └── Refused       the host is there, nothing listens on the port (ICMP port unreachable)
    ├── Denied            the agent answered that we may not (unknown user, wrong digest, wrong level, no access)
    ├── Garbled           an answer came that is no well-formed SNMP
    ├── Unsupported       this engine cannot do what was asked (says what, and which engine can)
    └── AgentFault        a well-formed answer with an error-status that retrying does not cure (genErr ...)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from agent.model.failure import Failure

Value = int | bytes | str
"""One cell's value. ``int``: INTEGER, Counter32/64, Gauge32, TimeTicks. ``bytes``: OCTET STRING, IpAddress (4 octets),
Opaque. ``str``: an OBJECT IDENTIFIER in dotted form, no leading dot. Exceptions (noSuchObject ...) are left out."""

Cells = Mapping[str, Value]
"""Instance OID in dotted form without a leading dot -> value."""


@dataclass(frozen=True, slots=True)
class Community:
    """SNMPv1 or v2c. ``version`` is ``"1"`` or ``"2c"``."""

    version: str = "2c"
    community: str = field(default="public", repr=False)


@dataclass(frozen=True, slots=True)
class UsmUser:
    """SNMPv3 user (RFC 3414). ``auth``: None, MD5, SHA-1, SHA-224, SHA-256, SHA-384, SHA-512 (RFC 7860).

    ``priv``: None, DES, AES-128 (RFC 3826), AES-192, AES-256. The keys are pass phrases of at least 8 characters.
    """

    user: str
    auth: str | None = None
    auth_key: str | None = field(default=None, repr=False)
    priv: str | None = None
    priv_key: str | None = field(default=None, repr=False)
    context: str = ""

    @property
    def level(self) -> str:
        """The security level: noAuthNoPriv, authNoPriv or authPriv."""
        if self.auth is None:
            return "noAuthNoPriv"
        return "authNoPriv" if self.priv is None else "authPriv"


@dataclass(frozen=True, slots=True)
class Peer:
    """Whom to ask and how. ``timeout`` is for one try, ``deadline`` for the whole reading, both in seconds."""

    host: str
    port: int = 161
    credentials: Community | UsmUser = Community()
    timeout: float = 2.0
    retries: int = 2
    deadline: float = 10.0

    @property
    def address(self) -> str:
        """``host``, or ``host:port`` where the port is not 161; IPv6 in brackets when a port follows."""
        if self.port == 161:
            return self.host
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Traffic:
    """What a reading cost on the wire."""

    requests: int = 0
    retries: int = 0
    timeouts: int = 0
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Answers:
    """All that one peer answered. ``devices``: the hrDeviceIndex of each printer found behind this address.

    ``devices`` is empty when it answers but is no printer. ``learnt`` is True when the tables were walked afresh.
    ``truncated`` names the subtrees whose walk was ended by a limit, with the reason.
    """

    at: datetime
    cells: Cells
    devices: tuple[int, ...]
    traffic: Traffic = Traffic()
    learnt: bool = False
    truncated: tuple[str, ...] = ()


class WireError(Failure):
    """Reading failed. ``str()`` is a sentence for the person who has to mend it; it never holds a secret."""

    reason = "failed"

    def __init__(self, text: str, traffic: Traffic = Traffic()) -> None:
        super().__init__(text)
        self.traffic = traffic


class Unresolved(WireError):
    """The host name has no address."""

    reason = "unresolved"


class Silent(WireError):
    """No answer within the deadline."""

    reason = "silent"


class Refused(Silent):
    """The host answered that nothing listens on this port."""

    reason = "refused"


class Denied(WireError):
    """The agent answered that these credentials may not read this."""

    reason = "denied"


class Garbled(WireError):
    """An answer came that is no well-formed SNMP."""

    reason = "garbled"


class Unsupported(WireError):
    """This engine cannot do what was asked."""

    reason = "unsupported"


class AgentFault(WireError):
    """A well-formed answer with an error-status that retrying does not cure."""

    reason = "agentFault"
