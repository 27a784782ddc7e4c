"""The seam between reading printers and speaking SNMP: what an engine is, and the limits that every read keeps.

An engine sends one request and hands back its answer as plain values. It can get, get-next and get-bulk, and there is
no way to make it set anything. It translates its library's exceptions into the failures of ``agent.model.wire``:

    Silent
    └── Dropped       an SNMPv3 agent tells who it is, and then leaves the request itself unanswered
    AgentFault
    ├── TooBig        error-status tooBig: ask for less at once
    └── CellFault     an error-status that concerns one of the cells asked for; the others may well be had
        └── NoSuchName    SNMPv1 noSuchName: one of the cells is not there, and so none was answered
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from agent.model.wire import AgentFault, Peer, Silent, Unsupported, Value, WireError

ENGINES = ("gufo", "pysnmp")
"""The engines by name, the preferred one first."""

Row = tuple[str, Value]
"""One varbind: the instance OID in dotted form without a leading dot, and its value."""


class Rows(list[Row]):
    """Rows of one answer. ``over``: the engine knows that nothing more is below the root of the walk."""

    over: bool = False


Asked = tuple[tuple[str, ...], ...]
"""The instances of several GETs, one tuple a GET."""


@dataclass(frozen=True, slots=True)
class Told:
    """What came of some GETs and a step of a walk asked in a row (``Engine.together``), as far as it went.

    ``cells``: of each GET that was answered. ``rows``: of the step, if that was answered. ``failure``: why the first
    of those that were not answered was not; None where it was not asked.
    """

    cells: Sequence[dict[str, Value]] = ()
    rows: Rows | None = None
    failure: WireError | None = None

    def of(self, place: int) -> dict[str, Value] | WireError | None:
        """What came of the GET at ``place``, from 0; None where it was not asked."""
        answered = len(self.cells)
        return self.cells[place] if place < answered else self.failure if place == answered else None

    def of_step(self, gets: int) -> Rows | WireError | None:
        """What came of the step, before which so many GETs were to be asked; None where it was not asked."""
        return self.failure if self.rows is None and len(self.cells) == gets else self.rows


class TooBig(AgentFault):
    """The agent could not fit its answer into one message."""

    reason = "tooBig"


class CellFault(AgentFault):
    """The agent could not answer for one of the cells (genErr, badValue ...), and so answered none of them.

    ``oid`` is the cell that the agent named by its error-index, or None where the engine cannot tell which.
    """

    def __init__(self, text: str, oid: str | None = None) -> None:
        super().__init__(text)
        self.oid = oid


class NoSuchName(CellFault):
    """SNMPv1: a cell that was asked for does not exist."""

    reason = "noSuchName"


class Dropped(Silent):
    """The agent told its engine ID, and then did not answer the request: most often a wrong privacy pass phrase."""

    reason = "dropped"


@dataclass(frozen=True, slots=True)
class Limits:
    """What no printer, however hostile or broken, can exceed.

    ``varbinds``: cells asked for in one PDU. ``repetitions``: rows asked for in one GETBULK. ``rows``: cells kept from
    one walk, where its root names no smaller limit. ``cells``: cells kept from one printer. ``octets``: value octets
    kept from one printer. ``walk_seconds``: the time one learning walk of all roots may take (the first contact may
    need longer than ``Peer.deadline``, which covers one reading). ``in_flight``: printers read at the same time.
    ``peers``: printers remembered; the one not asked for longest is forgotten first. ``relearn_seconds``: the tables
    are walked afresh when they were learnt longer ago than this. ``resolve_seconds``: how long the address of a host
    name is kept.
    """

    varbinds: int = 30
    repetitions: int = 20
    rows: int = 2_000
    cells: int = 10_000
    octets: int = 1_000_000
    walk_seconds: float = 30.0
    in_flight: int = 256
    peers: int = 20_000
    relearn_seconds: float = 86_400.0
    resolve_seconds: float = 300.0


class Engine(Protocol):
    """One way to speak SNMP. Safe to share between tasks of one event loop.

    ``name`` is one of ``ENGINES``; ``lacks`` says in words what this engine cannot do (asking for it raises
    ``Unsupported``). Hosts are numeric addresses: names are resolved before. Every method makes one try within
    ``timeout`` seconds (``peer.timeout`` where None) and raises a ``WireError``; trying again is for the caller.
    Exceptions (noSuchObject, noSuchInstance, endOfMibView) are left out of the answers.
    """

    name: str
    lacks: tuple[str, ...]

    async def get(self, peer: Peer, oids: Sequence[str], timeout: float | None = None) -> dict[str, Value]:
        """The values of the instances ``oids``, asked in one GET. Cells that do not exist are left out."""
        ...

    async def get_next(
        self, peer: Peer, oid: str, within: str | None = None, timeout: float | None = None
    ) -> list[Row]:
        """The instance after ``oid`` as a list of one row; an empty list where there is none. See ``get_bulk``."""
        ...

    async def get_bulk(
        self,
        peer: Peer,
        oid: str,
        max_repetitions: int,
        within: str | None = None,
        timeout: float | None = None,
    ) -> Rows:
        """Up to ``max_repetitions`` instances after ``oid``, in the agent's own order.

        A walk starts with ``oid`` at its root and goes on from the last instance it got, with the root as ``within``
        (``oid`` itself where None) all the way. Rows that are not below ``within`` may be left out, and no rows at all
        mean that nothing more is below it. Not for SNMPv1, which knows no GETBULK.
        """
        ...

    async def together(self, peer: Peer, gets: Asked, step: tuple[str, int], timeout: float, end: float) -> Told:
        """GETs, and then the instances after ``step`` (an OID, and how many), one request after the other.

        A short cut for what a printer is asked all day: each request leaves when the one before was answered, and
        whoever waits is woken once. An engine may go as far with it as it likes, and not at all (``Told()``); it
        raises nothing. Each request has ``timeout`` seconds, and none is sent that may have less before ``end`` (the
        loop's time). ``step`` is a GETBULK, or for SNMPv1 a GETNEXT.
        """
        ...

    async def forget(self, peer: Peer) -> None:
        """Let go of everything held for this peer (sockets, keys, engine times)."""
        ...

    async def close(self) -> None:
        """Let go of everything. The engine is not used afterwards."""
        ...


def open_engine(name: str | None = None) -> Engine:
    """The engine called ``name``, or the best one that this machine has (None, and ``auto`` as settings have it).

    Raises:
        Unsupported: the name is unknown, or the engine's library is not installed here.
    """
    if name == "auto":
        name = None
    if name is not None and name not in ENGINES:
        raise Unsupported(f"there is no SNMP engine called {name!r}: choose one of {', '.join(ENGINES)}")
    if name in (None, "gufo"):
        try:
            from agent.snmp.gufo import GufoEngine
        except ImportError as error:
            if name is not None:
                raise Unsupported(
                    "gufo-snmp is not installed (it has wheels for Linux only): use the engine pysnmp"
                ) from error
        else:
            return GufoEngine()
    from agent.snmp.pysnmp_engine import PysnmpEngine

    return PysnmpEngine()
