"""Where the lines and bars of a chart go: histories and forecasts as numbers in the space of a drawing.

A drawing is ``WIDE`` x ``HIGH`` units; x runs with time, y downwards, as in SVG. Templates draw what stands here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from agent.model.fleet import LevelPoint, PrinterHistory, SupplyTrack
from agent.model.insight import Forecast, Insight, Life
from agent.model.reading import Mark
from agent.model.zones import zone_of
from agent.web.volume import Day
from agent.web.words import near_day, number

WIDE, HIGH = 720.0, 170.0
LEFT, RIGHT, TOP, BOTTOM = 56.0, 10.0, 20.0, 28.0
"""Room for the numbers beside the drawing and the dates beneath it."""
_TICKS = 7
_COLUMNS = 500
_GRID = 8
_FURTHEST = timedelta(days=100)
"""A forecast is drawn at most so far, however far it goes; what is beyond is told in words."""


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark of an axis: where, and what it says."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Fan:
    """A forecast: ``wide`` holds 80 % of what may come, ``narrow`` 40 %; ``middle`` is the median. SVG points."""

    wide: str
    narrow: str
    middle: str


@dataclass(frozen=True, slots=True)
class LevelChart:
    """The level of one supply over time. ``lines``: SVG points of each stretch in which a number was shown.

    ``vague``: (x, width) of stretches where only "some" was shown. ``fitted``: where a new one was fitted.
    ``now``: where the past ends.
    """

    lines: tuple[str, ...]
    vague: tuple[tuple[float, float], ...]
    fan: Fan | None
    fitted: tuple[Tick, ...]
    low: float | None
    now: float
    x: tuple[Tick, ...]
    y: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One day of a volume chart. ``kind``: workday, weekend, or unheard (a day of which nothing is known)."""

    x: float
    y: float
    width: float
    height: float
    kind: str
    title: str


@dataclass(frozen=True, slots=True)
class VolumeChart:
    """Pages by day."""

    columns: tuple[Column, ...]
    x: tuple[Tick, ...]
    y: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class Times:
    """The time that the charts of one page show: ``begin`` .. ``now`` is past, ``now`` .. ``end`` is expected."""

    begin: datetime
    now: datetime
    end: datetime
    zone: str

    @property
    def today(self) -> date:
        """The day at the site."""
        return self.now.astimezone(zone_of(self.zone)).date()


@dataclass(frozen=True, slots=True)
class Scale:
    """Time as x."""

    begin: datetime
    end: datetime

    def x(self, at: datetime) -> float:
        """Where a moment lies, kept inside the drawing."""
        whole = max(1.0, (self.end - self.begin).total_seconds())
        share = min(1.0, max(0.0, (at - self.begin).total_seconds() / whole))
        return round(LEFT + share * (WIDE - LEFT - RIGHT), 1)


def y_of(share: float) -> float:
    """Where a share 0..1 lies."""
    return round(TOP + (1 - min(1.0, max(0.0, share))) * (HIGH - TOP - BOTTOM), 1)


def share_of(point: LevelPoint, unit: str) -> float | None:
    """The share that a point shows; None where it shows no number or no capacity."""
    if isinstance(point.level, Mark):
        return None
    if isinstance(point.capacity, Mark):
        return point.level / 100 if unit == "percent" and point.level <= 100 else None
    return min(1.0, point.level / point.capacity) if point.capacity > 0 else None


def times(history: PrinterHistory, insight: Insight | None, now: datetime, days: int, zone: str) -> Times:
    """The time to show: of the last ``days`` days what is known, and ahead as far as the forecasts go."""
    known = [track.points[0].at for track in history.supplies if track.points]
    begin = max(now - timedelta(days=days), min([*known, now - timedelta(days=7)]))
    spreads = [one.empty for one in insight.forecasts if one.empty is not None] if insight is not None else []
    if not spreads:
        return Times(begin, now, now, zone)
    ahead = max(timedelta(days=7), *(spread.moment(0.9) - now for spread in spreads))
    return Times(begin, now, now + min(ahead, _FURTHEST, max((now - begin), timedelta(days=30))), zone)


def levels(track: SupplyTrack, forecast: Forecast | None, lives: Sequence[Life], shown: Times) -> LevelChart:
    """The chart of one supply, and its forecast."""
    scale = Scale(shown.begin, shown.end)
    lines, vague = _steps(track, scale, shown.begin, shown.now)
    fitted = [
        Tick(scale.x(life.fitted), str(life.number))
        for life in lives
        if life.fitted is not None and life.fitted >= shown.begin
    ]
    threshold = forecast.threshold if forecast is not None else None
    return LevelChart(
        tuple(lines),
        tuple(vague),
        _fan(forecast, scale, shown.now),
        tuple(fitted),
        y_of(threshold) if threshold else None,
        scale.x(shown.now),
        _dates(scale, shown.zone, shown.today),
        tuple(Tick(y_of(share), f"{share:.0%}") for share in (0.0, 0.5, 1.0)),
    )


def _steps(
    track: SupplyTrack, scale: Scale, begin: datetime, now: datetime
) -> tuple[list[str], list[tuple[float, float]]]:
    lines: list[str] = []
    vague: list[tuple[float, float]] = []
    line: list[tuple[float, float]] = []
    points = [point for point in track.points if point.at <= now]
    for place, point in enumerate(points):
        until = points[place + 1].at if place + 1 < len(points) else now
        if until < begin:
            continue
        x, far = scale.x(max(point.at, begin)), scale.x(until)
        share = share_of(point, track.unit)
        if share is None:
            if line:
                lines.append(_drawn(line))
                line = []
            if point.level is Mark.SOME:
                vague.append((x, round(far - x, 1)))
            continue
        y = y_of(share)
        line += [(x, y), (far, y)]
    if line:
        lines.append(_drawn(line))
    return lines, vague


