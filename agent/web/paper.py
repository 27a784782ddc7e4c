"""Paper: an A4 page in two columns, with check boxes, counter wheels and QR codes, in black on white.

The look is drawn from the work: a drum that a sheet runs under, and numbers as the wheels of a page counter. Nothing
depends on colour. The font (DejaVu Sans, which matplotlib brings along) has Latin, Greek, Cyrillic and more; where the
machine has a font with East Asian signs (``drawing.more_signs``), these are set in it. In the place of what no font
has, words say that it cannot be printed here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path
from typing import Any

from agent.model.failure import Failure
from agent.model.wording import clean

WIDTH, HEIGHT = 210.0, 297.0
MARGIN, GUTTER = 10.0, 6.0
COLUMN = (WIDTH - 2 * MARGIN - GUTTER) / 2
TOP, BOTTOM = 12.0, 285.0
_POINT = 25.4 / 72
UNPRINTABLE = "(not printable here)"
"""What stands in the place of words whose signs no font has."""
_FONTS = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
_MORE = "more"
_WIDE = re.compile(r"[\u2e80-\u9fff\uac00-\ud7af\uf900-\ufaff\uff00-\uffef]")
"""Signs of scripts that put no blanks between words (CJK, kana, hangul): a line may end after any of them."""


class NoFont(Failure):
    """The fonts that paper is written with are not installed."""


def font_file(style: str) -> Path:
    """The font file of a style ("" or "B"). Raises NoFont."""
    found = find_spec("matplotlib")
    for place in found.submodule_search_locations or () if found is not None else ():
        path = Path(place) / "mpl-data" / "fonts" / "ttf" / _FONTS[style]
        if path.is_file():
            return path
    raise NoFont(f"{_FONTS[style]} is missing; it comes with matplotlib: install Lowmark again")


@dataclass(slots=True)
class Block:
    """Something that stays together. ``draw``: called with its upper left corner. ``keep``: stays with the next."""

    height: float
    draw: Callable[[float, float], None]
    keep: bool = False


@dataclass(slots=True)
class Placed:
    """Where a block stands: page (from 0), upper left corner."""

    page: int
    x: float
    y: float
    block: Block


@dataclass(slots=True)
class Flow:
    """Puts blocks into columns, page after page. ``first``: where the first page's columns begin."""

    first: float = TOP
    placed: list[Placed] = field(default_factory=list)
    _page: int = 0
    _column: int = 0
    _y: float = 0.0

    def put(self, blocks: Iterable[Block]) -> None:
        """Place these, each in the first column that still has room for it."""
        self._y = self._y or self.first
        waiting: list[Block] = []
        for block in blocks:
            waiting.append(block)
            if block.keep:
                continue
            if self._y + sum(one.height for one in waiting) > BOTTOM:
                self.turn()
            for one in waiting:
                if self._y + one.height > BOTTOM:
                    self.turn()
                self.placed.append(Placed(self._page, MARGIN + self._column * (COLUMN + GUTTER), self._y, one))
                self._y += one.height
            waiting = []

    def turn(self) -> None:
        """Go on in the next column."""
        self._column += 1
        if self._column == 2:
            self._page, self._column = self._page + 1, 0
        self._y = self.first if self._page == 0 else TOP

    @property
    def pages(self) -> int:
        """How many pages there are."""
        return max((one.page for one in self.placed), default=0) + 1


