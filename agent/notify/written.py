"""How letters are written: days and numbers as a locale has them, plain text and HTML side by side.

Everything that came from a printer or a person is made one clean line and escaped before it becomes part of a letter.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from html import escape

from agent.alarms.wording import clean

WIDTH = 76
TIMES = "\u00d7"
"""The multiplication sign: 2 of something."""
_STYLE = {
    "body": "margin:0;padding:0;background:#f4f5f5;color:#1c2526;font:15px/1.5 -apple-system,'Segoe UI',Roboto,"
    "'Helvetica Neue',Arial,sans-serif",
    "sheet": "max-width:680px;margin:0 auto;padding:24px 20px;background:#ffffff",
    "h1": "font-size:21px;line-height:1.25;margin:0 0 4px;padding:0 0 10px;border-bottom:4px solid #0a7c8c",
    "h2": "font-size:16px;margin:26px 0 6px;color:#075966",
    "p": "margin:8px 0",
    "small": "color:#56646a;font-size:13px;margin:6px 0",
    "table": "border-collapse:collapse;width:100%;font-size:14px",
    "th": "text-align:left;font-weight:600;border-bottom:2px solid #c9d2d4;padding:4px 10px 4px 0;"
    "vertical-align:bottom",
    "td": "border-bottom:1px solid #e3e8e9;padding:5px 10px 5px 0;vertical-align:top",
    "img": "display:block;width:100%;max-width:640px;height:auto;margin:10px 0;border:0",
}


class Locale:
    """Days and numbers as one locale writes them (CLDR, by Babel); British English where it is not known."""

    def __init__(self, tag: str) -> None:
        from babel import Locale as Known
        from babel import UnknownLocaleError

        try:
            self._locale = Known.parse(tag.replace("-", "_"))
        except (UnknownLocaleError, ValueError):
            self._locale = Known.parse("en_GB")

    def day(self, at: date, *, weekday: bool = True) -> str:
        """``Wednesday, 25 November 2026``; without the weekday ``25 Nov 2026``."""
        from babel.dates import format_date

        return clean(format_date(at, "full" if weekday else "medium", self._locale), 80)

    def short(self, at: date) -> str:
        """``Wed 25 Nov``: weekday, day and month, short."""
        from babel.dates import format_skeleton

        return clean(format_skeleton("MMMEd", at, locale=self._locale), 40)

    def moment(self, at: datetime) -> str:
        """``25 Nov 2026, 08:14 GMT``, by the clock of the zone that ``at`` is in."""
        from babel.dates import format_time

        clock = format_time(at.time(), "short", locale=self._locale)
        return clean(f"{self.day(at, weekday=False)}, {clock} {at:%Z}", 80)

    def number(self, value: float) -> str:
        """``12,345``."""
        from babel.numbers import format_decimal

        return clean(format_decimal(value, locale=self._locale), 40)

    def share(self, value: float) -> str:
        """``8 %`` or ``8%``: a whole percentage, cut and not rounded up to the next limit."""
        from babel.numbers import format_percent

        return clean(format_percent(int(value * 100 + 1e-9) / 100, locale=self._locale), 20)


class Sheet:
    """A letter while it is written, as plain text and as HTML."""

    def __init__(self, title: str) -> None:
        self._title = clean(title, 200)
        self._plain: list[str] = [self._title, "=" * min(WIDTH, len(self._title)), ""]
        self._html: list[str] = [f'<h1 style="{_STYLE["h1"]}">{escape(self._title)}</h1>']

    def head(self, text: str) -> None:
        """The head of a part."""
        line = clean(text, 200)
        self._plain += ["", line, "-" * min(WIDTH, len(line)), ""]
        self._html.append(f'<h2 style="{_STYLE["h2"]}">{escape(line)}</h2>')

    def say(self, text: str, *, small: bool = False) -> None:
        """A paragraph."""
        line = clean(text, 1000)
        self._plain += [textwrap.fill(line, WIDTH, break_long_words=False, break_on_hyphens=False)]
        self._html.append(f'<p style="{_STYLE["small" if small else "p"]}">{escape(line)}</p>')

    def points(self, lines: Iterable[str]) -> None:
        """A list."""
        some = [clean(line, 500) for line in lines]
        for line in some:
            self._plain.append(textwrap.fill(line, WIDTH, initial_indent="  - ", subsequent_indent="    "))
        items = "".join(f"<li>{escape(line)}</li>" for line in some)
        self._html.append(f'<ul style="margin:6px 0;padding-left:22px">{items}</ul>')

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table; in plain text each row is a line, with a second one where it is long."""
        clean_rows = [[clean(cell, 300) for cell in row] for row in rows]
        for row in clean_rows:
            line = "  - " + "; ".join(cell for cell in row if cell)
            self._plain.append(textwrap.fill(line, WIDTH, subsequent_indent="    ", break_on_hyphens=False))
        top = "".join(f'<th style="{_STYLE["th"]}">{escape(head)}</th>' for head in heads)
        body = "".join(
            "<tr>" + "".join(f'<td style="{_STYLE["td"]}">{escape(cell)}</td>' for cell in row) + "</tr>"
            for row in clean_rows
        )
        self._html.append(
            f'<table style="{_STYLE["table"]}"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'
        )

    def picture(self, name: str, alt: str) -> None:
        """A picture that goes with the mail; in plain text its words stand for it."""
        self._plain += [textwrap.fill(clean(alt, 500), WIDTH)]
        self._html.append(f'<img src="cid:{escape(name)}" alt="{escape(clean(alt, 500))}" style="{_STYLE["img"]}">')

    def plain(self) -> str:
        """The whole as plain text."""
        return "\n".join(self._plain).rstrip() + "\n"

    def html(self) -> str:
        """The whole as HTML, without script, style sheet, form or anything from elsewhere."""
        return (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f'<meta name="color-scheme" content="light"><title>{escape(self._title)}</title></head>'
            f'<body style="{_STYLE["body"]}"><div style="{_STYLE["sheet"]}">\n'
            + "\n".join(self._html)
            + "\n</div></body></html>\n"
        )
