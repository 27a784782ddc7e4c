"""What happened to a counter between two readings: it went on, wrapped, was reset, fell back, or leapt.

A counter that "only grows" says nothing by itself (RFC 2578 section 7.1.6: a single value carries no information, and
after the greatest value comes 0), so each value is judged against the one before and against what the printer could
have printed in the time between:

* ``first``      nothing to compare with.
* ``same``       the value did not move.
* ``forward``    it grew by no more than could be printed.
* ``wrap``       it fell, but passing through the greatest value explains that within what could be printed.
* ``reset``      it fell to less than half: the board was exchanged or the counter was set back.
* ``backwards``  it fell a little: the printer returned to an older saved state (a power cut, a restored backup).
* ``jump``       it grew by more than the printer could print: another board's count, or somebody wrote it.

Only the last three are oddities and give a Finding. The limit is generous on purpose: a false ``jump`` costs trust.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from agent.model.fleet import CountPoint, Finding
from agent.model.reading import Reading

DEFAULT_PAGES_PER_MINUTE = 200.0
"""Assumed where the printer does not say: faster than cut-sheet laser printers are (common practice, no source)."""
LEAST_PAGES_PER_MINUTE = 20.0
"""A slower declared speed is not believed: pages a minute do get written where pages an hour belong (common practice,
no source)."""
MOST_PAGES_PER_MINUTE = 5_000.0
"""A faster declared speed is not believed (common practice, no source)."""
SLACK = 1.25
"""Declared speeds are rounded, and short sheets run faster (common practice, no source)."""
ALLOWANCE_MINUTES = 10.0
"""Many printers count a job when it is done, so a job begun before the first reading may be counted after it; the
clocks are not exact either (common practice, no source)."""

# How much of a unit one printed side moves the counter at most (prtMarkerCounterUnit labels, RFC 3805). A speed may be
# declared in sheets, and a sheet has two sides, hence 2 impressions. The longest common sheet is taken as 17 inches
# (432 mm); characters, lines and dot rows are what fits on it, rounded up (common practice, no source).
_UNITS_PER_PAGE: Mapping[str, float] = MappingProxyType(
    {
        "impressions": 2.0,
        "sheets": 1.0,
        "tenThousandthsOfInches": 2 * 170_000.0,
        "micrometers": 2 * 432_000.0,
        "feet": 2 * 17 / 12,
        "meters": 2 * 0.432,
        "characters": 2 * 20_000.0,
        "lines": 2 * 200.0,
        "dotRow": 2 * 50_000.0,
    }
)


@dataclass(frozen=True, slots=True)
class CounterStep:
    """What one counter did. ``delta``: how much was counted, in the counter's unit, or None where nobody can know.

    ``limit`` is the most that could have been counted in the time, None where the unit allows no such reckoning.
    """

    kind: str
    delta: int | None
    text: str
    limit: float | None = None

    @property
    def is_odd(self) -> bool:
        """True for what a person should hear of: reset, backwards, jump."""
        return self.kind in _FINDING_KINDS


_FINDING_KINDS: Mapping[str, str] = MappingProxyType(
    {"reset": "counterReset", "backwards": "counterBackwards", "jump": "counterJump"}
)


@dataclass(frozen=True, slots=True)
class CounterVerdict:
    """What all counters of one printer did: a step for each counter's name, and the findings."""

    steps: Mapping[str, CounterStep]
    findings: tuple[Finding, ...]


def believable_speed(pages_per_minute: float | None) -> float:
    """The printer's declared speed where it can be believed, else the default, in pages a minute."""
    if pages_per_minute is None or not math.isfinite(pages_per_minute) or pages_per_minute <= 0:
        return DEFAULT_PAGES_PER_MINUTE
    if pages_per_minute > MOST_PAGES_PER_MINUTE:
        return DEFAULT_PAGES_PER_MINUTE
    return max(LEAST_PAGES_PER_MINUTE, pages_per_minute)


def most_countable(minutes: float, *, unit: str, pages_per_minute: float | None) -> float | None:
    """The most that a counter of this unit can honestly grow in so many minutes, or None for a unit without a rate."""
    if unit == "hours":  # Hours of operation cannot outrun the clock, whatever the printer does.
        return (minutes + ALLOWANCE_MINUTES) / 60 + 1
    per_page = _UNITS_PER_PAGE.get(unit)
    if per_page is None:
        return None
    return believable_speed(pages_per_minute) * SLACK * per_page * (minutes + ALLOWANCE_MINUTES)


def restarted(uptime_before: int | None, at_before: datetime, uptime: int | None, at: datetime) -> bool:
    """Whether the agent started again between two readings, by its sysUpTime (hundredths of a second).

    TimeTicks themselves wrap after 497 days (RFC 2578 section 7.1.8): a fall which that explains is no restart.
    Without both values the answer is False: nothing was seen.
    """
    if uptime_before is None or uptime is None or uptime >= uptime_before:
        return False
    elapsed = (at - at_before).total_seconds() * 100
    expected = (uptime_before + elapsed) % 2**32
    wrapped = uptime_before + elapsed >= 2**32
    return not (wrapped and abs(expected - uptime) <= max(6_000, elapsed * 0.01))


