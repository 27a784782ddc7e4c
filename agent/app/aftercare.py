"""After a service in the running agent: the printer is asked at once, its proof is followed, what is due is renewed."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import TYPE_CHECKING

from agent.app.asking import AgentWire
from agent.app.proving import SERVICE_UNPROVEN, ProofWatch
from agent.app.servicing import Servicing
from agent.model.fleet import Finding, LedgerEntry
from agent.model.proof import Proof
from agent.model.wording import supply_words
from agent.store.errors import StoreError
from agent.sweep.station import Station
from agent.sweep.work import Work

if TYPE_CHECKING:
    from agent.app.service import Service

LOGGED_SECONDS = 2.0
"""How often it is looked whether a service was logged, in this process or another."""
MOST_TURNS = 3
"""So often in a row is reckoned anew; what is logged still later waits for the next time."""


class Aftercare:
    """Of one service (the program). Its coroutines run in the program's loop."""

    def __init__(self, service: Service) -> None:
        self._service = service
        foresight = service.pages.foresight
        self.servicing = Servicing(
            service.store,
            lambda: service.settings,
            service.clocks.now,
            AgentWire(service),
            lambda: (foresight.insights, foresight.upkeep),
        )
        self.proving = ProofWatch(service.store, self.servicing)
        self.looking = asyncio.Lock()
        """Held by whoever looks through the store for what is new; one at a time."""
        self._reckoning = self._again = self._asking = False

    async def look(self) -> None:
        """If a service was logged since the last look: ask its printer now, and see what it shows."""
        if self._asking:
            return  # it is looked at next time
        self._asking = True
        try:
            await self._look()
        finally:
            self._asking = False

    async def _look(self) -> None:
        try:
            entries = await asyncio.to_thread(self.proving.fresh)
        except StoreError:
            return
        printers = {one.printer_id for one in entries if one.printer_id is not None}
        if printers:
            stations = [one for one in self._service.sweep.stations if one.printers & printers]
            await self.ask(stations)
            await self.prove()
            self.reckon_soon(entries)

    async def ask(self, stations: list[Station]) -> None:
        """Ask these now, and look into what rose; the store holds what they said afterwards, if it can be written."""
        service = self._service
        for station in stations:
            station.heard()
        await service.ask_at_once(stations, "a service")
        await asyncio.to_thread(service.recorder.flush)
        await service.look_for_swaps()

    async def prove(self) -> None:
        """Whether services are proven by now; what is new about that goes into the ledger."""
        service = self._service

        def settle() -> tuple[LedgerEntry, ...]:
            # What has just been read must be in the store; while it cannot be written there is nothing new to see.
            return self.proving.settle(service.clocks.now()) if service.recorder.flush() else ()

        if not self.proving.waiting:
            return
        async with self.looking:
            try:
                found = await asyncio.to_thread(settle)
            except StoreError:
                return
            service.sweep.noted = {number: _findings(some) for number, some in self.proving.unproven.items()}
            if found:
                service.recorder.offer(Work(ledger=found))
                self.proving.written(found)
        for entry in found:
            service.log.info("service", printer=entry.printer_id, outcome=entry.kind, text=entry.text)
        if found:
            self.reckon_soon(found)

    def reckon_soon(self, entries: Iterable[LedgerEntry]) -> None:
        """What is due at these printers has changed: the pages show it at once."""
        self._service.pages.foresight.renew({one.printer_id for one in entries if one.printer_id is not None})
        self._soon()

    async def surprises(self) -> None:
        """If a sweep showed levels that nobody foresaw: the round need not wait for the next reckoning."""
        pages = self._service.pages
        if await asyncio.to_thread(pages.foresight.surprised, pages.house.views()):
            self._soon()

    def _soon(self) -> None:
        self._again = True
        if not self._reckoning:
            self._service.schedule.reckon_now()

    async def reckon(self) -> None:
        """Reckon anew what wants it, and once more where something was logged meanwhile; one call at a time."""
        if self._reckoning:
            return  # the one under way sees to it
        self._reckoning = True
        try:
            for _ in range(MOST_TURNS):
                self._again = False
                await self._service.pages.reckon()
                if not self._again:
                    return
        finally:
            self._reckoning = False


def _findings(proofs: Iterable[Proof]) -> tuple[Finding, ...]:
    """What rules about unproven services are judged by."""
    made = []
    for proof in proofs:
        done = proof.service
        subject = ", ".join(deed.subject for deed in done.deeds)
        text = f"{', '.join(supply_words(deed.subject) for deed in done.deeds)} of {done.who} is not proven: "
        text += "; ".join(proof.missing)
        made.append(Finding(SERVICE_UNPROVEN, proof.until, subject, text, {"service": done.id}))
    return tuple(made)
