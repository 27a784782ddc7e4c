"""How one simulated printer wears: pure, seeded, and the same however the time is cut into steps.

Each printer has an agenda (what is due when) and, day by day, a plan of its printing. ``Worn.advance`` applies both in
order of time; every chance is drawn from generators seeded by fleet, printer and day or life.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

from agent.model.fleet import Scalar
from agent.rehearsal import alerts, rhythm
from agent.rehearsal.body import Counts, Identity, Life, Tray
from agent.rehearsal.kinds import FILLED, Kind, Part, TrayKind
from agent.rehearsal.truth import Deed, Truth

LOW, OUT = 0.10, 0.0
WARM_UP = 40.0  # seconds after being switched on
PRINTS_FOR = 15.0  # seconds after a run during which the printer says that it prints


class Worn:
    """One printer over simulated time. Moments inside are seconds of the epoch; ``now`` is the last one applied."""

    def __init__(self, kind: Kind, who: Identity, seed: str, start: datetime, truth: Truth) -> None:
        self.kind, self.who, self.truth = kind, who, truth
        self.seed, self.zone = seed, who.place.zone
        self.rng = random.Random(f"{seed}/born")
        self.now = start.timestamp()
        self.born = self.now
        self.volume = kind.pages_a_day * self.rng.lognormvariate(0.0, 0.35)
        self.drift = self.rng.gauss(0.0, 0.25)
        self.coverage = kind.coverage * self.rng.lognormvariate(0.0, 0.15) / 5.0
        self.habit = rhythm.Habit(
            kind.pages_per_minute,
            1.8 + kind.pages_per_minute / 30,
            min(0.9, kind.colour_share * self.rng.uniform(0.7, 1.3)),
        )
        self.on = True
        self.tended = True
        self.boots = 1
        self.booted = self.now - self.rng.uniform(0, 20 * 86_400)
        self.printed = 0.0
        self.version = 0
        self.config_changes = self.rng.randrange(3, 40)
        self.stops: set[str] = set()
        self.board = alerts.Board()
        self.counts = Counts(
            life=int(self.volume * self.rng.uniform(60, 900)),
            to_calibration=kind.pages_a_calibration * self.rng.random(),
        )
        self.counts.colour = int(self.counts.life * self.habit.colour_share)
        self.counts.two_sided = int(self.counts.life * kind.two_sided / 2)
        self.counts.sheets = self.counts.life - self.counts.two_sided
        self.counts.since_on = min(self.counts.life, int(self.volume * 5))
        self.lives = {part.key: self._mid_life(part) for part in kind.parts}
        self._places = {key: place for place, key in enumerate(self.lives, 1)}
        self.trays = [Tray(tray, self._some_sheets(tray)) for tray in kind.trays]
        self._agenda: list[tuple[float, int, str, str]] = []
        self._serial = 0
        self._runs: list[rhythm.Run] = []
        self._at_run = 0
        self._acts: dict[str, Callable[[str], None]] = {
            "day": self._begin_day, "swap": self._staff_swaps, "reset": self.reset_gauge, "clear": self._cleared,
            "refill": self._refill, "off": self._switch_off, "on": self._switch_on, "calibrated": self._calibrated,
        }  # fmt: skip
        if kind.often_off and not 9 * 3600 < self.now - rhythm.midnight(self._today(), self.zone) < 16 * 3600:
            self.on = False
        self._plan_day(self._today(), skip_until=self.now)

    # --- time ---------------------------------------------------------------------------------------------------

    def advance(self, to: float) -> None:
        """Apply everything up to and including ``to`` (seconds of the epoch)."""
        while True:
            due = self._agenda[0][0] if self._agenda else to + 1.0
            if self._at_run < len(self._runs) and self._runs[self._at_run].at < due:
                run = self._runs[self._at_run]
                if run.at > to:
                    break
                self._at_run += 1
                self.now = run.at
                self.print(run.pages, run.colour, run.coverage)
            else:
                if due > to:
                    break
                self.now, _, act, subject = heapq.heappop(self._agenda)
                self._acts[act](subject)
        self.now = max(self.now, to)

    def _later(self, at: float, act: str, subject: str = "") -> None:
        self._serial += 1
        heapq.heappush(self._agenda, (at, self._serial, act, subject))

    def _today(self) -> date:
        return rhythm.day_of(self.now, self.zone)

    def _begin_day(self, ordinal: str) -> None:
        self._plan_day(date.fromordinal(int(ordinal)))

    def _plan_day(self, day: date, skip_until: float = 0.0) -> None:
        rng = random.Random(f"{self.seed}/{day.toordinal()}")
        start = rhythm.midnight(day, self.zone)
        grown = 1.0 + self.drift * (start - self.born) / (365 * 86_400)
        expected = self.volume * rhythm.busyness(day) * max(0.2, grown)
        self._runs = [run for run in rhythm.plan(rng, expected, start, self.habit) if run.at > skip_until]
        self._at_run = 0
        tomorrow = day + timedelta(days=1)
        self._later(rhythm.midnight(tomorrow, self.zone), "day", str(tomorrow.toordinal()))
        switches: list[tuple[float, str]] = []
        if self.kind.often_off:
            if rhythm.is_working_day(day) and rng.random() < 0.75:
                switches += [
                    (start + rng.uniform(7.6, 9.6) * 3600, "on"),
                    (start + rng.uniform(15.5, 19) * 3600, "off"),
                ]
        elif rng.random() < 0.006:
            begin = start + rng.uniform(0, 24) * 3600
            switches += [(begin, "off"), (begin + rng.lognormvariate(1.0, 1.0) * 3600, "on")]
        for at, act in switches:
            if at > skip_until:
                self._later(at, act)
        for place, tray in enumerate(self.trays):
            top_up = rng.random() < 0.3 and rhythm.is_working_day(day) and not tray.kind.manual
            at = start + rng.uniform(8.0, 9.5) * 3600
            if top_up and at > skip_until:
                self._later(at, "refill", str(place))

    def tell(self, kind: str, subject: str = "", **data: Scalar) -> None:
        """Write down what happened now."""
        self.truth.deeds.append(Deed(datetime.fromtimestamp(self.now, UTC), self.who.name, kind, subject, data))

    # --- printing -----------------------------------------------------------------------------------------------

    @property
    def blocked(self) -> bool:
        """True while it cannot print."""
        return not self.on or bool(self.stops)

    def print(self, pages: int, colour: int = 0, coverage: float = 1.0) -> None:
        """Print ``pages`` impressions now, ``colour`` of them in colour; nothing when it cannot print."""
        if self.blocked or pages <= 0:
            return
        self.printed = self.now
        self.version += 1
        counts = self.counts
        counts.life += pages
        counts.since_on += pages
        counts.colour += colour
        two_sided = pages // 2 if self.rng.random() < self.kind.two_sided else 0
        counts.two_sided += two_sided
        counts.sheets += pages - two_sided
        inked = coverage * self.coverage
        for life in self.lives.values():
            wears = life.part.wears
            if wears == "pages":
                used = pages * life.rate
            elif wears == "waste":
                used = (pages + 2 * colour) * inked * life.rate
            else:
                used = (pages if life.part.colour == "black" else colour) * inked * life.rate
            life.pages += pages
            life.left -= used
            life.shown -= used * life.gauge
            if life.left < life.swap_below or life.shown < LOW:
                self._look_at(life)
        self._feed(pages - two_sided)
        if self.rng.random() * self.kind.pages_a_jam < pages:
            self.jam(self.rng.lognormvariate(-1.6, 0.9))
        if self.kind.pages_a_calibration:
            counts.to_calibration -= pages
            if counts.to_calibration <= 0:
                self.calibrate()

    def _look_at(self, life: Life) -> None:
        """A supply is low: what the printer says of it, and whether somebody is called."""
        part, key = life.part, life.part.key
        stops = part.wears != "pages"
        # A gauge of toner never says empty while the sensor still sees some.
        life.left, life.shown = max(0.0, life.left), max(0.004 if stops else 0.0, life.shown)
        if life.left <= 0.0 and stops:
            life.shown = 0.0  # the sensor of an empty hopper or a full bin knows better than the gauge
            if key not in self.stops:
                self.stops.add(key)
                self.tell("ranDry", key, pages=life.pages)
        self.board.supply(part, self._places[key], life.shown, self.now)
        if life.left <= life.swap_below and self.tended and not life.called:
            life.called = True
            hours = self.rng.expovariate(1 / (2.5 if stops else 9.0))
            self._later(rhythm.staffed(self.now, min(30.0, hours), self.zone), "swap", key)

    def _feed(self, sheets: int) -> None:
        fed = False
        for place, tray in enumerate(self.trays):
            if tray.kind.manual or tray.sheets <= 0 or fed:
                continue
            tray.sheets, fed = max(0, tray.sheets - sheets), True
            if tray.sheets <= tray.kind.holds * LOW:
                if not tray.called:
                    tray.called = True
                    wait = self.rng.lognormvariate(-0.3, 1.0)
                    self._later(rhythm.staffed(self.now, wait, self.zone), "refill", str(place))
                out = all(t.sheets <= 0 for t in self.trays if not t.kind.manual)
                self.board.tray(place + 1, tray.sheets, out, self.now)
                if out:
                    self.stops.add("paper")

    # --- what people do -----------------------------------------------------------------------------------------

    def jam(self, hours: float) -> None:
        """Paper jams now; somebody clears it after so many working hours."""
        self.stops.add("jam")
        self.counts.jams += 1
        self.version += 1
        self.board.jam(self.now)
        self.tell("jam")
        self._later(rhythm.staffed(self.now, max(0.03, hours), self.zone), "clear")

    def _cleared(self, _: str = "") -> None:
        if "jam" in self.stops:
            self.stops.discard("jam")
            self.board.close("jam")
            self.version += 1
            self.tell("cleared")

    def clear(self) -> None:
        """Clear the jam now."""
        self._cleared()

    def _staff_swaps(self, key: str) -> None:
        if self.tended:
            self.swap(key)

    def fit(self, key: str, left: float = 1.0, *, reset: bool = True) -> None:
        """Fit one of which this share is good. The counter of a part that counts pages is set back if ``reset``."""
        old = self.lives[key]
        shown = old.shown if old.part.wears == "pages" and not reset else left
        self.tell(
            "swap", key, left=old.left, shown=old.shown, pages=old.pages, early=old.left > 0.0,
            lateReset=shown != left, number=old.number,
        )  # fmt: skip
        new = self._new_life(old.part, old.number + 1)
        new.left, new.shown = left, shown
        self.lives[key] = new
        self.stops.discard(key)
        self.version += 1
        self.board.supply(new.part, self._places[key], shown, self.now)

    def swap(self, key: str) -> None:
        """Fit a new one now. Of the parts that count pages, a share has its counter reset only days later."""
        old = self.lives[key]
        late = old.part.wears == "pages" and self.rng.random() < 0.3
        self.tell(
            "swap", key, left=old.left, shown=old.shown, pages=old.pages, early=old.left > 0.0, lateReset=late,
            number=old.number,
        )  # fmt: skip
        new = self._new_life(old.part, old.number + 1)
        new.shown = old.shown if late else 1.0
        self.lives[key] = new
        self.stops.discard(key)
        self.version += 1
        if late:
            self._later(rhythm.staffed(self.now, self.rng.uniform(3, 36), self.zone), "reset", key)
        else:
            self.board.supply(new.part, self._places[key], 1.0, self.now)

    def reset_gauge(self, key: str) -> None:
        """The printer takes the part for new from now on."""
        self.lives[key].shown = 1.0
        self.board.supply(self.lives[key].part, self._places[key], 1.0, self.now)
        self.version += 1
        self.tell("counterReset", key)

    def _refill(self, place: str) -> None:
        tray = self.trays[int(place)]
        tray.called = False
        missing = tray.kind.holds - tray.sheets
        tray.sheets += missing if missing < 500 or self.rng.random() < 0.5 else 500
        self.stops.discard("paper")
        self.board.close(f"tray:{int(place) + 1}")
        self.version += 1
        self.tell("refill", place)

    def calibrate(self) -> None:
        """It calibrates now, which takes two minutes of its time and a little ink."""
        self.counts.to_calibration = self.kind.pages_a_calibration * self.rng.uniform(0.85, 1.15)
        for life in self.lives.values():
            if life.part.wears == "ink" and life.left > life.swap_below:
                life.left = max(0.0, life.left - 0.0008)
                life.shown = max(0.0, life.shown - 0.0008)
        self.board.calibrating(self.now)
        self.version += 1
        self._later(self.now + 120.0, "calibrated")

    def _calibrated(self, _: str) -> None:
        self.board.close("calibrating")
        self.version += 1
        self.tell("calibrated")

    def _switch_off(self, _: str = "") -> None:
        if self.on:
            self.on = False
            self.version += 1
            self.tell("off")

    def _switch_on(self, _: str = "") -> None:
        if self.on:
            return
        self.on = True
        self.booted = self.now
        self.boots += 1
        self.counts.since_on = 0
        self.version += 1
        self.tell("on")
        self.board = alerts.Board()  # prtAlertIndex starts at 1 and the critical events at 0 after a power cycle
        for key, life in self.lives.items():
            self.board.supply(life.part, self._places[key], life.shown, self.now)
        if "jam" in self.stops:
            self.board.jam(self.now)

    def switch(self, *, on: bool) -> None:
        """Unplug it or plug it in now."""
        (self._switch_on if on else self._switch_off)()

    def set_left(self, key: str, left: float) -> None:
        """From now on this share of a supply is left, and the printer shows it."""
        life = self.lives[key]
        life.left = life.shown = min(1.0, max(0.0, left))
        if left > 0.0:
            self.stops.discard(key)
        self.version += 1
        self.tell("levelSet", key, left=life.left)
        self._look_at(life)

    def reset_life(self, value: int) -> None:
        """The life counter starts anew at ``value``, as after a change of its board."""
        self.counts.life = value
        self.version += 1
        self.tell("lifeReset", "life", value=value)

    def become_another(self, who: Identity) -> None:
        """Another printer of the same kind takes its place: new supplies, hardly any pages."""
        self.tell("exchanged", serial=who.serial)
        self.who = who
        self.counts = Counts(life=12, since_on=12, sheets=12, to_calibration=self.kind.pages_a_calibration)
        self.lives = {key: self._new_life(life.part, life.number + 1) for key, life in self.lives.items()}
        self.stops.clear()
        self.board = alerts.Board()
        self.booted = self.now
        self.boots = 1
        self.version += 1

    # --- lives --------------------------------------------------------------------------------------------------

    def _new_life(self, part: Part, number: int) -> Life:
        rng = random.Random(f"{self.seed}/{part.key}/{number}")
        inked = part.wears != "pages"
        burn = rng.lognormvariate(0.0, 0.13 if inked else 0.06)
        early = rng.random() < 0.6
        below = rng.uniform(0.0, 0.12)
        if part.supply_class == FILLED:
            below *= 0.5
        return Life(
            part, rate=burn / part.lasts, gauge=rng.uniform(0.95, 1.05) if part.wears == "ink" else 1.0,
            swap_below=below if early else 0.0, number=number,
        )  # fmt: skip

    def _mid_life(self, part: Part) -> Life:
        life = self._new_life(part, 0)
        life.left = life.shown = self.rng.uniform(max(0.14, life.swap_below + 0.02), 1.0)
        life.pages = int((1.0 - life.left) / life.rate)
        return life

    def _some_sheets(self, tray: TrayKind) -> int:
        return 0 if tray.manual else int(tray.holds * self.rng.uniform(0.3, 1.0))
