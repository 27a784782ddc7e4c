"""A listing that fits its terminal: a table where there is room, else rows with what did not fit written below them.

A word is never broken while it fits into a line, a number stands whole in its column, and nothing is left out.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from rich.box import SIMPLE_HEAD, Box
from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

_PERCENT = re.compile(r"(?<=[0-9]) (?=%)")
_SHORT, _PROSE = 24, 36
"""The least width of a column of some words, and of one of sentences."""
_SENTENCE = 60
_HEADER = 8
"""A header is not broken into lines shorter than this."""
_GAP, _NARROW_GAP = 3, 2
_INDENT = 4
_GLUE = "\ue000"
"""Stands for a space at which no line ends until lines are made: Rich breaks at the no-break space of Unicode too."""
_BESIDE = 30
"""What is no longer than this shares a line with its neighbours below its row."""
_EDGE = 1
"""Both forms stand so far from the left, with a rule below the headers and a blank line before and after."""
_PLAIN_HEAD = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)
"""The same rule where a terminal knows ASCII alone."""


@dataclass(frozen=True)
class Listing:
    """Headers and rows of cells. ``fixed``: columns whose cells are never broken; ``right``: those that are numbers.

    ``lead``: so many columns, from the left, say what a row is about: they stay in it at any width.
    """

    headers: tuple[str, ...]
    rows: tuple[tuple[Text, ...], ...]
    title: str | None = None
    right: frozenset[int] = frozenset()
    fixed: frozenset[int] = frozenset()
    lead: int = 2

    @cached_property
    def _whole(self) -> list[int]:
        """The width at which nothing of a column is wrapped; a header may take several lines."""
        made = []
        for at, header in enumerate(self.headers):
            cells = max((_longest(row[at].plain.splitlines()) for row in self.rows), default=0)
            made.append(max(cells, _longest(_wrapped(header, cells))))
        return made

    @cached_property
    def _needs(self) -> list[int]:
        """The least width at which a column is read easily."""
        return [self._need(at) for at in range(len(self.headers))]

    def _need(self, at: int) -> int:
        whole = self._whole[at]
        if at in self.fixed:
            return whole
        word = max([0, *(_longest(row[at].plain.split()) for row in self.rows)])
        return max(word, min(whole, _PROSE if whole > _SENTENCE else _SHORT), _longest(self.headers[at].split()))

    def _kept(self, width: int) -> list[int]:
        """The columns that stand beside each other in this width."""
        kept = list(range(len(self.headers)))
        while self._taken(kept, _NARROW_GAP) > width:
            words = [at for at in kept if at >= self.lead and at not in self.right]
            free = words or [at for at in kept if at >= self.lead]
            if not free:
                break
            # The widest of those with words goes first; numbers, which are compared down their column, go last.
            kept.remove(max(free, key=lambda at: (self._whole[at], at)) if words else free[-1])
        # Where a wide one had to go, narrower ones may find room again.
        gone = sorted((at for at in range(len(self.headers)) if at not in kept), key=lambda at: self._needs[at])
        for at in gone[:-1]:
            if self._taken([*kept, at], _NARROW_GAP) <= width:
                kept.append(at)
        return sorted(kept)

    def _taken(self, columns: Sequence[int], gap: int) -> int:
        return sum(self._needs[at] + gap for at in columns) - gap

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        """As wide as there is room."""
        return Measurement(min(20, options.max_width), options.max_width)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """The rows, in the form that the width allows."""
        box = _PLAIN_HEAD if options.ascii_only else SIMPLE_HEAD
        for part in self._parts(options.max_width, box):
            for segment in console.render(part, options):
                yield segment._replace(text=segment.text.replace(_GLUE, " "))

    def _parts(self, width: int, box: Box) -> Iterator[Padding | Table | Text]:
        if self._taken(range(len(self.headers)), _GAP) + _GAP <= width:
            yield self._table(width, box)
            return
        if self.title:
            yield Text(self.title, "italic")
        yield Text()
        for part in self._stacked(self._kept(width - _EDGE), width - _EDGE, box.head_row_horizontal):
            yield Padding(part, (0, 0, 0, _EDGE))
        yield Text()

    def _table(self, width: int, box: Box) -> Table:
        widths = self._widths(range(len(self.headers)), width - _GAP, _GAP)
        made = Table(title=self.title, title_justify="left", box=box, pad_edge=False, header_style="bold")
        for at in range(len(self.headers)):
            made.add_column(
                self._header(at, self._whole[at]) if at in self.fixed else self.headers[at],
                justify="right" if at in self.right else "left",
                overflow="fold",
                no_wrap=at in self.fixed,
                width=widths[at],
            )
        for row in self.rows:
            made.add_row(*row)
        return made

    def _header(self, at: int, width: int) -> str:
        return "\n".join(_wrapped(self.headers[at], width))

    def _stacked(self, kept: Sequence[int], width: int, rule: str) -> Iterator[Padding | Table | Text]:
        widths = self._widths(kept, width, _NARROW_GAP)
        yield self._line(kept, widths, [Text(self._header(at, widths[at]), "bold") for at in kept])
        yield Text(rule * min(width, sum(widths.values()) + _NARROW_GAP * (len(kept) - 1)))
        moved = [at for at in range(len(self.headers)) if at not in kept]
        for number, row in enumerate(self.rows):
            if number and len(moved) > 1:
                yield Text()
            yield self._line(kept, widths, [row[at] for at in kept])
            for text in self._below(row, moved):
                yield Padding(text, (0, 0, 0, _INDENT))

    def _widths(self, kept: Sequence[int], width: int, gap: int) -> dict[int, int]:
        """The room that is left goes to the columns that could use it, by how much they could."""
        made = {at: self._needs[at] for at in kept}
        rest = width - self._taken(kept, gap)
        # Where even what has to stay is too wide, the widest is broken into more lines, lest it be cut off.
        while rest < 0 and (wide := [at for at in kept if made[at] > _HEADER]):
            made[max(wide, key=lambda at: (at not in self.fixed, made[at]))] -= 1
            rest += 1
        wanted = {at: max(0, self._whole[at] - made[at]) for at in kept}
        total = sum(wanted.values())
        for at, more in wanted.items():
            made[at] += more if total <= rest else max(0, rest) * more // total
        return made

    def _line(self, kept: Sequence[int], widths: dict[int, int], cells: Sequence[Text]) -> Table:
        made = Table(box=None, show_header=False, pad_edge=False, padding=(0, _NARROW_GAP, 0, 0))
        for at in kept:
            made.add_column(
                justify="right" if at in self.right else "left",
                overflow="fold",
                min_width=widths[at],
                max_width=widths[at],
            )
        made.add_row(*cells)
        return made

    def _below(self, row: Sequence[Text], moved: Sequence[int]) -> Iterator[Text]:
        """In the order of the columns, so that each row tells the same things in the same places."""
        beside: list[Text] = []
        for at in moved:
            if not row[at].plain.strip():
                continue
            header = self.headers[at]
            told = Text.assemble(f"{header}: " if header else "", Text(" ").join(row[at].split("\n")))
            if len(told) <= _BESIDE:
                beside.append(told)
                continue
            if beside:
                yield Text("; ").join(beside)
                beside = []
            yield told
        if beside:
            yield Text("; ").join(beside)


def glued(text: Text) -> Text:
    """``text`` with its percent signs held to their numbers."""
    held = _PERCENT.sub(_GLUE, text.plain)
    if held == text.plain:
        return text
    made = text.copy()
    made.plain = held
    return made


def _wrapped(header: str, width: int) -> list[str]:
    return textwrap.wrap(header, max(width, _HEADER), break_long_words=False)


def _longest(texts: Iterable[str]) -> int:
    return max((Text(text).cell_len for text in texts), default=0)
