"""Printers with a known past, drawn by ruler: so many pages every workday, levels that fall with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from agent.insight.kin import Fleet
from agent.insight.printer import Terms, look
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    LedgerEntry,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.insight import Insight
from agent.model.reading import CONSUMED, Mark

START = datetime(2025, 3, 3, 6, tzinfo=UTC)  # a Monday
DAY = timedelta(days=1)


@dataclass
class Gauge:
    """One supply: it lasts ``lasts`` pages and is exchanged in the evenings of the days ``swaps`` (none: when empty).

    ``resets``: False for a gauge that nobody sets back. ``some``: it says only "some remaining".
    """

    key: str
    lasts: float
    begin: float = 1.0
    swaps: tuple[int, ...] = ()
    at_empty: bool = True
    some: bool = False
    unit: str = "percent"
    capacity: int = 100


@dataclass
class Past:
    """A printer that prints ``pages`` every workday, read once an hour from 6 to 20 o'clock."""

    number: int = 1
    days: int = 120
    pages: int = 200
    count: int = 0
    gauges: Sequence[Gauge] = ()
    model: str = "Tallgrass M40"
    name: str = ""
    site: str = "Main library"
    zone: str = "UTC"
    counter: str | None = "life"
    ledger: list[LedgerEntry] = field(default_factory=list)

    def at(self, day: float) -> datetime:
        """The moment so many days after the start (the start is at 6 o'clock on a Monday)."""
        return START + timedelta(days=day)

    def logged(self, day: float, subject: str, kind: str = "service", **data: object) -> Past:
        """With a ledger entry."""
        entry = LedgerEntry(self.at(day), kind, f"{subject} done", self.number, subject, "Night desk", data)  # type: ignore[arg-type]
        self.ledger.append(entry)
        return self

    def history(self) -> PrinterHistory:
        """All of it."""
        counts = [CountPoint(START, self.count)]
        printed: list[tuple[datetime, int]] = [(START, 0)]
        for day in range(self.days):
            if (START + day * DAY).weekday() < 5:
                for hour in range(1, 11):
                    pages = self.pages * hour // 10 - self.pages * (hour - 1) // 10
                    printed.append((START + day * DAY + timedelta(hours=hour), printed[-1][1] + pages))
        counts += [CountPoint(at, self.count + total) for at, total in printed[1:]]
        tracks = [self._track(gauge, printed) for gauge in self.gauges]
        printer = Printer(
            self.number,
            self.name or f"desk-{self.number}",
            f"127.0.0.{self.number}",
            model=self.model,
            place=Place(self.site, zone=self.zone),
            first_seen=START,
        )
        end = START + self.days * DAY
        counters = () if self.counter is None else (CounterTrack(self.counter, "impressions", 2**32, tuple(counts)),)
        return PrinterHistory(
            printer,
            (ContactRun(START, end, True),),
            tuple(tracks),
            counters,
            tuple(sorted(self.ledger, key=lambda e: e.at)),
        )

    def _track(self, gauge: Gauge, printed: list[tuple[datetime, int]]) -> SupplyTrack:
        points: list[LevelPoint] = []
        fitted, left = 0, gauge.begin
        due = [START + day * DAY + timedelta(hours=12) for day in gauge.swaps]

        def show(at: datetime, share: float) -> None:
            level = int(share * gauge.capacity + 1e-9) if not gauge.some else (Mark.SOME if share > 0 else 0)
            if not points or points[-1].level != level:
                points.append(LevelPoint(at, level, Mark.UNKNOWN if gauge.some else gauge.capacity))

        for at, total in printed:
            while due and due[0] <= at:
                fitted, left = total, 1.0
                show(due.pop(0), 1.0)
            share = max(0.0, left - (total - fitted) / gauge.lasts)
            show(at, share)
            if share <= 0 and gauge.at_empty:
                fitted, left = total, 1.0
                show(at + timedelta(minutes=30), 1.0)
        kind, _, colour = gauge.key.partition(":")
        return SupplyTrack(
            gauge.key, kind, CONSUMED, colour or None, gauge.unit, f"{gauge.key} of the printer", tuple(points)
        )

    def insight(self, day: float, *, declared: dict[str, float] | None = None) -> Insight:
        """What the history says after so many days."""
        return look(self.history(), Fleet(), self.at(day), Terms(declared=declared or {}))
