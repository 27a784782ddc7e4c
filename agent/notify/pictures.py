"""The pictures of the fleet letter, drawn by matplotlib: PNG, twice as fine as they are shown, quiet to look at.

A name whose signs no font of the machine has is left to the text of the letter, which has its things in the same order.
Colours are not the only sign: what matters also differs in shape or is written beside it.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

from agent.drawing import can_draw, drawn, lettering
from agent.model.week import Week
from agent.notify.written import Locale

WIDE = 6.4
"""Inches; at 200 dots an inch twice the 640 points at which mail programs show them."""
DOTS = 200
TEAL, SLATE, AMBER, PALE = "#0a7c8c", "#1c2526", "#b45309", "#c9d2d4"
MOST_LINES = 18
_STYLE = {"font.size": 9, "text.color": SLATE, "axes.labelcolor": SLATE, "xtick.color": SLATE, "ytick.color": SLATE}


def run_outs(week: Week, locale: Locale, more: Path | None = None) -> bytes:
    """What runs out in the week to come: for each the likeliest day, and the span that holds 8 chances in 10.

    ``more``: a font for signs that the usual one does not have.
    """
    some = week.coming[:MOST_LINES]
    first = week.until.date()
    last = first + timedelta(days=9)
    names = [_named(f"{one.printer}: {one.part}", at, more) for at, one in enumerate(some, 1)]

    def draw(axes: Any) -> None:
        for at, one in enumerate(some):
            begin, end = _day(one.p10, first), _day(one.p90, first)
            open_end = end > _day(last, first)
            axes.plot([max(begin, -0.3), min(end, 9.3)], [at, at], color=TEAL, linewidth=5, alpha=0.35,
                      solid_capstyle="butt")  # fmt: skip
            middle = _day(one.p50, first)
            if middle <= 9.3:
                axes.plot([max(middle, -0.3)], [at], marker="D", color=TEAL, markersize=6)
            if open_end:
                axes.annotate("→", (9.3, at), va="center", ha="left", color=TEAL)
        axes.set_yticks(range(len(some)), names)
        axes.invert_yaxis()
        axes.set_xlim(-0.4, 9.8)
        axes.set_ylim(len(some) - 0.4, -0.6)
        axes.set_xticks(range(10), [locale.short(first + timedelta(days=n)) if n % 2 == 0 else "" for n in range(10)])
        axes.axvline(7, color=SLATE, linewidth=0.8, linestyle=":")
        axes.grid(axis="x", color=PALE, linewidth=0.6)

    return _drawn(draw, 0.9 + 0.32 * max(1, len(some)), more)


def pages(week: Week, locale: Locale, more: Path | None = None) -> bytes:
    """Impressions of each site: this week's bar, and a mark where the week before ended."""
    some = week.pages[:MOST_LINES]
    names = [_named(one.site or "no site", at, more) for at, one in enumerate(some, 1)]

    def draw(axes: Any) -> None:
        most = max([1, *(max(one.pages, one.before) for one in some)])
        for at, one in enumerate(some):
            axes.barh(at, one.pages, height=0.55, color=TEAL)
            axes.plot([one.before, one.before], [at - 0.42, at + 0.42], color=AMBER, linewidth=2)
            axes.text(max(one.pages, one.before) + most * 0.015, at, locale.number(one.pages), va="center", color=SLATE)
        axes.set_yticks(range(len(some)), names)
        axes.invert_yaxis()
        axes.set_xlim(0, most * 1.16)
        axes.set_ylim(len(some) - 0.4, -0.6)
        axes.xaxis.set_major_formatter(lambda value, _: locale.number(round(value)))
        axes.locator_params(axis="x", nbins=5, integer=True)
        axes.grid(axis="x", color=PALE, linewidth=0.6)

    return _drawn(draw, 0.8 + 0.42 * max(1, len(some)), more)


def alarms(week: Week, locale: Locale) -> bytes:
    """How many alarms people heard on each day; the last seven days are those of the letter."""
    days = week.per_day

    def draw(axes: Any) -> None:
        for at, (_, count) in enumerate(days):
            recent = at >= len(days) - 7
            axes.bar(at, count, width=0.7, color=TEAL if recent else PALE)
            if recent and count:
                axes.text(at, count, f"{count}", ha="center", va="bottom", color=SLATE, fontsize=8)
        shown = range(len(days) - 1, -1, -7)
        axes.set_xticks(list(shown), [locale.short(days[at][0]) for at in shown])
        axes.set_ylim(0, max([1, *(count for _, count in days)]) * 1.18)
        axes.locator_params(axis="y", nbins=4, integer=True)
        axes.grid(axis="y", color=PALE, linewidth=0.6)

    return _drawn(draw, 1.9)


def _day(at: date, first: date) -> float:
    return float((at - first).days)


def _named(text: str, number: int, more: Path | None, longest: int = 34) -> str:
    if not can_draw(text, more):
        return f"number {number} in the text"
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _drawn(draw: Any, high: float, more: Path | None = None) -> bytes:
    def on(figure: Any) -> None:
        axes = figure.subplots()
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        axes.spines["bottom"].set_color(PALE)
        axes.tick_params(length=0)
        axes.set_axisbelow(True)
        draw(axes)

    return drawn(
        on, (WIDE, min(8.0, high)), "png", dots=DOTS, style={**_STYLE, **lettering(more)}, layout="constrained"
    )
