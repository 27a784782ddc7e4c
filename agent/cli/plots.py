"""Plots of one printer, in the terminal (plotext) or as a file (matplotlib): levels with what lies ahead, use, lives.

The terminal plot is text without colour: lines differ by their signs. A file is PNG, SVG or PDF by its ending.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from agent.drawing import Kind, drawn, lettering, more_signs
from agent.model.day_words import day_words
from agent.model.failure import Failure
from agent.model.insight import DRY, EARLY, STILL_IN
from agent.model.reading import Mark
from agent.model.zones import zone_of

if TYPE_CHECKING:
    from agent.model.fleet import CounterTrack, LevelPoint, PrinterHistory
    from agent.model.insight import Forecast, Insight

BACK = timedelta(days=120)
KINDS: dict[str, Kind] = {".pdf": "pdf", ".png": "png", ".svg": "svg"}
_HEIGHT = 16
_BOX = str.maketrans("┌┐└┘─│┤├┬┴┼", "++++-|+++++")
_ENDS = {DRY: "ran dry", EARLY: "swapped early", STILL_IN: "still in"}
_COLOURS = {"o": "#30475e", "#": "#c0562f", ".": "#c99a7c", "=": "#6b8f71"}
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


class PlotFailure(Failure):
    """A plot could not be written. The text says which, why, and what to do."""

    status = 2


@dataclass(frozen=True, slots=True)
class Line:
    """Points joined in order. ``at``: moments in POSIX seconds; ``sign``: how they look in a terminal."""

    label: str
    at: tuple[float, ...]
    value: tuple[float, ...]
    sign: str = "o"


@dataclass(frozen=True, slots=True)
class Curves:
    """Lines over time. ``most``: the top of the scale, or None; ``zone``: in which the dates are told."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    zone: str
    most: float | None = None


@dataclass(frozen=True, slots=True)
class Bars:
    """A bar for each label."""

    title: str
    unit: str
    labels: tuple[str, ...]
    values: tuple[float, ...]


Picture = Curves | Bars


def levels(history: PrinterHistory, insight: Insight, as_of: datetime) -> list[Picture]:
    """For each supply: the levels shown in the last 120 days, and the lines to the days on which it may be empty."""
    made: list[Picture] = []
    for track, forecast in zip(history.supplies, insight.forecasts, strict=False):
        lines = [_shown(track.points, as_of), *_fan(forecast, as_of)]
        kept = tuple(line for line in lines if line.at)
        if kept:
            told = f": {forecast.reason}" if forecast.reason else ""
            title = _clean(f"{history.printer.name}, {forecast.supply}{told}")
            made.append(Curves(title, "%", kept, history.printer.place.zone, 100.0))
    return made


def _shown(points: Sequence[LevelPoint], as_of: datetime) -> Line:
    at: list[float] = []
    value: list[float] = []
    for point in points:
        share = _share(point)
        if share is None or point.at > as_of:
            continue
        moment = max(point.at, as_of - BACK).timestamp()
        if point.at < as_of - BACK:  # what it showed when the plot begins
            at, value = [moment], [share]
            continue
        if value:  # it showed the value before until now
            at.append(moment)
            value.append(value[-1])
        at.append(moment)
        value.append(share)
    if at:
        at.append(as_of.timestamp())
        value.append(value[-1])
    return Line("shown", tuple(at), tuple(value))


def _share(point: LevelPoint) -> float | None:
    """The level in percent of the capacity; None where no number was shown."""
    if isinstance(point.level, Mark):
        return None
    room = 100 if isinstance(point.capacity, Mark) or point.capacity <= 0 else point.capacity
    return min(100.0, 100.0 * point.level / room)


