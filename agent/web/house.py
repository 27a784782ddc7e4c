"""What the pages and the API are given: a window on the agent, which the wiring builds. Nothing here can be changed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Protocol

from agent.insight.clues import Case
from agent.model.alarm import AlarmRecord
from agent.model.contact import ContactState
from agent.model.fleet import LedgerEntry, Printer, PrinterHistory, PrinterView
from agent.model.grain import Grain
from agent.model.hands import Handwork
from agent.model.health import Health, Vitals
from agent.model.insight import Insight
from agent.model.proof import Done, Proof, Recorded, Service, Suggestion
from agent.model.round import Round
from agent.model.stocktaking import Movement, Stocktaking
from agent.model.upkeep import PrinterUpkeep
from agent.web.desk import Desk


@dataclass(frozen=True, slots=True)
class About:
    """The agent itself, at this moment. ``store``: where the history is, without password. ``zone``: the agent's own.

    ``store_error``: why the store cannot be written, "" while it can. ``public_url``: where
    people's browsers and phones find the pages, "" where the settings do not say.
    """

    vitals: Vitals
    health: Health
    store: str
    settings: str
    zone: str = "UTC"
    store_error: str = ""
    public_url: str = ""


class House(Protocol):
    """The agent as the pages see it. All methods are called from worker threads, several at a time.

    What needs the store may raise ``agent.model.failure.Failure`` when that cannot be read; its text is shown.
    """

    def now(self) -> datetime:
        """The moment, UTC."""

    def views(self, at: datetime | None = None) -> Mapping[int, PrinterView]:
        """Every printer in service as it was last seen, by the store's id; with ``at`` as it was last seen by then.

        For an earlier moment every printer is looked up in the store, which takes its time in a large fleet.
        """

    def view(self, printer_id: int, at: datetime) -> PrinterView | None:
        """One printer as it was last seen by an earlier moment; None where there was none in service."""

    def printers(self) -> Mapping[int, Printer]:
        """Every printer that has a history, those out of service included, by the store's id."""

    def history(self, printer_id: int, since: datetime | None, until: datetime | None) -> PrinterHistory | None:
        """What is known of one printer between two moments; None where there is no such printer."""

    def outline(self, printer_id: int, since: datetime, until: datetime, grain: Grain) -> PrinterHistory | None:
        """The same for the eye: as fine as ``grain`` says. None where there is no such printer."""

    def ledger(
        self,
        printer_id: int | None,
        since: datetime | None,
        until: datetime | None,
        kinds: Collection[str] | None,
        limit: int,
    ) -> tuple[LedgerEntry, ...]:
        """The latest ``limit`` entries, in order of time."""

    def alarms(self, at: datetime | None = None) -> tuple[AlarmRecord, ...]:
        """Every alarm record; as of an earlier moment what the ledger tells of them."""

    def insights(self) -> Mapping[int, Insight]:
        """Uses, lives and run-outs as they were last reckoned; printers not reckoned yet are absent."""

    def insight(self, printer_id: int, at: datetime) -> Insight | None:
        """One printer's uses, lives and run-outs as of a moment, reckoned now; None where there is no such printer."""

    def case(self, printer_id: int, at: datetime | None) -> Case | None:
        """What is known of one printer, for judging a symptom, as of a moment (None: now); None without such a one."""

    def shelf(self, at: datetime | None) -> Stocktaking:
        """The shelf now, or as of ``at``; for an earlier moment without what to order."""

    def move(self, move: Movement) -> LedgerEntry:
        """Write down what somebody says about the shelf. Raises NotPossible with what to do."""

    def round(self, site: str | None, day: date | None, at: datetime | None) -> Round:
        """The round of a day (None: the next on which one is made) at a site (None: all), now or as of ``at``.

        For an earlier moment every printer is looked at anew, which takes its time in a large fleet.
        """

    def serve(self, done: Done) -> Recorded:
        """Write down what was done at a printer, read it at once, and see what it shows. Raises Failure."""

    def withdraw(self, service_id: int, who: str, remarks: str = "") -> Service:
        """Take a service back that was not done; to correct one, ``serve`` with ``corrects``. Raises Failure."""

    def proofs(self, printer_id: int | None, at: datetime | None = None) -> tuple[Proof, ...]:
        """The services of the last thirty days (of one printer) with what the printers show, in order of time."""

    def lately(self, since: datetime, most: int) -> tuple[Proof, ...]:
        """The latest so many services since a moment with what the printers show, the latest first."""

    def suggestions(self, printer_id: int | None = None, at: datetime | None = None) -> tuple[Suggestion, ...]:
        """What printers show to have been done although nobody logged it, now or as of an earlier moment."""

    def accept(self, suggestion_id: str, who: str, part: str = "") -> Recorded:
        """Write down what a suggestion says. Raises Failure."""

    def photo(self, name: str) -> tuple[bytes, str] | None:
        """Content and media type of a service's photo; None where there is none of this name."""

    def hands(self, printer_id: int, work: Handwork | None = None) -> str | None:
        """Do it at a simulated printer, and say what was done ("" for no work). None outside a rehearsal."""

    def upkeep(self) -> Mapping[int, PrinterUpkeep]:
        """Work that falls due, as it was last reckoned; printers not reckoned yet are absent."""

    def upkeep_at(self, printer_id: int, at: datetime) -> PrinterUpkeep | None:
        """One printer's work that falls due as of a moment, reckoned now; None where there is no such printer."""

    def desk(self) -> Desk:
        """What people may do to alarms."""

    def about(self) -> About:
        """The agent itself. Asked for on most pages, so it must be quick."""

    def silent(self) -> Mapping[int, ContactState]:
        """The printers that do not answer and what the wire said, by the store's id."""
