"""SNMPv3 notifications through pysnmp's engine, with the users that the agent asks with (RFC 3414).

For a trap the sender's engine is the authoritative one, so each user's keys are made for each sender's engine-id as it
comes; for an inform it is ours, and pysnmp answers the sender's questions for it (discovery, time).

What pysnmp keeps of messages is never let go of entirely, so its engines are built anew now and then. The engine-id
stays, and snmpEngineBoots is the second of building: it grows with each start, without a file to keep it in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from pyasn1.codec.ber import decoder
from pysnmp.carrier.asyncio.dgram import udp, udp6
from pysnmp.carrier.base import AbstractTransportDispatcher
from pysnmp.entity import config
from pysnmp.entity.engine import SnmpEngine
from pysnmp.entity.rfc3413 import ntfrcv
from pysnmp.proto.mpmod.rfc3412 import SNMPv3Message
from pysnmp.proto.rfc1902 import OctetString
from pysnmp.proto.secmod.rfc3414.service import UsmSecurityParameters

from agent.model.wire import UsmUser
from agent.snmp.notification import DENIED, GARBLED, IGNORED, UNREADABLE, Notice, weigh
from agent.snmp.pysnmp_usm import _AUTH as AUTH
from agent.snmp.pysnmp_usm import _PRIV as PRIV

_ENGINE_ID_HEAD = bytes.fromhex("80004fb805")  # pysnmp's enterprise number; octets of our own follow (RFC 3411)
_SHORTEST_ID, _LONGEST_ID = 5, 32
_MESSAGES = 5_000
_SENDERS = 1_000
_EPOCH = 1_577_836_800  # 2020-01-01, so that boots stay below 2**31 (RFC 3414 section 2.2.2) until 2088
_LEVELS = {"noAuthNoPriv": 0, "authNoPriv": 1, "authPriv": 3}


class _Answering(AbstractTransportDispatcher):  # type: ignore[misc]
    """Where pysnmp's engine sends to: a list."""

    def __init__(self) -> None:
        super().__init__()
        self.answers: list[bytes] = []

    def send_message(self, outgoingMessage: Any, transportDomain: Any, transportAddress: Any) -> None:  # noqa: N803
        self.answers.append(bytes(outgoingMessage))


@dataclass(frozen=True, slots=True)
class _Keyed:
    """A user with the keys that are the same for all engines (RFC 3414 section A.2), made once: it takes long."""

    user: UsmUser
    auth_key: Any
    priv_key: Any


def _priv(user: UsmUser) -> Any:
    return PRIV[user.priv if user.auth else None]


def _keyed(user: UsmUser) -> _Keyed:
    auth, priv = AUTH[user.auth], _priv(user)
    auth_key = config.AUTH_SERVICES[auth].hash_passphrase((user.auth_key or "").encode()) if user.auth else None
    priv_key = None
    if user.auth and user.priv:
        priv_key = config.PRIV_SERVICES[priv].hash_passphrase(auth, (user.priv_key or "").encode())
    return _Keyed(user, auth_key, priv_key)


class _Engine:
    """One pysnmp engine, and users of different names."""

    def __init__(self, users: dict[str, _Keyed], engine_id: bytes, boots: int) -> None:
        self.users = users
        self._engine = SnmpEngine()  # given an engine-id it would write files
        symbols = self._engine.get_mib_builder().import_symbols(
            "__SNMP-FRAMEWORK-MIB", "snmpEngineID", "snmpEngineBoots"
        )
        symbols[0].syntax = self._engine.snmpEngineID = symbols[0].syntax.clone(engine_id)
        symbols[1].syntax = symbols[1].syntax.clone(boots)
        self._answering = _Answering()
        self._engine.register_transport_dispatcher(self._answering)
        self._senders: set[tuple[bytes, str]] = set()
        self._outcome: str | None = None
        ntfrcv.NotificationReceiver(self._engine, self._told)
        for name in users:
            self.meet(engine_id, name)

    def meet(self, engine_id: bytes, name: str) -> None:
        """Make the keys of this user for this sender."""
        if (engine_id, name) in self._senders:
            return
        self._senders.add((engine_id, name))
        one = self.users[name]
        config.add_v3_user(
            self._engine,
            name,
            authProtocol=AUTH[one.user.auth],
            authKey=one.auth_key,
            privProtocol=_priv(one.user),
            privKey=one.priv_key,
            securityEngineId=OctetString(engine_id),
            authKeyType=config.USM_KEY_TYPE_MASTER,
            privKeyType=config.USM_KEY_TYPE_MASTER,
        )

    @property
    def met(self) -> int:
        """How many senders' keys are kept."""
        return len(self._senders)

    def _told(self, _engine: Any, _reference: Any, _id: Any, _name: Any, varbinds: Any, _context: Any) -> None:
        self._outcome = weigh(list(varbinds))

    def read(self, data: bytes, address: tuple[str, int]) -> tuple[str | None, tuple[bytes, ...]]:
        """The outcome, None if pysnmp did not take it for a notification; and what it answers."""
        six = ":" in address[0]
        where = (udp6.Udp6TransportAddress if six else udp.UdpTransportAddress)(address)
        self._outcome = None
        self._answering.answers = []
        self._engine.message_dispatcher.receive_message(
            self._engine, udp6.DOMAIN_NAME if six else udp.DOMAIN_NAME, where, data
        )
        return self._outcome, tuple(self._answering.answers)