def _drawn(points: Sequence[tuple[float, float]]) -> str:
    """SVG points; of many in one column only the first, the extremes and the last are kept."""
    columns: dict[int, list[tuple[float, float]]] = {}
    for x, y in points:
        columns.setdefault(int(x * _COLUMNS / WIDE), []).append((x, y))
    kept: list[tuple[float, float]] = []
    for some in columns.values():
        if len(some) > 4:
            low, high = min(some, key=lambda one: one[1]), max(some, key=lambda one: one[1])
            some = [some[0], *sorted((low, high), key=some.index), some[-1]]  # noqa: PLW2901 - the shorter one
        kept += some
    return " ".join(f"{x:g},{y:g}" for x, y in kept)


def _fan(forecast: Forecast | None, scale: Scale, now: datetime) -> Fan | None:
    if forecast is None or forecast.empty is None or forecast.level is None:
        return None
    middle = forecast.level
    low = forecast.level_low if forecast.level_low is not None else middle
    high = forecast.level_high if forecast.level_high is not None else middle

    def line(share: float, chance: float) -> list[str]:
        """From ``share`` now straight down to nothing at the moment of that chance, and along the ground."""
        empty = forecast.empty.moment(chance) if forecast.empty is not None else now
        way = max(1.0, (empty - now).total_seconds())
        grid = [now + (min(scale.end, max(empty, now)) - now) * (step / _GRID) for step in range(_GRID + 1)]
        return [f"{scale.x(at):g},{y_of(share * (1 - (at - now).total_seconds() / way)):g}" for at in grid]

    def band(early: float, late: float, below: float, above: float) -> str:
        return " ".join([*line(above, late), *reversed(line(below, early))])

    return Fan(
        band(0.1, 0.9, low, high),
        band(0.3, 0.7, (low + middle) / 2, (high + middle) / 2),
        " ".join(line(middle, 0.5)),
    )


def _dates(scale: Scale, zone: str, today: date) -> tuple[Tick, ...]:
    """Round days as ticks: Mondays, firsts of months ..., at most about seven of them."""
    place = zone_of(zone)
    first, last = scale.begin.astimezone(place).date(), scale.end.astimezone(place).date()
    made = []
    year = today.year if first.year == today.year else 1
    for on in _round_days(first, last):
        at = datetime(on.year, on.month, on.day, tzinfo=place)
        x = scale.x(at)
        if LEFT + 10 <= x <= WIDE - RIGHT - 24:
            # The year is told once, where it becomes another one.
            made.append(Tick(x, near_day(on, date(year, 1, 1))))
            year = on.year
    return tuple(made)


def _round_days(first: date, last: date) -> list[date]:
    days = (last - first).days
    if days < 2 * 31:
        step = next((one for one in (1, 2, 7, 14) if days / one <= _TICKS), 14)
        start = first + timedelta(days=(-first.weekday()) % 7 if step >= 7 else 1)
        return [start + timedelta(days=step * number) for number in range(days // step + 1)]
    months = max(1, round(days / 30.4 / _TICKS))
    made = []
    year, month = first.year, first.month
    while (on := date(year, month, 1)) <= last:
        if on >= first:
            made.append(on)
        year, month = year + (month - 1 + months) // 12, (month - 1 + months) % 12 + 1
    return made


def volume(days: Sequence[Day], zone: str) -> VolumeChart | None:
    """The chart of pages by day; None where nothing is known."""
    known = [one.pages for one in days if one.pages is not None]
    if not known:
        return None
    top = _round_up(max(known))
    whole = (WIDE - LEFT - RIGHT) / len(days)
    columns = []
    for place, one in enumerate(days):
        x = round(LEFT + place * whole, 2)
        width = round(max(0.6, whole - (1 if whole > 4 else 0.2)), 2)
        if one.pages is None:
            columns.append(Column(x, y_of(0.0) - 3, width, 3, "unheard", f"{near_day(one.on, one.on)}: not heard of"))
            continue
        y = y_of(one.pages / top)
        kind = "weekend" if one.on.weekday() >= 5 else "workday"
        since = f" (in {one.gathered} days)" if one.gathered > 1 else ""
        title = f"{one.on:%a} {near_day(one.on, one.on)}: {number(one.pages)} pages{since}"
        columns.append(Column(x, y, width, round(y_of(0.0) - y, 1), kind, title))
    place_of = zone_of(zone)
    first, last = days[0].on, days[-1].on + timedelta(days=1)
    scale = Scale(
        datetime(first.year, first.month, first.day, tzinfo=place_of),
        datetime(last.year, last.month, last.day, tzinfo=place_of),
    )
    marks = tuple(Tick(y_of(share), number(top * share)) for share in (0.0, 0.5, 1.0))
    return VolumeChart(tuple(columns), _dates(scale, zone, days[-1].on), marks)


def _round_up(value: int) -> int:
    """The next number that is easy to halve and read."""
    step = 2
    while True:
        for factor in (1, 2, 3, 5):
            if step * factor >= value:
                return step * factor
        step *= 10