def _fan(forecast: Forecast, as_of: datetime) -> list[Line]:
    if forecast.empty is None or forecast.level is None:
        return []
    now, high = as_of.timestamp(), 100.0 * forecast.level
    made = []
    for label, chance, sign in (("P10 and P90", 0.1, "."), ("", 0.9, "."), ("P50", 0.5, "#")):
        end = forecast.empty.moment(chance).timestamp()
        made.append(Line(label, (now, max(now, end)), (high, 0.0), sign))
    return made


def use(history: PrinterHistory, insight: Insight, as_of: datetime) -> list[Picture]:
    """Impressions of each day of the last 120 with the level of use, and the shape of the week."""
    made: list[Picture] = []
    zone = history.printer.place.zone
    for usage in insight.usage:
        track = next((one for one in history.counters if one.name == usage.counter), None)
        if track is None:
            continue
        days = _by_day(history, track, as_of)
        lines = [Line(f"{usage.unit} a day", tuple(days), tuple(days.values()))] if days else []
        if lines and usage.per_workday is not None:
            ends = (min(days), max(days))
            lines.append(Line("an ordinary workday now", ends, (usage.per_workday, usage.per_workday), "#"))
        if lines:
            title = _clean(f"{history.printer.name}, counter {usage.counter}")
            made.append(
                Curves(title, usage.unit, tuple(lines), zone, 1.05 * max(max(one.value) for one in lines) or 1.0)
            )
        if usage.per_workday is not None:
            week = tuple(usage.per_workday * factor for factor in usage.weekday)
            made.append(
                Bars(_clean(f"{history.printer.name}, {usage.unit} by day of the week"), usage.unit, _DAYS, week)
            )
    return made


def _by_day(history: PrinterHistory, track: CounterTrack, as_of: datetime) -> dict[float, float]:
    """Day (its noon, POSIX) -> what was counted until its last reading. Days on which nobody asked are left out."""
    zone = zone_of(history.printer.place.zone)
    first, end = (as_of - BACK).astimezone(zone).date(), as_of.astimezone(zone).date()
    last: dict[date, int] = {}
    for point in track.points:
        if point.at <= as_of:
            last[point.at.astimezone(zone).date()] = point.value
    days = list(last)
    runs = [
        (run.first.astimezone(zone).date(), run.last.astimezone(zone).date())
        for run in history.contacts
        if run.reachable
    ]
    made = {
        day: float(last[day] - last[before])
        for before, day in pairwise(days)
        if day >= first and last[day] >= last[before]  # a counter that fell says nothing of that day
    }
    for many in range((end - first).days + 1):
        day = first + timedelta(days=many)
        if day not in last and days and day > days[0] and any(begin <= day <= stop for begin, stop in runs):
            made[day] = 0.0
    return {datetime(day.year, day.month, day.day, 12, tzinfo=zone).timestamp(): made[day] for day in sorted(made)}


def lives(history: PrinterHistory, insight: Insight) -> list[Picture]:
    """For each supply: the impressions of each of its lives."""
    made: list[Picture] = []
    for key in dict.fromkeys(life.supply for life in insight.lives):
        own = [life for life in insight.lives if life.supply == key and life.impressions is not None]
        if own:
            labels = tuple(f"{life.number} {_ENDS.get(life.ended, 'not known')}" for life in own)
            values = tuple(float(life.impressions or 0) for life in own)
            title = _clean(f"{history.printer.name}, {key}: impressions of each life")
            made.append(Bars(title, "impressions", labels, values))
    return made


def _clean(text: str) -> str:
    """What came from a printer, without anything that could steer a terminal."""
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)


def as_text(pictures: Sequence[Picture], width: int, *, ascii_only: bool = False) -> str:
    """The plots one below the other, without colour. ``ascii_only``: for terminals without box characters."""
    text = "\n".join(_curves(one, width) if isinstance(one, Curves) else _bars(one, width) for one in pictures)
    return text.translate(_BOX).encode("ascii", "replace").decode() if ascii_only else text