@dataclass(frozen=True, slots=True)
class _Head:
    """What stands in the clear in a message."""

    engine_id: bytes
    user: str
    level: int


def _head(data: bytes) -> _Head:
    message, rest = decoder.decode(data, asn1Spec=SNMPv3Message())
    if rest:
        raise ValueError("octets after the end of the message")
    flags = message.getComponentByPosition(1).getComponentByPosition(2).asOctets()
    usm, _ = decoder.decode(message.getComponentByPosition(2).asOctets(), asn1Spec=UsmSecurityParameters())
    return _Head(
        usm.getComponentByPosition(0).asOctets(), usm.getComponentByPosition(3).asOctets().decode(), flags[0] & 3
    )


class UsmReader:
    """Reads SNMPv3 notifications of ``users``. ``name`` makes the engine-id; ``epoch``: now, in seconds of the epoch.

    Users of the same name with different keys are told apart by trying. ``senders``: of how many the keys are kept.
    """

    def __init__(
        self, users: Sequence[UsmUser], name: bytes, epoch: Callable[[], float], senders: int = _SENDERS
    ) -> None:
        self._most = senders
        self._engine_id = _ENGINE_ID_HEAD + name
        self._epoch = epoch
        self._groups: list[dict[str, _Keyed]] = []
        self._engines: list[_Engine] = []
        self._boots = 0
        self._read = 0
        self.use(users)

    def use(self, users: Sequence[UsmUser]) -> None:
        """From now on take the messages of these users."""
        self._groups = []
        for user in dict.fromkeys(users):
            group = next((one for one in self._groups if user.user not in one), None)
            if group is None:
                self._groups.append(group := {})
            group[user.user] = _keyed(user)
        self._build()

    def _build(self) -> None:
        self._boots = max(self._boots + 1, int(self._epoch()) - _EPOCH)
        self._engines = [_Engine(group, self._engine_id, self._boots) for group in self._groups]
        self._read = 0

    def read(self, data: bytes, address: tuple[str, int]) -> Notice:
        """What becomes of one message of SNMPv3."""
        try:
            head = _head(data)
            return self._judged(head, data, address)
        except UNREADABLE:
            return Notice(GARBLED)

    def _judged(self, head: _Head, data: bytes, address: tuple[str, int]) -> Notice:
        if not self._engines:
            return Notice(DENIED)
        self._read += 1
        if self._read > _MESSAGES or sum(one.met for one in self._engines) > self._most:
            self._build()
        if not head.engine_id:  # somebody asks for our engine-id, to send us an inform (RFC 3414 section 4)
            return Notice(IGNORED, self._engines[0].read(data, address)[1])
        if not _SHORTEST_ID <= len(head.engine_id) <= _LONGEST_ID:
            return Notice(DENIED)
        answers: tuple[bytes, ...] = ()
        for engine in self._engines:
            one = engine.users.get(head.user)
            # pysnmp itself takes a message without a signature from a user who signs.
            if one is None or head.level < _LEVELS[one.user.level]:
                continue
            engine.meet(head.engine_id, head.user)
            outcome, answers = engine.read(data, address)
            if outcome is not None:
                return Notice(outcome, answers)
        # A report helps an honest sender of an inform to find the right time; others learn nothing from it.
        own = head.engine_id == self._engine_id
        return Notice(DENIED, answers if own else ())
