"""How the charts of the pages look: drawn by matplotlib, as SVG that is light on paper and dark where the reader is.

A drawing says all of its looks in attributes, in the light colours of the style sheet; a sheet inside of it, always the
same one, puts the dark colours in their places. So it needs nothing that the Content-Security-Policy forbids.
"""

from __future__ import annotations

import base64
import hashlib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any
from xml.etree import ElementTree as ET

from agent.drawing import POINTS, drawn
from agent.model.zones import zone_of
from agent.web import locales, look
from agent.web.charts import Chart, LevelChart, VolumeChart, round_days
from agent.web.words import near_day, number

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_FONT = '"Liberation Sans", "Helvetica Neue", Arial, sans-serif'
_TEXT = 12.0
_DAY = 86_400.0
_SIZE = re.compile(r"([0-9.]+)px")
ET.register_namespace("", _SVG[1:-1])
ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")


@dataclass(frozen=True, slots=True)
class Form:
    """A size of drawing, in units that are CSS pixels where it is shown as large as it is. ``ticks``: dates at most."""

    wide: int
    high: int
    ticks: int
    left: float = 46.0
    right: float = 32.0
    top: float = 22.0
    bottom: float = 26.0


WIDE = Form(660, 172, 7)
NARROW = Form(360, 196, 4)
"""For a phone, on which the wide one could not be read."""


@lru_cache(maxsize=1)
def palettes() -> tuple[dict[str, str], dict[str, str]]:
    """The colours of the style sheet by name, as ``#rrggbb``: those of the day, and those of the night."""
    blocks = re.findall(r":root \{([^}]*)\}", look.style().decode())
    light, dark = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})\b", block)) for block in blocks[:2])
    return light, dark


def svg(chart: Chart, form: Form, title: str) -> bytes:
    """The drawing. ``title``: what it is of, for whoever opens it by itself."""
    ink = palettes()[0]

    def draw(figure: Any) -> None:
        axes = figure.add_axes((
            form.left / form.wide, form.bottom / form.high, (form.wide - form.left - form.right) / form.wide,
            (form.high - form.top - form.bottom) / form.high,
        ))  # fmt: skip
        axes.patch.set_visible(False)
        if isinstance(chart, LevelChart):
            _levels(axes, chart, form, ink)
        else:
            _volume(axes, chart, form, ink)

    style = {
        "font.size": _TEXT, "text.color": ink["soft"], "hatch.color": ink["soft"], "hatch.linewidth": 1.0,
    }  # fmt: skip
    size = (form.wide / POINTS, form.high / POINTS)
    return _plain(drawn(draw, size, "svg", ground="none", style=style), form, title)


