"""A simulated fleet with hidden truth: what printers show, and what only the simulation knows.

Each printer, each life and each day draws its own. In every fleet:

* pages a workday: log-normal between printers; from workday to workday a coefficient of variation of 0.45 to 0.8,
  half of the printers gamma, half log-normal; weekends and holidays; the last three workdays of a month +35 %; a level
  of use that drifts;
* use a page: 30 % between printers, 20 to 30 % from life to life;
* 60 % of cartridges are swapped early at 0 to 12 %;
* readings at 7, 12 and 17 o'clock; gaps of 1 to 7 days.

What a fleet has besides, and how the level drifts: ``hardness``. Everything is drawn from one seeded generator. Nothing
here is known to the method but what ``kept.histories`` shows.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from tests.backtest.hardness import AS_ASKED, BY_MODEL, Hardness, drift

ZONE = "Europe/Lisbon"
FIRST = date(2024, 9, 2)
HOLIDAYS = ((1, 1), (1, 6), (4, 18), (5, 1), (6, 10), (8, 15), (10, 5), (11, 1), (12, 8), (12, 24), (12, 25), (12, 26))
SLOTS = (7, 12, 17)
"""Hours of the readings. Pages are printed from 8 to 18, evenly: 4 hours, 5 hours and 1 hour in the three phases."""
PHASES = (0.4, 0.5, 0.1)
LADDER = (1500, 2500, 4000, 6500, 10000, 16000, 25000)
SOME_ONLY = 0.0
"""The step that stands for "only some remaining"."""
UNKNOWN = -2.0


@dataclass(frozen=True)
class TrueLife:
    """One life as it was: slots (reading numbers) of its first reading and its successor's, levels, how it ended."""

    printer: int
    first: int
    start: float
    use: float
    end_slot: int = -1
    end: float = 1.0
    dry: bool = False


@dataclass
class World:
    """The whole truth. Arrays are (printers, days); ``level`` is the true share at 8 o'clock of the day.

    ``plain``: the pages expected without drift; ``busy``: days that say something of the level; ``variation`` and
    ``gamma`` (printers): the coefficient of variation of a day, and whether its law is gamma (else log-normal).
    """

    seed: int
    step: float
    printers: int
    days: int
    hard: Hardness = AS_ASKED
    plain: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    busy: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    variation: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    gamma: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    demand: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    expected: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    wear: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    level: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    use: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    shown: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    count: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    heard: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    declared: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    model: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    lives: list[TrueLife] = field(repr=False, default_factory=list)
    logged: list[tuple[int, int]] = field(repr=False, default_factory=list)

    def time_until_dry(
        self, printer: int, day: int, *, pages: np.ndarray | dict[int, np.ndarray] | None = None
    ) -> float:
        """Days from 8 o'clock of ``day`` until the cartridge in place is empty if nobody swaps it; NaN past the end.

        ``pages``: what is worn each day instead of the truth (the oracle passes the expected pages).
        """
        worn = self.wear[printer] if pages is None else pages[printer]
        need = self.level[printer, day] / self.use[printer, day]
        total = np.cumsum(worn[day:])
        here = int(np.searchsorted(total, need))
        if here >= total.size:
            return float("nan")
        before = total[here - 1] if here else 0.0
        return here + (need - before) / max(worn[day + here], 1e-9) * 10 / 24


def calendar(days: int) -> list[date]:
    """The days of the simulation."""
    return [FIRST + timedelta(days=day) for day in range(days)]


def holidays(days: int) -> frozenset[date]:
    """The public holidays among them."""
    return frozenset(day for day in calendar(days) if (day.month, day.day) in HOLIDAYS)


