"""The charts that pages have shown of late: kept as numbers, and drawn once somebody's browser asks for them."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version

from agent.web import drawings, locales, look
from agent.web.charts import Chart

MOST_SHEETS = 160
"""So many charts are kept as numbers, some 20 kB each; what has gone is reckoned anew."""
MOST_DRAWN = 320
"""So many drawings are kept, some 6 kB each."""


@dataclass(frozen=True, slots=True)
class Hung:
    """A chart with what it is of, in a few words, and a mark that any other chart or look of it would not have."""

    chart: Chart
    title: str
    mark: str


@lru_cache(maxsize=1)
def _hand() -> bytes:
    """Whose hand draws: another version or style sheet draws the same numbers in another way."""
    return hashlib.blake2b(version("lowmark").encode() + look.style()).digest()


class Album:
    """Keeps charts by their marks, and drawings by mark, form and locale; may be used by several threads."""

    def __init__(self, sheets: int = MOST_SHEETS, drawn: int = MOST_DRAWN) -> None:
        self._most_sheets, self._most_drawn = sheets, drawn
        self._sheets: OrderedDict[str, Hung] = OrderedDict()
        self._drawn: OrderedDict[tuple[str, bool, str], bytes] = OrderedDict()
        self._lock = threading.Lock()

    def hang(self, chart: Chart, title: str) -> Hung:
        """Keep a chart."""
        mark = hashlib.blake2b(repr((chart, title)).encode(), digest_size=9, key=_hand()).hexdigest()
        hung = Hung(chart, title, mark)
        with self._lock:
            self._sheets[mark] = hung
            self._sheets.move_to_end(mark)
            while len(self._sheets) > self._most_sheets:
                self._sheets.popitem(last=False)
        return hung

    def find(self, mark: str) -> Hung | None:
        """The chart of this mark, while it is kept."""
        with self._lock:
            return self._sheets.get(mark)

    def svg(self, hung: Hung, *, narrow: bool) -> bytes:
        """The drawing of a chart, with numbers and days as the reader writes them."""
        key = (hung.mark, narrow, str(locales.here()))
        with self._lock:
            made = self._drawn.get(key)
            if made is not None:
                self._drawn.move_to_end(key)
                return made
        made = drawings.svg(hung.chart, drawings.NARROW if narrow else drawings.WIDE, hung.title)
        with self._lock:
            self._drawn[key] = made
            while len(self._drawn) > self._most_drawn:
                self._drawn.popitem(last=False)
        return made