def source() -> str:
    """The Content-Security-Policy source of the sheet inside each drawing (CSP Level 2, hash source)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(_sheet().encode()).digest()).decode()}'"


@lru_cache(maxsize=1)
def _sheet() -> str:
    """The dark colours, each in the place of a light one."""
    light, dark = palettes()
    rules = "".join(
        f'[fill="{light[name]}"]{{fill:{dark[name]}}}[stroke="{light[name]}"]{{stroke:{dark[name]}}}'
        for name in ("ink", "soft", "rule", "band", "accent", "warn")
    )
    return f":root{{color-scheme:light dark}}@media screen and (prefers-color-scheme:dark){{{rules}}}"


# --- what is drawn ------------------------------------------------------------------------------------------------


def _levels(axes: Any, chart: LevelChart, form: Form, ink: dict[str, str]) -> None:
    def x(at: float) -> float:
        return (at - chart.begin) / _DAY

    end = max(x(chart.end), 1.04 * x(chart.now))
    axes.set_xlim(0, end)
    axes.set_ylim(0, 1)
    _frame(axes, ink, [0.0, 0.5, 1.0], [locales.share(share) for share in (0, 0.5, 1)])
    zone = zone_of(chart.zone)
    first = datetime.fromtimestamp(chart.begin, zone).date()
    last = datetime.fromtimestamp(chart.begin + end * _DAY, zone).date()
    today = datetime.fromtimestamp(chart.now, zone).date()
    places = [(x(datetime(on.year, on.month, on.day, tzinfo=zone).timestamp()), on)
              for on in round_days(first, last, form.ticks)]  # fmt: skip
    _dates(axes, places, end, today.year, form, ink)
    for begin, until in chart.vague:
        axes.axvspan(x(begin), x(until), facecolor=ink["band"], edgecolor=ink["rule"], hatch="//", gid="vague")
    if chart.fan is not None:
        for corners, alpha, gid in ((chart.fan.wide, 0.2, "fan"), (chart.fan.narrow, 0.35, "fan-narrow")):
            axes.fill([x(at) for at, _ in corners], [share for _, share in corners], facecolor=ink["accent"],
                      edgecolor="none", alpha=alpha, gid=gid)  # fmt: skip
        axes.plot([x(at) for at, _ in chart.fan.middle], [share for _, share in chart.fan.middle],
                  color=ink["accent"], linewidth=1.6, dashes=(3.2, 2), gid="middle")  # fmt: skip
    if chart.low is not None:
        axes.axhline(chart.low, color=ink["warn"], linewidth=1.3, dashes=(1.2, 2.2), gid="low")
        _say(axes, "low", (1, chart.low), (4, 0), axes.get_yaxis_transform(), color=ink["warn"])
    _lives(axes, [(x(at), which) for at, which in sorted(chart.fitted)], x(chart.now), ink["soft"],
           end / (form.wide - form.left - form.right))  # fmt: skip
    axes.plot([x(at) for at, _ in chart.shown], [share for _, share in chart.shown], drawstyle="steps-post",
              color=ink["ink"], linewidth=1.6, clip_on=False, gid="level")  # fmt: skip
    axes.axvline(x(chart.now), ymax=1.05, color=ink["ink"], linewidth=1.8, clip_on=False, gid="now")
    _say(axes, chart.moment, (x(chart.now), 1), (3, 8), axes.get_xaxis_transform(), weight="bold", color=ink["ink"])


def _lives(axes: Any, fitted: Sequence[tuple[float, int]], now: float, colour: str, unit: float) -> None:
    """Where new ones were fitted: upright lines with an arrow head, and the number of the life on top.

    ``unit``: of the drawing, in days. Of numbers that would stand over each other the last is told; all stand in the
    table of lives.
    """
    for place, (x, which) in enumerate(fitted):
        axes.plot([x, x], [0, 1], color=colour, linewidth=1, marker=(3, 0, 180), markevery=[1], markersize=7,
                  clip_on=False, gid="fitted")  # fmt: skip
        after = fitted[place + 1][0] if place + 1 < len(fitted) else math.inf
        text = number(which)
        if after - x > 8 * len(text) * unit:
            # It steps aside for the word now.
            off, ha = ((-5, 8), "right") if now - x < 12 * unit else ((0, 12), "center")
            _say(axes, text, (x, 1), off, axes.get_xaxis_transform(), ha=ha)


def _volume(axes: Any, chart: VolumeChart, form: Form, ink: dict[str, str]) -> None:
    days = chart.days
    axes.set_xlim(0, len(days))
    axes.set_ylim(0, chart.top)
    _frame(axes, ink, [0.0, chart.top / 2, chart.top], [number(chart.top * share) for share in (0, 0.5, 1)])
    first, last = days[0].on, days[-1].on
    places = [((on - first).days, on) for on in round_days(first, last + timedelta(days=1), form.ticks)]
    _dates(axes, places, len(days), last.year, form, ink)
    one = (form.wide - form.left - form.right) / len(days)
    gap = 0.5 / one if one > 4 else 0.08
    beneath = -chart.top * 5 / (form.high - form.top - form.bottom)
    kinds: dict[str, list[tuple[float, float, float]]] = {"workday": [], "weekend": [], "unheard": []}
    for place, day in enumerate(days):
        kind = "unheard" if day.pages is None else "weekend" if day.on.weekday() >= 5 else "workday"
        kinds[kind].append((place + gap, place + 1 - gap, beneath if day.pages is None else day.pages))
    looks: dict[str, dict[str, Any]] = {
        "workday": {"facecolor": ink["accent"], "edgecolor": "none"},
        "weekend": {"facecolor": "none", "edgecolor": ink["accent"], "linewidth": 1.0},
        "unheard": {"facecolor": ink["soft"], "edgecolor": "none", "clip_on": False},
    }
    for kind, columns in kinds.items():
        if columns:
            axes.add_patch(_columns(columns, {**looks[kind], "gid": kind}))


def _columns(columns: Sequence[tuple[float, float, float]], style: dict[str, Any]) -> Any:
    """Columns (left, right, height) as one path: hundreds of patches would take long."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    corners: list[tuple[float, float]] = []
    for left, right, high in columns:
        corners += [(left, 0), (left, high), (right, high), (right, 0), (left, 0)]
    codes = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY] * len(columns)
    return PathPatch(Path(corners, codes), **style)