class Pen:
    """Writes and draws on one document. ``more``: the file of a font for signs that the usual one does not have.

    ``lacks``: whether anything could not be written.
    """

    def __init__(self, title: str, made: datetime, more: Path | None = None) -> None:
        from fpdf import FPDF

        self.pdf: Any = FPDF(orientation="portrait", unit="mm", format="A4")
        for style in _FONTS:
            self.pdf.add_font("paper", style, str(font_file(style)))
        self.pdf.set_auto_page_break(False)
        self.pdf.set_title(clean(title, 200))
        self.pdf.set_creator("Lowmark")
        self.pdf.set_creation_date(made)
        self.pdf.set_lang("en")
        font: Any = self.pdf.fonts["paper"]
        self._has: frozenset[int] = frozenset(font.cmap)
        self._more: frozenset[int] = frozenset()
        if more is not None:
            self.pdf.add_font(_MORE, "", str(more))
            other: Any = self.pdf.fonts[_MORE]
            self._more = frozenset(other.cmap) - self._has
        self.lacks = False
        self._at: tuple[str, str, float] = ("", "", 0.0)
        self._advances: dict[str, dict[str, float]] = {style: {} for style in _FONTS}

    def write(self, x: float, y: float, text: str, size: float, style: str = "", *, right: bool = False) -> None:
        """One line whose upper edge is at ``y``. ``right``: it ends at ``x``."""
        shown = self.shown(text)
        if not shown:
            return
        if right:
            x -= self.width(shown, size, style)
        for more, run in self._runs(shown):
            self._font(style, size, more=more)
            self.pdf.text(x, y + size * _POINT * 0.93, run)
            x += self.width(run, size, style)

    def width(self, text: str, size: float, style: str = "") -> float:
        """How wide a line is."""
        advances = self._advances[style]
        units = 0.0
        for sign in self.shown(text):
            units += advances.get(sign) or self._advance(style, sign)
        return units * size * _POINT / 1000

    def shown(self, text: str) -> str:
        """The text as it can be written: one line, without control signs, and words for what no font has."""
        if text.isascii() and text.isprintable():
            return text[:1000]
        line = clean(text, 1000)
        if all(ord(sign) in self._has or ord(sign) in self._more for sign in line):
            return line
        self.lacks = True
        made: list[str] = []
        for word in line.split(" "):
            left = "".join(" " if not self._can(sign) else sign for sign in word).split()
            if all(self._can(sign) for sign in word):
                made.append(word)
                continue
            # What is left of such a word is kept where it says something: a part number, not a bracket.
            kept = [one for one in left if any(sign.isalnum() for sign in one)]
            if not made or made[-1] != UNPRINTABLE:
                made.append(UNPRINTABLE)
            made += kept
        return " ".join(made)

    def _can(self, sign: str) -> bool:
        return ord(sign) in self._has or ord(sign) in self._more

    def _runs(self, shown: str) -> Iterator[tuple[bool, str]]:
        """The parts of a line, each with whether it is set in the other font."""
        if not self._more:
            yield False, shown
            return
        for more, signs in groupby(shown, key=lambda sign: ord(sign) in self._more):
            yield more, "".join(signs)

    def _advance(self, style: str, sign: str) -> float:
        """How wide a sign is, in thousandths of the size."""
        self._font(style, 10.0, more=ord(sign) in self._more)
        found = float(self.pdf.get_string_width(sign)) / (10.0 * _POINT) * 1000
        self._advances[style][sign] = found
        return found

    def fit(self, text: str, width: float, size: float, style: str = "") -> str:
        """The text, cut with an ellipsis where it is wider."""
        text = self.shown(text)
        if self.width(text, size, style) <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width(text[:middle].rstrip() + "…", size, style) <= width:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + "…"

    def wrap(self, text: str, width: float, size: float, lines: int = 99, style: str = "") -> list[str]:
        """The text in lines; what is beyond ``lines`` is cut."""
        words = [part for word in self.shown(text).replace(" %", "\N{NO-BREAK SPACE}%").split(" ")
                 for part in self._parts(word, width, size, style)]  # fmt: skip
        made: list[str] = []
        here = ""
        for at, word in enumerate(words):
            longer = f"{here} {word}" if here else word
            if self.width(longer, size, style) <= width:
                here = longer
                continue
            if len(made) == lines - 1:
                return [*made, self.fit(" ".join([here, *words[at:]]).strip(), width, size, style)]
            if here:
                made.append(here)
            here = self.fit(word, width, size, style)
        return [*made, here] if here else made

    def _parts(self, word: str, width: float, size: float, style: str) -> list[str]:
        """A word as it is; one that is wider than a line in parts, where its script knows no blanks."""
        if not _WIDE.search(word) or self.width(word, size, style) <= width:
            return [word]
        made, here = [], ""
        for sign in word:
            if here and self.width(here + sign, size, style) > width:
                made.append(here)
                here = ""
            here += sign
        return [*made, here]

    def _font(self, style: str, size: float, *, more: bool = False) -> None:
        wanted = (_MORE, "", size) if more else ("paper", style, size)
        if self._at != wanted:
            self.pdf.set_font(*wanted)
            self._at = wanted

    # --- signs ----------------------------------------------------------------------------------------------------

    def box(self, x: float, y: float, size: float = 3.2) -> None:
        """A box to be ticked."""
        self.pdf.set_line_width(0.25)
        self.pdf.rect(x, y, size, size)

    def wheels(self, x: float, y: float, number: int, size: float = 6.5, least: int = 1) -> float:
        """A number as the wheels of a page counter; its width."""
        wide, tall = size * _POINT * 0.86, size * _POINT * 1.28
        for sign in str(number).rjust(least, "0"):
            self.pdf.set_fill_color(0)
            self.pdf.rect(x, y, wide, tall, style="F")
            self.pdf.set_text_color(255)
            self.write(x + (wide - self.width(sign, size, "B")) / 2, y + tall * 0.09, sign, size, "B")
            self.pdf.set_text_color(0)
            x += wide + 0.25
        return (wide + 0.25) * len(str(number).rjust(least, "0"))

    def flag(self, x: float, y: float, text: str, size: float, *, filled: bool) -> float:
        """A word in a frame, white on black where ``filled``; its width."""
        wide, tall = self.width(text, size, "B") + 1.6, size * _POINT * 1.32
        self.pdf.set_line_width(0.2)
        if filled:
            self.pdf.set_fill_color(0)
            self.pdf.rect(x, y, wide, tall, style="F")
            self.pdf.set_text_color(255)
        else:
            self.pdf.rect(x, y, wide, tall)
        self.write(x + 0.8, y + tall * 0.1, text, size, "B")
        self.pdf.set_text_color(0)
        return wide

    def drum(self, x: float, y: float, radius: float, length: float) -> None:
        """A drum, and the sheet that runs under it."""
        pdf = self.pdf
        pdf.set_line_width(0.5)
        pdf.circle(x + radius, y + radius, radius)
        pdf.set_line_width(0.25)
        pdf.circle(x + radius, y + radius, radius * 0.62)
        pdf.set_fill_color(0)
        pdf.circle(x + radius, y + radius, radius * 0.16, style="F")
        pdf.set_line_width(0.9)
        pdf.line(x - 2.5, y + 2 * radius + 0.7, x + length, y + 2 * radius + 0.7)

    def rule(self, x: float, y: float, length: float, width: float = 0.2) -> None:
        """A line across."""
        self.pdf.set_line_width(width)
        self.pdf.line(x, y, x + length, y)

    def qr(self, x: float, y: float, size: float, url: str) -> None:
        """A QR code (ISO/IEC 18004) without its quiet zone, which the caller leaves white."""
        self.pdf.set_fill_color(0)
        rows = matrix(url)
        step = size / len(rows)
        for row, cells in enumerate(rows):
            begin = None
            for column, dark in enumerate((*cells, False)):
                if dark and begin is None:
                    begin = column
                elif not dark and begin is not None:
                    self.pdf.rect(x + begin * step, y + row * step, (column - begin) * step, step + 0.01, style="F")
                    begin = None

    def page(self) -> None:
        """A new page."""
        self.pdf.add_page()
        self._at = ("", "", 0.0)

    def done(self) -> bytes:
        """The document."""
        return bytes(self.pdf.output())


@lru_cache(maxsize=512)
def matrix(url: str) -> tuple[tuple[bool, ...], ...]:
    """The modules of the QR code of an address, True for dark, without quiet zone."""
    import segno

    made = segno.make(url, error="l", micro=False)
    return tuple(tuple(bool(cell) for cell in row) for row in made.matrix)
