"""A small invented library with printers, and an agent's memory that goes through JSON at every step."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from agent.alarms.engine import Judgement, judge
from agent.alarms.outlook import Outlooks
from agent.alarms.routes import Route
from agent.alarms.rules import Rule
from agent.alarms.windows import Window
from agent.model.alarm import AgentHealth, AlarmRecord, Message
from agent.model.fleet import Finding, LedgerEntry, Place, Printer, PrinterView
from agent.model.reading import CONSUMED, RECEPTACLE, Alert, Amount, Counter, Reading, Supply, System

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
DESK = Printer(
    7,
    "Front desk",
    "127.0.0.1:1161",
    serial="TG0007",
    model="Tallgrass C20",
    place=Place("Harrow Lane Library", "Main building", "2", "2.14", "Europe/Prague"),
    tags=("public",),
)


def toner(level: Amount, *, colour: str = "cyan", capacity: Amount = 100, unit: str = "percent") -> Supply:
    """A toner of the Front desk printer."""
    return Supply(f"toner:{colour}", 1, 1, CONSUMED, "toner", f"TG-40 {colour}", colour, unit, capacity, level)


def waste(space: Amount) -> Supply:
    """Its waste box; ``space`` is what is left of 100."""
    return Supply("wasteToner", 9, 1, RECEPTACLE, "wasteToner", "TG-40 waste", None, "percent", 100, space)


def alert(code: str = "jam", severity: str = "critical", index: int = 1, group_index: int = 1) -> Alert:
    """A row of its alert table."""
    return Alert(index, severity, "untrained", "mediaPath", group_index, -2, code, 8, "Paper jam in unit B", None)


def reading(
    *supplies: Supply, at: datetime = START, alerts: Sequence[Alert] = (), errors: Sequence[str] = ()
) -> Reading:
    """What the printer answered."""
    return Reading(
        at,
        DESK.address,
        1,
        System(),
        supplies=supplies,
        alerts=tuple(alerts),
        errors=frozenset(errors),
        counters=(Counter("life", "impressions", 45120),),
    )


def seen(
    *supplies: Supply,
    printer: Printer = DESK,
    reachable: bool = True,
    since: datetime = START,
    alerts: Sequence[Alert] = (),
    errors: Sequence[str] = (),
    findings: Sequence[Finding] = (),
) -> PrinterView:
    """What is known of the printer at the moment of judging."""
    return PrinterView(printer, reading(*supplies, alerts=alerts, errors=errors), reachable, since, tuple(findings))


LOW = Rule("low", "supplyBelow", below=0.1, deadband=0.05, tell=("mail",))


@dataclass
class Agent:
    """Judges, and keeps what a store would keep. Every record goes through JSON text, as after a restart."""

    rules: list[Rule] = field(default_factory=lambda: [LOW])
    records: dict[str, AlarmRecord] = field(default_factory=dict)
    ledger: list[LedgerEntry] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    now: datetime = START
    routes: Mapping[str, Route] = field(default_factory=dict)
    windows: Sequence[Window] = ()

    def judge(
        self,
        *views: PrinterView,
        health: AgentHealth | None = None,
        fleet: Sequence[int] | None = None,
        whole: Sequence[PrinterView] | None = None,
        outlooks: Outlooks | None = None,
    ) -> Judgement:
        """Judge without keeping anything: what an agent does that dies before it can save."""
        return judge(
            self.rules,
            views,
            self.records,
            self.now,
            health=health,
            fleet=fleet,
            whole=whole,
            outlooks=outlooks,
            routes=self.routes,
            windows=self.windows,
        )

    def sweep(
        self,
        *views: PrinterView,
        after: timedelta = MINUTE,
        health: AgentHealth | None = None,
        fleet: Sequence[int] | None = None,
        whole: Sequence[PrinterView] | None = None,
        outlooks: Outlooks | None = None,
    ) -> list[Message]:
        """Let time pass, judge, keep all of it; the messages of this sweep."""
        self.now += after
        found = self.judge(*views, health=health, fleet=fleet, whole=whole, outlooks=outlooks)
        self.keep(found.records)
        for key in found.gone:
            del self.records[key]
        self.ledger += found.ledger
        known = {message.dedupe_key for message in self.messages}
        assert not known & {message.dedupe_key for message in found.messages}, "the outbox would drop this"
        self.messages += found.messages
        return list(found.messages)

    def keep(self, records: Sequence[AlarmRecord]) -> None:
        """Save, as the store does."""
        for record in records:
            before = self.records.get(record.key)
            assert record.revision == (before.revision if before else 0) + 1, "one save is one revision"
            self.records[record.key] = AlarmRecord.from_data(json.loads(json.dumps(record.to_data())))

    def change(self, rule: Rule, **parts: object) -> None:
        """The settings change one rule."""
        self.rules = [replace(one, **parts) if one.name == rule.name else one for one in self.rules]  # type: ignore[arg-type]

    def state(self, key: str = "low|7|toner:cyan") -> str:
        """The state of an alarm, by its value."""
        return self.records[key].state.value


def kinds(messages: Sequence[Message]) -> list[str]:
    """What kind of messages these are."""
    return [message.kind for message in messages]