def _frame(axes: Any, ink: dict[str, str], heights: Sequence[float], texts: Sequence[str]) -> None:
    """The lines across, with their numbers. Not by the axes' own ticks, which take most of the time of a chart."""
    axes.set_axis_off()
    across = axes.get_yaxis_transform()
    axes.hlines(heights, 0, 1, transform=across, color=ink["rule"], linewidth=0.8, clip_on=False, zorder=0)
    for height, text in zip(heights, texts, strict=True):
        _say(axes, text, (0, height), (-6, 0), across, ha="right")


def _say(axes: Any, text: str, at: tuple[float, float], off: tuple[float, float], of: Any, **style: Any) -> None:
    """A word so many units right of a place and above it. ``of``: in whose terms the place is."""
    axes.annotate(text, at, off, xycoords=of, textcoords="offset points", va="center", annotation_clip=False, **style)


def _dates(
    axes: Any, places: Sequence[tuple[float, date]], end: float, year: int, form: Form, ink: dict[str, str]
) -> None:
    """Name the days; the year is told once, where it becomes another one."""
    unit = end / (form.wide - form.left - form.right)
    kept = [(x, on) for x, on in places if 10 * unit <= x <= end - 10 * unit]
    beneath = axes.get_xaxis_transform()
    axes.vlines([x for x, _ in kept], -5 / (form.high - form.top - form.bottom), 0, transform=beneath,
                color=ink["soft"], linewidth=1, clip_on=False)  # fmt: skip
    told = year if kept and kept[0][1].year == year else 1
    for x, on in kept:
        _say(axes, near_day(on, date(told, 1, 1)), (x, 0), (0, -14), beneath, ha="center")
        told = on.year


# --- from matplotlib's SVG to one for a strict page ---------------------------------------------------------------


def _plain(made: bytes, form: Form, title: str) -> bytes:
    root = ET.fromstring(made)  # noqa: S314 - of our own making
    for one in root.iter():
        style = one.attrib.pop("style", "")
        for name, _, value in (part.partition(":") for part in style.split(";") if part):
            _attribute(one, name.strip(), value.strip())
        if one.get("transform", "").startswith("rotate(-0 "):
            del one.attrib["transform"]
        if "d" in one.attrib:
            one.set("d", " ".join(one.attrib["d"].split()))
        if one.tag != f"{_SVG}text":
            one.text = None
        one.tail = None
    for own in root.findall(f"{_SVG}defs"):
        if own.find(f"{_SVG}style") is not None:
            root.remove(own)
    root.set("width", str(form.wide))
    root.set("height", str(form.high))
    root.set("font-family", _FONT)
    root.set("stroke-linejoin", "round")
    sheet = ET.Element(f"{_SVG}style")
    sheet.text = _sheet()
    named = ET.Element(f"{_SVG}title")
    named.text = title
    root[:0] = [named, sheet]
    return bytes(ET.tostring(root, "utf-8"))


def _attribute(one: ET.Element, name: str, value: str) -> None:
    """A property of an inline style as the attribute of the same name (SVG 2, presentation attributes)."""
    if name == "font":  # a shorthand, which is no attribute; families are those of the page
        found = _SIZE.search(value)
        one.set("font-size", found[1] if found else f"{_TEXT:g}")
        if "bold" in value or "700" in value:
            one.set("font-weight", "700")
    elif name == "font-size":
        one.set(name, value.removesuffix("px"))
    elif name != "font-family":
        one.set(name, value)