def _curves(one: Curves, width: int) -> str:
    import plotext

    drawn: Any = plotext.figure
    drawn.clear()
    drawn.plot_size(max(40, min(width, 120)), _HEIGHT)
    for line in one.lines:
        signal = drawn.signal(list(line.at), list(line.value), marker=line.sign)
        signal.lines()
        drawn.draw(signal)
    spots = _ticks(one)
    drawn.ruler("x").ticks(spots, [_day(at, spots[0], one.zone) for at in spots])
    if one.most is not None:
        drawn.ruler("y").lim(0, one.most)
    text = str(plotext.uncolorize(str(drawn.build())))
    drawn.clear()
    key = "   ".join(f"{line.sign} {line.label}" for line in one.lines if line.label)
    return f"{one.title} ({one.unit})\n{text}\n{key}\n"


def _bars(one: Bars, width: int) -> str:
    """Bars that lie, with their numbers: what a long label needs, and plain enough without a library."""
    most = max((*one.values, 1e-9))
    wide = max(len(label) for label in one.labels)
    room = max(10, min(width, 120) - wide - 14)
    rows = [
        f"{label:<{wide}}  {'#' * round(room * value / most):<{room}}  {value:>9,.0f}"
        for label, value in zip(one.labels, one.values, strict=True)
    ]
    return "\n".join((one.title, *rows, ""))


def _ticks(one: Curves) -> list[float]:
    first = min(line.at[0] for line in one.lines)
    last = max(line.at[-1] for line in one.lines)
    return [first + (last - first) * part / 4 for part in range(5)]


def _day(at: float, first: float, zone: str) -> str:
    """The day, with its year where that is not the one of the first day."""
    there = zone_of(zone)
    return day_words(datetime.fromtimestamp(at, there), datetime.fromtimestamp(first, there))


def save(pictures: Sequence[Picture], path: Path) -> None:
    """Write the plots into one file, one below the other. Raises PlotFailure."""
    kind = KINDS.get(path.suffix.lower())
    if kind is None:
        raise PlotFailure(f"{path}: an image is written as {', '.join(KINDS)}; give the file one of these endings")

    def draw(figure: Any) -> None:
        for axes, one in zip(figure.subplots(len(pictures), squeeze=False)[:, 0], pictures, strict=True):
            (_draw_curves if isinstance(one, Curves) else _draw_bars)(axes, one)
            axes.set_title(one.title, loc="left", fontsize=10)
            axes.spines[["top", "right"]].set_visible(False)

    letters = lettering(more_signs()) if kind != "svg" else {}
    made = drawn(draw, (9, 3 * len(pictures)), kind, dots=100, style=letters, layout="constrained")
    try:
        path.write_bytes(made)
    except OSError as problem:
        raise PlotFailure(f"{path} could not be written: {problem.strerror or problem}") from None


def _draw_curves(axes: Any, one: Any) -> None:
    from matplotlib import dates

    there: Any = dates  # it has no types
    zone, first = zone_of(one.zone), min(line.at[0] for line in one.lines)
    places = there.AutoDateLocator(zone, minticks=3, maxticks=7)
    axes.xaxis.set_major_locator(places)
    axes.xaxis.set_major_formatter(lambda place, _: _day(there.num2date(place, zone).timestamp(), first, one.zone))
    for line in one.lines:
        moments = [datetime.fromtimestamp(at, UTC).astimezone(zone) for at in line.at]
        style = "--" if line.sign == "." else "-"
        axes.plot(moments, line.value, style, color=_COLOURS.get(line.sign, "#444"), label=line.label or None)
    if one.most is not None:
        axes.set_ylim(0, one.most * 1.02)
    axes.set_ylabel(one.unit)
    axes.legend(frameon=False, fontsize=8)


def _draw_bars(axes: Any, one: Any) -> None:
    axes.barh(range(len(one.values)), one.values, color=_COLOURS["o"])
    axes.set_yticks(range(len(one.labels)), one.labels)
    axes.invert_yaxis()
    axes.set_xlabel(one.unit)
