"""Services proven while the agent runs: noticed when they are written, looked at after each sweep, told once.

Whoever writes a service into the store (a command in another process, a page) is heard of within seconds: the printer
is asked at once. From then on its proof is reckoned anew at every sweep until it is proven; that it is, or that it is
not within the set time, stands in the ledger, each once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType

from agent.app.evidence import SERVICE_KINDS
from agent.app.servicing import SHOWN, Servicing
from agent.insight.logbook import services_in
from agent.model.fleet import LedgerEntry, Scalar
from agent.model.proof import PROVEN, UNPROVEN, Proof, Service
from agent.model.wording import supply_words
from agent.store import Store

SERVICE_PROVEN, SERVICE_UNPROVEN = "serviceProven", "serviceUnproven"
TOLD_KINDS = frozenset({SERVICE_PROVEN, SERVICE_UNPROVEN})
ABOUT = "service"
"""Under this name the entries say which service they are about."""


class ProofWatch:
    """One for the agent; ``settle`` is called from one thread at a time. They may raise StoreError; nothing is lost.

    ``unsettled``: the proofs that are still open, or failed, as of the last look.
    """

    def __init__(self, store: Store, servicing: Servicing) -> None:
        self._store = store
        self._servicing = servicing
        self._last: int | None = None
        self._open: dict[int, Service] = {}
        self._stale = True
        self._told: dict[int, str] = {}
        self.unproven: Mapping[int, tuple[Proof, ...]] = MappingProxyType({})
        self.unsettled: tuple[Proof, ...] = ()

    def fresh(self) -> tuple[LedgerEntry, ...]:
        """What was written about services since the last call; nothing at the first."""
        if self._last is None:
            self._last = self._store.last_entry()
            self._stale = True
            return ()
        found = self._store.ledger_after(self._last, SERVICE_KINDS)
        if found:
            self._last = max(one.id or 0 for one in found)
            self._stale = True
        return found

    @property
    def waiting(self) -> bool:
        """Whether there may be anything to prove."""
        return self._stale or bool(self._open)

    def settle(self, now: datetime) -> tuple[LedgerEntry, ...]:
        """The ledger entries about services that were proven, or were not within the set time, since the last call."""
        if self._last is None:
            self._last = self._store.last_entry()  # what is written from here on is fresh
        if self._stale:
            self._stale = False
            self._open = self._gather(now)
        made: list[LedgerEntry] = []
        unproven: dict[int, tuple[Proof, ...]] = {}
        unsettled: list[Proof] = []
        for printer_id in sorted({one.printer_id for one in self._open.values()}):
            for proof in self._servicing.proofs(printer_id, now):
                number = proof.service.id
                if number not in self._open:
                    continue
                if proof.state == PROVEN:
                    del self._open[number]
                else:
                    unsettled.append(proof)
                if proof.state == UNPROVEN and proof.superseded_by is None:
                    unproven[printer_id] = (*unproven.get(printer_id, ()), proof)
                entry = self._entry(proof, now)
                if entry is not None:
                    made.append(entry)
        self.unproven = MappingProxyType(unproven)
        self.unsettled = tuple(unsettled)
        return tuple(made)

    def written(self, entries: Sequence[LedgerEntry]) -> None:
        """These have been taken over for the ledger and need not be told again."""
        for one in entries:
            number = one.data.get(ABOUT)
            if isinstance(number, int):
                self._told[number] = one.kind

    def _gather(self, now: datetime) -> dict[int, Service]:
        """The services that are still to be proven: those logged since the ledger keeps proofs, not proven so far."""
        for entry in self._store.ledger(since=now - 2 * SHOWN, kinds=TOLD_KINDS):
            self.written([entry])
        told = self._store.ledger(None, now - 2 * SHOWN, now, SERVICE_KINDS)
        return {
            one.id: one
            for one in services_in(told, now)
            if one.holds
            and one.logged is not None
            and one.at >= now - SHOWN
            and self._told.get(one.id) != SERVICE_PROVEN
        }

    def _entry(self, proof: Proof, now: datetime) -> LedgerEntry | None:
        service = proof.service
        subject = ", ".join(deed.subject for deed in service.deeds)
        did = ", ".join(supply_words(deed.subject) for deed in service.deeds)
        told = self._told.get(service.id)
        data: dict[str, Scalar] = {ABOUT: service.id, "who": service.who}
        if proof.state == PROVEN and told != SERVICE_PROVEN:
            text = f"{did} of {service.who} is proven: " + "; ".join(
                one.words for one in proof.checks if one.seen_at is not None
            )
            return LedgerEntry(now, SERVICE_PROVEN, text, service.printer_id, subject, data=data)
        if proof.state == UNPROVEN and told is None:
            text = f"{did} of {service.who} is not proven: {'; '.join(proof.missing)}"
            return LedgerEntry(now, SERVICE_UNPROVEN, text, service.printer_id, subject, data=data)
        return None
