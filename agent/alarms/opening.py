"""Maintenance windows that people open and close. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from agent.alarms.lifecycle import LONGEST_SHELF, NotApplicableError
from agent.alarms.wording import clean, span
from agent.model.fleet import LedgerEntry
from agent.model.window import Opened


def open_window(window: Opened, known: Sequence[Opened]) -> tuple[Opened, LedgerEntry]:
    """Open a window, checked, and what the ledger says. Raises NotApplicableError, with a sentence."""
    name, who, why = clean(window.name, 64), clean(window.who, 80), clean(window.reason)
    if not name or "|" in name:
        raise NotApplicableError("a window needs a name of at most 64 characters without |")
    if not who or not why:
        raise NotApplicableError("a window needs a name (who opens it?) and a reason, for those who miss the alarms")
    if not timedelta(0) < window.end - window.begin <= LONGEST_SHELF:
        raise NotApplicableError(f"a window must end in the future and within {span(LONGEST_SHELF)}")
    if any(one.name == name for one in known):
        raise NotApplicableError(f"a window {name} is open already; end it, or choose another name")
    made = replace(window, name=name, who=who, reason=why)
    where = ", ".join((*made.sites, *(f"tag {tag}" for tag in made.tags), *made.printers)) or "all printers"
    text = f"maintenance window {name} ({where}) opened by {who} for {span(made.end - made.begin)}: {why}"
    return made, LedgerEntry(made.begin, "windowOpened", text, subject=name, who=who, data={"window": name})


def close_window(window: Opened, now: datetime, who: str = "") -> LedgerEntry:
    """What the ledger says when a window is over; ``who`` empty: its time is over."""
    name = clean(who, 80)
    text = f"maintenance window {window.name} " + (f"closed by {name}" if name else "is over")
    return LedgerEntry(
        now, "windowClosed", text, subject=window.name, who=name or "lowmark", data={"window": window.name}
    )