def step(
    before: CountPoint | tuple[datetime, int] | None,
    now: datetime,
    value: int,
    *,
    wraps_at: int = 2**32,
    pages_per_minute: float | None = None,
    unit: str = "impressions",
    uptime_reset: bool = False,
) -> CounterStep:
    """Judge one new value of one counter.

    ``before``: the value of the reading before and the moment of THAT READING (not the older moment since when the
    value had stood: the time between would be too long, and a jump would pass for work). None at first contact.
    ``wraps_at``: the first value that the counter cannot show, 2**32 for Counter32 (RFC 2578 section 7.1.6), 2**31 for
    PWG 5106.3. A printer that goes beyond it is judged by the next larger size instead.
    ``unit``: prtMarkerCounterUnit label. ``uptime_reset``: the agent started again in between (see ``restarted``).
    A clock that was set back counts as no time. Raises ValueError for a negative value.
    """
    if before is None:
        return CounterStep("first", None, f"first seen at {value:,}")
    at_before, old = (before.at, before.value) if isinstance(before, CountPoint) else before
    if value < 0 or old < 0:
        raise ValueError(f"a counter cannot show {min(value, old)}")
    size = next((size for size in (wraps_at, 2**32, 2**64) if size >= wraps_at and size > max(value, old)), None)
    minutes = max(0.0, (now - at_before).total_seconds() / 60)
    limit = most_countable(minutes, unit=unit, pages_per_minute=pages_per_minute)
    if value == old:
        return CounterStep("same", 0, f"still {value:,}", limit)
    if limit is not None and size is not None and limit >= size:
        # It may have gone round more than once, so the difference of two values tells nothing (RFC 2578 7.1.6).
        return CounterStep(
            "forward" if value > old else "wrap",
            None,
            f"from {old:,} to {value:,}, and it may have gone past {size:,} more than once: how much is not known",
            limit,
        )
    if value > old:
        return _grew(old, value, minutes, limit, uptime_reset=uptime_reset)
    return _fell(old, value, size, limit, uptime_reset=uptime_reset)


def _grew(old: int, value: int, minutes: float, limit: float | None, *, uptime_reset: bool) -> CounterStep:
    delta = value - old
    if limit is None or delta <= limit:
        return CounterStep("forward", delta, f"from {old:,} to {value:,}", limit)
    why = "after a restart: perhaps another board with its own count" if uptime_reset else "without a restart"
    return CounterStep(
        "jump",
        None,
        f"leapt from {old:,} to {value:,} in {_span(minutes)}, more than the {limit:,.0f} it could count; {why}",
        limit,
    )


def _fell(old: int, value: int, size: int | None, limit: float | None, *, uptime_reset: bool) -> CounterStep:
    if size is not None:
        round_trip = (value - old) % size
        # Where no rate is known, only a passage from the very top to the very bottom is taken for a wrap.
        honest = min(limit, size / 2) if limit is not None else size / 16
        near_ends = limit is not None or (old >= size - size // 16 and value < size // 16)
        if near_ends and round_trip <= honest:
            return CounterStep("wrap", round_trip, f"went past its greatest value, from {old:,} to {value:,}", limit)
    how = "after a restart" if uptime_reset else "without a restart"
    if value * 2 < old:
        text = f"fell from {old:,} to {value:,} {how}: it was reset, or the board was exchanged"
        return CounterStep("reset", None, text, limit)
    text = f"fell back from {old:,} to {value:,} {how}: the printer returned to an older saved count"
    return CounterStep("backwards", None, text, limit)


def _span(minutes: float) -> str:
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"


def judge(seen: Mapping[str, CountPoint], reading: Reading, *, uptime_reset: bool = False) -> CounterVerdict:
    """Judge every counter of ``reading`` against ``seen``: for each counter's name its value at the reading before.

    A counter that the printer no longer reports is left out of ``steps``. ``life`` and its like are judged in their
    own unit, with the speed that this reading declares.
    """
    steps: dict[str, CounterStep] = {}
    findings: list[Finding] = []
    for counter in reading.counters:
        before = seen.get(counter.name)
        done = step(
            before,
            reading.at,
            counter.value,
            wraps_at=counter.wraps_at,
            pages_per_minute=reading.pages_per_minute,
            unit=counter.unit,
            uptime_reset=uptime_reset,
        )
        steps[counter.name] = done
        if done.is_odd and before is not None:
            findings.append(
                Finding(
                    kind=_FINDING_KINDS[done.kind],
                    at=reading.at,
                    subject=counter.name,
                    text=f"The counter {counter.name} {done.text}.",
                    data=MappingProxyType({"before": before.value, "value": counter.value, "unit": counter.unit}),
                )
            )
    return CounterVerdict(MappingProxyType(steps), tuple(findings))
