"""What lies so far ahead that a round need not look at it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from agent.model.insight import Gist
from agent.model.upkeep import FINE, Plan, UpkeepItem

FAR_LEFT = 0.35
"""What has more than this share of its life left joins no visit."""


@dataclass(frozen=True, slots=True)
class Far:
    """What need not be looked at: run-outs after so many ``days`` from now for all but certain, expected after ``day``.

    Beyond the next round nothing can be due, and what is far from its end does not join a visit.
    """

    days: float
    day: date

    def leaves_out(self, gist: Gist, now: datetime) -> bool:
        """Whether a supply is so far from its end."""
        earliest, expected, level = gist.earliest, gist.expected, gist.level
        if earliest is None or expected is None or level is None or level < FAR_LEFT or expected <= self.day:
            return False
        return (earliest - now) / timedelta(days=1) > self.days

    def leaves_out_plan(self, item: UpkeepItem, plan: Plan | None, today: date) -> bool:
        """Whether planned work is so far from being due."""
        if item.state != FINE or not item.planned or plan is None:
            return False
        if item.expected is None:
            return True
        if item.expected.p10 <= self.day or (item.expected.p10 - today).days <= self.days + 1:
            return False
        if plan.impressions is not None:
            return item.left is not None and item.left >= FAR_LEFT * plan.impressions
        return plan.days is not None and (item.expected.p50 - today).days >= FAR_LEFT * plan.days
