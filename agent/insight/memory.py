"""Insights that are kept while nothing changes, so that an idle printer costs nothing."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from datetime import datetime

from agent.insight.days import day_of
from agent.insight.kin import Fleet
from agent.insight.printer import Terms, look
from agent.model.fleet import PrinterHistory
from agent.model.insight import Insight


class Memory:
    """The last insight of each printer, with what it was made from.

    An insight is good for as long as the printer's history, the fleet and the terms are the same and the day (in the
    site's zone) has not ended. Forget printers that are gone with ``forget``; the rest is bounded by the fleet's size.
    """

    def __init__(self) -> None:
        self._kept: dict[int, tuple[Hashable, Fleet, Terms | None, Insight]] = {}

    def insight(
        self,
        printer_id: int,
        changed: Hashable,
        read: Callable[[], PrinterHistory],
        *,
        zone: str,
        as_of: datetime,
        fleet: Fleet,
        terms: Terms | None = None,
    ) -> Insight:
        """The insight of this printer, looked at afresh only where something changed.

        ``changed``: anything that differs when its history has grown (the moment of the last change, a count of rows).
        ``read`` is called for the history only then.
        """
        token = (changed, day_of(zone, as_of.timestamp()))
        kept = self._kept.get(printer_id)
        if kept is not None and kept[0] == token and kept[1] is fleet and kept[2] == terms and kept[3].as_of <= as_of:
            return kept[3]
        made = look(read(), fleet, as_of, terms)
        self._kept[printer_id] = (token, fleet, terms, made)
        return made

    def forget(self, printer_id: int) -> None:
        """Let go of a printer."""
        self._kept.pop(printer_id, None)