def _worth(days: list[date]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    off = holidays(len(days))
    week = np.array([day.weekday() for day in days])
    closed = np.array([day in off for day in days])
    ends = np.zeros(len(days))
    for at, day in enumerate(days):
        later = [day + timedelta(days=more) for more in range(1, 8)]
        left = sum(1 for one in later if one.month == day.month and one.weekday() < 5)
        if day.weekday() < 5 and left < 3:
            ends[at] = 0.35
    return week, closed, 1 + ends


def make(
    seed: int,
    step: float,
    *,
    printers: int = 300,
    days: int = 400,
    extra: int = 260,
    early_until: int | None = None,
    hard: Hardness = AS_ASKED,
) -> World:
    """Simulate. ``extra`` days lie beyond the readings, for the truth. ``early_until``: the day after which no
    cartridge is swapped early any more, so that policies can be judged on whole lives."""
    rng = np.random.default_rng([seed, int(step * 1000), printers, days])
    world = World(seed, step, printers, days, hard)
    _pages(world, rng, days + extra)
    _life_by_life(world, rng, early_until)
    return world


def _pages(world: World, rng: np.random.Generator, total: int) -> None:
    n = world.printers
    week, closed, ends = _worth(calendar(total))
    base = np.exp(rng.normal(np.log(150), 0.8, n))
    shape = np.array([1.04, 1.08, 1.02, 1.0, 0.86]) * np.exp(rng.normal(0, world.hard.weekdays, (n, 5)))
    idle, quiet, loud = world.hard.weekends
    weekend = np.where(rng.random(n) < idle, quiet, loud)
    worth = np.where(week < 5, shape[:, np.minimum(week, 4)], weekend[:, None])
    worth = np.where(closed, np.minimum(worth, weekend[:, None]), worth) * ends
    level = np.exp(drift(rng, n, total, world.hard.drift))
    variation = rng.uniform(0.45, 0.8, n)[:, None]
    shapes = 1 / variation**2
    gamma = rng.gamma(np.broadcast_to(shapes, (n, total)), np.broadcast_to(1 / shapes, (n, total)))
    sigma = np.sqrt(np.log1p(variation**2))
    log_normal = np.exp(rng.normal(0, 1, (n, total)) * sigma - sigma**2 / 2)
    world.gamma = rng.random(n) < 0.5
    noise = np.where(world.gamma[:, None], gamma, log_normal)
    world.plain, world.busy, world.variation = base[:, None] * worth, worth > 0.3, variation[:, 0]
    world.expected = world.plain * level
    world.demand = rng.poisson(world.expected * noise).astype(float)
    coverage = np.exp(rng.normal(0, 1, (n, total)) * world.hard.coverage - world.hard.coverage**2 / 2)
    world.wear = world.demand * coverage
    life_days = np.exp(rng.normal(np.log(75), 0.4, n))
    pages = base * 5 / 7 * life_days
    world.model = np.abs(np.log(np.array(LADDER))[None, :] - np.log(pages)[:, None]).argmin(axis=1)
    world.declared = np.array(LADDER, dtype=float)[world.model]


def _life_by_life(world: World, rng: np.random.Generator, early_until: int | None) -> None:
    n, days = world.printers, world.days
    models = np.exp(rng.normal(0.1, 0.2, len(LADDER)))
    rounding = rng.permutation(np.array(BY_MODEL))[world.model]
    typical = models[world.model] / world.declared * np.exp(rng.normal(0, 0.3, n))
    spread = rng.uniform(0.2, 0.3, n)
    wanting = _Wanting(n, rng, world.hard.early, early_until)
    level = rng.uniform(0.15, 1.0, n)
    use = typical * np.exp(rng.normal(0, spread))
    open_life = [TrueLife(at, 0, float(level[at]), float(use[at])) for at in range(n)]
    wanting.draw(np.arange(n), 0)
    slots = days * 3
    world.level, world.use = np.zeros((n, days)), np.zeros((n, days))
    world.shown, world.count = np.zeros((n, slots)), np.zeros((n, slots))
    gauge = _Gauge(n, world.step, rounding, rng, world.hard.shaken)
    printed = rng.integers(1_000, 90_000, n).astype(float)
    waiting = np.zeros(n, dtype=bool)  # dry or to be swapped, until the next phase
    for day in range(days):
        for phase in range(3):
            slot = day * 3 + phase  # the reading before the phase
            world.shown[:, slot] = gauge.show(level)
            world.count[:, slot] = printed
            if phase == 0:
                world.level[:, day], world.use[:, day] = level, use
            _swap(
                world, rng, np.flatnonzero(waiting), slot, level, use, typical, spread, open_life, wanting, gauge, day
            )
            waiting[:] = False
            pages = world.demand[:, day] * PHASES[phase]
            rate = use * np.divide(
                world.wear[:, day], world.demand[:, day], out=np.ones(n), where=world.demand[:, day] > 0
            )
            need = pages * rate
            short = need >= level
            done = np.where(short, np.divide(level, rate, out=np.zeros(n), where=rate > 0), pages)
            level -= np.minimum(need, level)
            level[short] = 0.0
            at_once = short & (rng.random(n) < 1 - world.hard.stands)
            if at_once.any():
                here = np.flatnonzero(at_once)
                _swap(world, rng, here, slot, level, use, typical, spread, open_life, wanting, gauge, day)
                rest = (pages - done)[here]
                level[here] -= np.minimum(rest * use[here], level[here] * 0.9)
                done[here] = pages[here]
            printed += done
            waiting |= (short & ~at_once) | (level < wanting.at)
    for one in open_life:
        world.lives.append(one)
    world.count = np.floor(world.count)
    _disturb(world, rng)


class _Wanting:
    """At which true level each cartridge will be swapped early (-1: never)."""

    def __init__(self, n: int, rng: np.random.Generator, early: float, until: int | None) -> None:
        self.at, self.rng, self.early, self.until = np.full(n, -1.0), rng, early, until

    def draw(self, here: np.ndarray, day: int) -> None:
        share = 0.0 if self.until is not None and day >= self.until else self.early
        draws = self.rng.random(here.size), self.rng.uniform(0, 0.12, here.size)
        self.at[here] = np.where(draws[0] < share, draws[1], -1.0)


class _Gauge:
    """What the printer makes of the true level: rounding, shaking."""

    def __init__(self, n: int, step: float, rounding: np.ndarray, rng: np.random.Generator, shaken: float) -> None:
        self.step, self.rounding, self.rng, self.shaken = step, rounding, rng, shaken
        self.will_shake = rng.random(n) < shaken
        self.lift, self.shaken_at = np.zeros(n), np.ones(n)

    def fresh(self, here: np.ndarray) -> None:
        self.will_shake[here] = self.rng.random(here.size) < self.shaken
        self.lift[here] = 0.0

    def show(self, level: np.ndarray) -> np.ndarray:
        now = self.will_shake & (level < 0.07) & (level > 0)
        self.lift[now] = self.rng.uniform(0.02, 0.05, int(now.sum()))
        self.shaken_at[now] = level[now]
        self.will_shake[now] = False
        seen = level + self.lift * np.clip(level / self.shaken_at, 0, 1)
        if self.step == SOME_ONLY:
            return np.where(level > 0, 1.0, 0.0)
        steps = seen / self.step
        made = np.where(
            self.rounding == 0,
            np.floor(steps + 1e-9),
            np.where(self.rounding == 1, np.ceil(steps - 1e-9), np.floor(steps + 0.5)),
        )
        made = np.where(level <= 0, 0.0, made)
        return np.clip(made * self.step, 0, 1)


def _swap(world, rng, here, slot, level, use, typical, spread, open_life, wanting, gauge, day) -> None:  # type: ignore[no-untyped-def]
    if here.size == 0:
        return
    used = rng.random(here.size) < world.hard.used
    start = np.where(used, rng.uniform(0.3, 0.9, here.size), 1.0)
    for at, begin in zip(here.tolist(), start.tolist(), strict=True):
        old = open_life[at]
        world.lives.append(
            TrueLife(at, old.first, old.start, old.use, slot + 1, float(level[at]), bool(level[at] <= 0))
        )
        if rng.random() < 0.95:
            world.logged.append((at, slot))
        use[at] = typical[at] * np.exp(rng.normal(0, spread[at]))
        open_life[at] = TrueLife(at, slot + 1, begin, float(use[at]))
    level[here] = start
    wanting.draw(here, day)
    gauge.fresh(here)


def _disturb(world: World, rng: np.random.Generator) -> None:
    """Gaps, flicker, power-up readings, resets of counters."""
    n, slots = world.shown.shape
    heard = np.ones((n, slots), dtype=bool)
    for printer in range(n):
        for day in np.flatnonzero(rng.random(world.days) < 1 / 60).tolist():
            length = int(rng.integers(1, 8)) * 3
            heard[printer, day * 3 : day * 3 + length] = False
    heard[:, :6] = True
    if not world.hard.odd:
        world.heard = heard
        return
    back = heard & ~np.roll(heard, 1, axis=1)
    back[:, 0] = False
    odd = rng.random((n, slots))
    step = world.step or 1.0
    if world.step:
        flick = odd < 0.004
        world.shown = np.where(flick, np.clip(world.shown + step * rng.choice([-1, 1], (n, slots)), 0, 1), world.shown)
        alone = rng.random((n, slots)) < 0.0002
        world.shown = np.where((back & (odd > 0.95)) | alone, 1.0, world.shown)
        world.shown = np.where(back & (odd > 0.90) & (odd <= 0.95), 0.0, world.shown)
    world.shown = np.where(
        (back & (odd > 0.75) & (odd <= 0.90)) | (rng.random((n, slots)) < 0.001), UNKNOWN, world.shown
    )
    for printer in np.flatnonzero(rng.random(n) < 0.03).tolist():
        at = int(rng.integers(60, slots))
        world.count[printer, at:] -= world.count[printer, at - 1]
        world.count[printer, at:] = np.maximum(0, world.count[printer, at:])
    world.heard = heard


def slot_moments(days: int) -> list[datetime]:
    """The moments of the readings, UTC."""
    zone = ZoneInfo(ZONE)
    return [
        datetime(day.year, day.month, day.day, hour, tzinfo=zone).astimezone(UTC)
        for day in calendar(days)
        for hour in SLOTS
    ]


def as_of(day: int) -> datetime:
    """Eight o'clock of a day of the simulation."""
    at = FIRST + timedelta(days=day)
    return datetime(at.year, at.month, at.day, 8, tzinfo=ZoneInfo(ZONE)).astimezone(UTC)
