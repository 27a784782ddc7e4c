"""One alarm for a whole site that went silent, instead of one for each of its printers.

A site here is the printers of one site that a rule covers: a rule with ``tags: [switch-b2]`` watches the printers
behind one switch. The alarm of a single printer's silence is suppressed by design while its site's alarm stands for it.

Printers in a maintenance window do not count. Where it leaves too few of a site, it stands for the site's alarm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from agent.alarms.rules import SITE_SILENT, Rule
from agent.alarms.windows import Window, Windows
from agent.model.fleet import PrinterView

EXAMPLES = 5
"""How many of the silent printers are named in a message."""


@dataclass(frozen=True, slots=True)
class Silence:
    """How silent a site is: ``silent`` of ``printers``, some of them by name; ``since`` the last of these was heard.

    ``away``: the maintenance window that the site is in.
    """

    site: str
    zone: str
    silent: int
    printers: int
    examples: tuple[str, ...]
    since: datetime | None
    away: Window | None = None

    @property
    def share(self) -> float:
        """The share that is silent."""
        return self.silent / self.printers if self.printers else 0.0


def site_key(rule: Rule, site: str) -> str:
    """The key of the alarm of this site."""
    return f"{rule.name}|site|{site}"


def silences(rule: Rule, whole: Iterable[PrinterView], now: datetime, windows: Windows) -> Iterator[Silence]:
    """How silent each site is that has enough printers under this rule, in order of their names."""
    groups: dict[str, list[PrinterView]] = {}
    for view in whole:
        if rule.covers(view.printer):
            groups.setdefault(view.printer.place.site, []).append(view)
    for site, there in sorted(groups.items()):
        if len(there) >= rule.fewest:
            views, away = _counted(rule, there, windows)
            silent = [view for view in views if not view.reachable and now - view.since >= rule.for_]
            names = sorted(view.printer.name for view in silent)[:EXAMPLES]
            since = max((view.since for view in silent), default=None)
            yield Silence(site, views[0].printer.place.zone, len(silent), len(views), tuple(names), since, away)


def _counted(rule: Rule, views: list[PrinterView], windows: Windows) -> tuple[list[PrinterView], Window | None]:
    """The printers that count, and the window of the site where it leaves too few of them."""
    if not windows:
        return views, None
    found = [windows.of(view.printer, rule.name) for view in views]
    there = [view for view, window in zip(views, found, strict=True) if window is None]
    away = next((window for window in found if window is not None), None)
    return (there, None) if len(there) >= rule.fewest else (views, away)


def verdict(rule: Rule, silence: Silence) -> bool | None:
    """Whether the site is silent; None within the deadband."""
    if silence.share >= rule.share - 1e-9:
        return True
    return False if silence.share < rule.share - rule.deadband or silence.silent == 0 else None


def has_site_rules(rules: Sequence[Rule]) -> bool:
    """Whether any rule watches whole sites."""
    return any(rule.when == SITE_SILENT for rule in rules)
