"""One printer's ground for judging its upkeep: history, insight, services and swaps, as of a moment."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from agent.insight.deeds import SAME, Service, Swap
from agent.insight.meter import Meter
from agent.model.contact import StatusPoint
from agent.model.fleet import PrinterHistory
from agent.model.insight import Insight
from agent.model.shelf import names_supply
from agent.model.upkeep import Plan


@dataclass(frozen=True, slots=True)
class Ground:
    """What is known of one printer. ``status``: what it said of its state at the moment asked for.

    ``rows``: prtMarkerSuppliesIndex -> supply key, for alerts about a supply. ``sweep``: how often it is read.
    """

    history: PrinterHistory
    insight: Insight
    status: StatusPoint | None = None
    rows: Mapping[int, str] = field(default_factory=dict)
    sweep: timedelta = timedelta(seconds=60)
    off: Collection[date] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """One printer's ground, worked out as of a moment."""

    ground: Ground
    as_of: datetime
    today: date
    meter: Meter | None
    services: Sequence[Service]
    swaps: Sequence[Swap]
    keys: tuple[str, ...]

    @property
    def printer_id(self) -> int:
        """The printer's id."""
        return self.ground.history.printer.id

    @property
    def zone(self) -> str:
        """The time zone in which its days are reckoned."""
        return self.ground.history.printer.place.zone

    def supplies(self, plan: Plan) -> tuple[str, ...]:
        """The keys of the supplies that the plan renews here."""
        return tuple(key for key in self.keys if plan.renews and names_supply(key, plan.renews))

    def last_service(self, plan: Plan) -> Service | None:
        """The latest service of this plan: logged by its name, or by all the supplies that it renews."""
        named = [one for one in self.services if one.subject == plan.name]
        keys = self.supplies(plan)
        whole = together(keys, [one for one in self.swaps if one.logged])
        if whole is not None and (not named or whole.at > named[-1].at + SAME):
            own = [one for one in self.services if one.subject in keys and abs(one.at - whole.at) <= SAME]
            count = own[-1].count if own else None
            return Service(self.printer_id, plan.name, whole.at, count, whole.who)
        return named[-1] if named else None


def together(keys: Sequence[str], found: Sequence[Swap]) -> Swap | None:
    """The last swap by which all of ``keys`` were exchanged within three days of each other; None if they were not."""
    if not keys:
        return None
    latest = [max((one for one in found if one.supply == key), key=lambda one: one.at, default=None) for key in keys]
    known = [one for one in latest if one is not None]
    if len(known) < len(keys) or max(one.at for one in known) - min(one.at for one in known) > SAME:
        return None
    return max(known, key=lambda one: one.at)
