"""The agent inside a simulated printer: one request in, one response or silence out. No sockets here."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Mapping

from agent.model.wire import Community, UsmUser, Value
from agent.rehearsal import ber, usm

_NAMES = {ber.GET: "get", ber.GET_NEXT: "getNext", ber.GET_BULK: "getBulk", ber.SET: "set"}
_MOST_REPETITIONS = 200  # a bound of this agent: what no datagram would hold needs no encoding


class Image:
    """What a printer answers at one moment, prepared: encoded values by encoded name, and the order of names."""

    def __init__(self, cells: Mapping[str, Value], tag_of: Callable[[str, Value], int], like: Image | None = None):
        self.values = {ber.oid_content(oid): ber.value(tag_of(oid, cell), cell) for oid, cell in cells.items()}
        self.order: list[tuple[int, ...]]
        self.names: list[bytes]
        if like is not None and like.values.keys() == self.values.keys():
            self.order, self.names = like.order, like.names
        else:
            pairs = sorted((ber.arcs_of_dotted(oid), ber.oid_content(oid)) for oid in cells)
            self.order = [arcs for arcs, _ in pairs]
            self.names = [name for _, name in pairs]

    def after(self, name: bytes) -> int:
        """The place of the first name that is greater than ``name``; ``len(names)`` when there is none."""
        return bisect_right(self.order, ber.arcs_of(name))


class Responder:
    """Answers requests about ``image()`` for those who hold ``credentials``.

    ``credentials``: one Community (SNMPv1 answers version 1 only, 2c answers both 1 and 2c) or one or more UsmUser.
    ``engine_id``, ``clock``: see ``usm.Engine``. ``largest``: the longest message it can send, in octets. ``asked``
    counts requests by kind (get, getNext, getBulk, set) and what was dropped (garbled, wrongCommunity, wrongVersion).
    """

    def __init__(
        self,
        image: Callable[[], Image],
        credentials: Community | tuple[UsmUser, ...],
        *,
        engine_id: bytes = b"",
        clock: Callable[[], tuple[int, int]] = lambda: (1, 0),
        largest: int = 1_472,
    ) -> None:
        self._image = image
        self._community = credentials if isinstance(credentials, Community) else None
        self.engine: usm.Engine | None = None
        if not isinstance(credentials, Community):
            self.engine = usm.Engine(engine_id, credentials, clock)
        self._largest = largest
        self.asked: Counter[str] = Counter()

    @property
    def stats(self) -> Counter[str]:
        """The usmStats counters, empty for a printer that speaks no SNMPv3."""
        return self.engine.stats if self.engine else Counter()

    def handle(self, datagram: bytes) -> bytes | None:
        """The datagram to send back, or None: agents drop without a word what is malformed or not allowed."""
        try:
            version, _, _ = ber.version_of(datagram)
            if version == 3 and self.engine:
                return self._version_3(self.engine, datagram)
            if version in (0, 1) and self._community:
                return self._by_community(self._community, ber.read_message(datagram))
        except ber.Malformed:
            self.asked["garbled"] += 1
            return None
        self.asked["wrongVersion"] += 1
        return None

    def _by_community(self, mine: Community, message: ber.Message) -> bytes | None:
        if message.version == 1 and mine.version == "1":
            self.asked["wrongVersion"] += 1
            return None
        if message.community != mine.community.encode():
            self.asked["wrongCommunity"] += 1
            return None
        if message.version == 0 and message.pdu.tag == ber.GET_BULK:
            self.asked["garbled"] += 1
            return None
        overhead = len(message.community) + 40
        made = self.answer(message.pdu, self._largest - overhead, first=message.version == 0)
        return ber.message(message.version, message.community, made)

    def _version_3(self, engine: usm.Engine, datagram: bytes) -> bytes | None:
        opened = engine.open(datagram)
        if not isinstance(opened, usm.Secured):
            return opened
        needed = (1 if opened.user.auth else 0) | (2 if opened.user.priv else 0)
        if opened.flags & needed != needed:  # the view is for this user at this level only (RFC 3415)
            pdu = ber.pdu(ber.RESPONSE, opened.pdu.request_id, ber.AUTHORIZATION, 0, opened.pdu.bindings)
            return engine.seal(opened, pdu)
        largest = min(self._largest, max(484, opened.max_size))
        return engine.seal(opened, self.answer(opened.pdu, largest - 160, first=False))

    def answer(self, pdu: ber.Pdu, room: int, *, first: bool) -> bytes:
        """The response PDU; ``room``: the octets its bindings may take; ``first``: SNMPv1 rules (RFC 1157)."""
        self.asked[_NAMES[pdu.tag]] += 1
        if pdu.tag == ber.SET:
            status = ber.READ_ONLY if first else ber.NO_ACCESS
            return ber.pdu(ber.RESPONSE, pdu.request_id, status, min(1, len(pdu.names)), pdu.bindings)
        image = self._image()
        if pdu.tag == ber.GET_BULK:
            return ber.pdu(ber.RESPONSE, pdu.request_id, 0, 0, self._bulk(image, pdu, room))
        made = bytearray()
        for index, name in enumerate(pdu.names, 1):
            found = self._get(image, name) if pdu.tag == ber.GET else self._next(image, name)[1]
            if first and self._is_exception(image, pdu, name):
                return ber.pdu(ber.RESPONSE, pdu.request_id, ber.NO_SUCH_NAME, index, pdu.bindings)
            made += found
        if len(made) > room:
            # RFC 3416 section 4.2.1: an empty list in versions 2c and 3; RFC 1157 gives the request back.
            return ber.pdu(ber.RESPONSE, pdu.request_id, ber.TOO_BIG, 0, pdu.bindings if first else b"")
        return ber.pdu(ber.RESPONSE, pdu.request_id, 0, 0, bytes(made))

    @staticmethod
    def _is_exception(image: Image, pdu: ber.Pdu, name: bytes) -> bool:
        return name not in image.values if pdu.tag == ber.GET else image.after(name) >= len(image.names)

    @staticmethod
    def _get(image: Image, name: bytes) -> bytes:
        encoded = image.values.get(name)
        if encoded is None:
            place = image.after(name)
            arcs = ber.arcs_of(name)
            column = arcs[: 10 if len(arcs) > 10 else -1]
            near = any(arcs[: len(column)] == column for arcs in image.order[max(0, place - 1) : place + 1])
            encoded = bytes((ber.NO_SUCH_INSTANCE if near else ber.NO_SUCH_OBJECT, 0))
        return ber.binding(name, encoded)

    @staticmethod
    def _next(image: Image, name: bytes) -> tuple[bytes, bytes]:
        """The next name and its whole binding; the name itself and endOfMibView behind the last."""
        place = image.after(name)
        if place >= len(image.names):
            return name, ber.binding(name, bytes((ber.END_OF_MIB_VIEW, 0)))
        following = image.names[place]
        return following, ber.binding(following, image.values[following])

    def _bulk(self, image: Image, pdu: ber.Pdu, room: int) -> bytes:
        """RFC 3416 section 4.2.3: as many bindings as fit, in their order."""
        once = max(0, min(pdu.first, len(pdu.names)))
        made = bytearray()
        for name in pdu.names[:once]:
            found = self._next(image, name)[1]
            if len(made) + len(found) > room:
                return bytes(made)
            made += found
        running = list(pdu.names[once:])
        for _ in range(max(0, min(pdu.second, _MOST_REPETITIONS)) if running else 0):
            before = list(running)
            for place, name in enumerate(before):
                running[place], found = self._next(image, name)
                if len(made) + len(found) > room:
                    return bytes(made)
                made += found
            if running == before:
                break
        return bytes(made)
