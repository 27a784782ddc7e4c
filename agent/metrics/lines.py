"""The lines of all printers, kept from scrape to scrape: only what has changed is written anew.

A page has its lines by family, so each printer's lines are kept by family too. The lines are those of the Prometheus
text format and of OpenMetrics alike; only the heads of the families differ.

Who the printer is stands in each line as one octet until the page is sent, and in the families whose numbers differ
from printer to printer each number is left open. So the lines of all printers of one model are cast in the same moulds,
which are kept once, and of each printer little more than its numbers.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from typing import Any, TypeVar

from prometheus_client.utils import floatToGoString

from agent.metrics import series
from agent.metrics.catalogue import PRINTERS, Metric
from agent.metrics.collector import LONGEST_LABEL, clean
from agent.metrics.squeezing import Segment, Stream, segment
from agent.model.fleet import PrinterView
from agent.model.once import Once

REST_SECONDS = 0.0002
_WORK_BEFORE_REST = 480
"""In parts looked at; one that is written anew counts as ``_WRITING``. About two milliseconds."""
_WRITING = 12
_OCTETS_BEFORE_REST = 512 * 1024
"""Of lines put together from what is written: about two milliseconds, too."""
_MEMO, _NUMBERS = 20_000, 4_096
_CHUNK = 1024 * 1024
"""Octets. Each chunk changes threads some times on its way out, and may wait for the interpreter each time."""
_ROWS = 1_000
_OWNER = "\x01"
"""Stands for the labels that tell one printer from another. No label has it: ``clean`` takes control characters out."""
_OWNER_OCTET = _OWNER.encode()
_TOLD = ("printer", "printer_id")
_LONGEST_SHARED = 8_192

_Key = TypeVar("_Key")
Rest = Callable[[], None]
rest_briefly: Rest = partial(time.sleep, REST_SECONDS)
"""Lets the other threads have the interpreter. Without it they would wait for five milliseconds each time that they
want it back, and the loop that reads the printers wants it back after every wait for an answer."""


class _Memo(dict[_Key, str]):
    """Texts made once. What is long is not kept, since a printer may say a hundred kilobytes; nor without end."""

    def __init__(self, make: Callable[[_Key], str], most: int) -> None:
        super().__init__()
        self._make, self._most = make, most

    def __missing__(self, key: _Key) -> str:
        text = self._make(key)
        if not isinstance(key, str) or len(key) <= LONGEST_LABEL:
            if len(self) >= self._most:
                self.clear()
            self[key] = text
        return text


def _quote(label: object) -> str:
    return clean(label).replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")


_quoted: _Memo[object] = _Memo(_quote, _MEMO)
"""The value of a label as it stands between the quotation marks."""

_number: _Memo[float] = _Memo(floatToGoString, _NUMBERS)  # moments and counts would fill any number of places


def _layout(metric: Metric) -> tuple[str, Callable[[list[str]], Any]]:
    """A line of this metric up to its value, for ``%``, and what puts the labels' values into the line's order."""
    names = sorted(metric.labels)
    order = [metric.labels.index(name) for name in names if name not in _TOLD]
    pairs = [_OWNER if name == _TOLD[0] else f'{name}="%s"' for name in names if name != _TOLD[1]]
    labels = ",".join(pairs)
    return f"{metric.name}{{{labels}}} ", itemgetter(*order)


_LAYOUTS = {metric.name.removeprefix("lowmark_"): _layout(metric) for metric in PRINTERS}
_PLACES = {metric.name.removeprefix("lowmark_"): place for place, metric in enumerate(PRINTERS)}


_once = Once(_MEMO, _LONGEST_SHARED)
"""Lines and moulds that several printers may have, and whole sets of them, kept once."""
_ALIKE = frozenset(
    name
    for part in series.PARTS
    for name in part.names
    if name.startswith(("printer_state", "printer_device", "printer_err", "printer_alerts", "tray", "bin", "cover"))
    or name in ("printer_reachable", "supply_capacity", "supply_level_known")
)
"""Families in which many printers have the same lines, numbers and all."""
_UNLIKE = "printer_info"
"""The family in which no two printers have the same labels."""
_FILLED = {place: at for at, place in enumerate(place for name, place in _PLACES.items() if name not in _ALIKE)}
"""Place of a family -> place of what its moulds are filled with (``_Kept.fillings``)."""


def _owner(labels: series.Own) -> bytes:
    """What ``_OWNER`` stands for."""
    return ",".join(f'{name}="{_quoted[label]}"' for name, label in zip(_TOLD, labels, strict=False)).encode()


class _Lines:
    """Takes the series of one part of one printer. Each is taken once, as the collector does."""

    def __init__(self) -> None:
        self._rows: dict[str, dict[str, str]] = {}
        self._labels: tuple[object, ...] = ()
        self._values: list[str] = []

    def put(self, name: str, labels: tuple[object, ...], value: float | bool | None) -> None:
        """See ``series.Sink``."""
        if value is None:
            return
        rows = self._rows.get(name)
        if rows is None:
            rows = self._rows[name] = {}
        if labels is not self._labels:  # several series in a row have the same
            self._labels, self._values = labels, [_quoted[label] for label in labels]
        layout, in_order = _LAYOUTS[name]
        rows.setdefault(layout % in_order(self._values), _number[value])

    def cast(self, name: str) -> tuple[bytes, bytes]:
        """The lines of one family: their mould, and what fills it."""
        rows = self._rows.get(name)
        if not rows:
            return b"", b""
        if name in _ALIKE:
            return _once("".join([f"{row}{value}\n" for row, value in rows.items()]).encode()), b""
        if name == _UNLIKE:
            return b"", "".join([f"{row}{value}\n" for row, value in rows.items()]).encode()
        mould = "".join([f"{row}\n" for row in rows]).replace("%", "%%").replace(" \n", " %b\n")
        return _once(mould.encode()), " ".join(rows.values()).encode()


@dataclass(frozen=True, slots=True)
class _Kept:
    """The lines of one printer as ``view`` has them.

    ``owner``: what is to stand in them where ``_OWNER`` stands. ``moulds``: in the order of the catalogue's families;
    those in which numbers differ are for ``%``, and ``fillings`` are their numbers in the same order (see ``_FILLED``).
    """

    view: PrinterView
    owner: bytes
    moulds: tuple[bytes, ...]
    fillings: tuple[bytes, ...]


_MadeOf = list[tuple[bytes, tuple[bytes, ...]]]


@dataclass(frozen=True, slots=True)
class _Block:
    """The lines of one family of some printers, squeezed, and the owners and moulds that they are made of."""

    made_of: _MadeOf
    segment: Segment

    def holds(self, place: int, some: list[_Kept]) -> bool:
        """Whether these printers have the same lines still. ``place``: of the family."""
        return len(some) == len(self.made_of) and all(
            kept.owner is owner and (kept.moulds is moulds or kept.moulds[place] is moulds[place])
            for kept, (owner, moulds) in zip(some, self.made_of, strict=True)
        )


def _written(name: str, place: int, some: list[_Kept]) -> list[bytes]:
    """The lines of one family, printer by printer."""
    at = _FILLED.get(place)
    if at is None:
        return [kept.moulds[place].replace(_OWNER_OCTET, kept.owner) for kept in some]
    if name.endswith(_UNLIKE):
        return [kept.fillings[at].replace(_OWNER_OCTET, kept.owner) for kept in some]
    return [
        kept.moulds[place].replace(_OWNER_OCTET, kept.owner.replace(b"%", b"%%")) % tuple(kept.fillings[at].split())
        for kept in some
        if kept.fillings[at]
    ]


def _sections(rows: list[_Kept]) -> Iterator[tuple[str, int, int, list[_Kept]]]:
    """Family by family, so many printers at a time: the family's name and place, and which printers from where on."""
    for place, metric in enumerate(PRINTERS):
        for start in range(0, len(rows), _ROWS):
            yield metric.name, place, start, rows[start : start + _ROWS]


class PrinterLines:
    """The lines of every printer. May be used by several threads at once: what is kept is replaced, never changed.

    ``rest`` is called after each millisecond or two of work.
    """

    def __init__(self, rest: Rest = rest_briefly) -> None:
        self._rest = rest
        self._kept: dict[int, _Kept] = {}
        self._blocks: dict[tuple[int, int], _Block] = {}
        self._refreshing = threading.Lock()

    def write(self, views: Mapping[int, PrinterView], heads: Mapping[str, bytes]) -> Iterator[bytes]:
        """The lines of these printers, family by family, in chunks. ``heads``: what stands before each family."""
        rows = self.refresh(views)
        chunk: list[bytes] = []
        size = unrested = 0
        headed = ""
        for name, place, _, some in _sections(rows):
            lines = b"".join(_written(name, place, some))
            if lines and headed != name:
                chunk.append(heads[name])
                headed = name
            chunk.append(lines)
            size += len(lines)
            unrested += len(lines)
            if unrested >= _OCTETS_BEFORE_REST:
                self._rest()
                unrested = 0
            if size >= _CHUNK:
                yield b"".join(chunk)
                chunk, size = [], 0
        yield b"".join(chunk)

    def squeeze(self, views: Mapping[int, PrinterView], heads: Mapping[str, bytes], stream: Stream) -> Iterator[bytes]:
        """The same into a stream, and what can be sent of it by now. Where nothing changed, nothing is written."""
        rows = self.refresh(views)
        made_of: dict[int, _MadeOf] = {}
        headed = ""
        for name, place, start, some in _sections(rows):
            lines: bytes | Segment
            if place in _FILLED:
                lines = b"".join(_written(name, place, some))
            else:
                lines = self._block(name, place, start, some, made_of)
            if lines and headed != name:
                stream.add(heads[name])
                headed = name
            if isinstance(lines, Segment):
                stream.splice(lines)
            else:
                stream.add(lines)
            if piece := stream.piece():
                yield piece
            if start + _ROWS >= len(rows):  # the end of a family
                self._rest()

    def _block(self, name: str, place: int, start: int, some: list[_Kept], made_of: dict[int, _MadeOf]) -> Segment:
        """The lines of one family of some printers, squeezed. ``made_of``: shared by the families of one page."""
        block = self._blocks.get((place, start))
        if block is None or not block.holds(place, some):
            made = segment(b"".join(_written(name, place, some)))
            if start not in made_of:
                made_of[start] = [(kept.owner, kept.moulds) for kept in some]
            block = self._blocks[place, start] = _Block(made_of[start], made)
        return block.segment

    def forget(self) -> None:
        """Let go of all lines; the next page is written anew."""
        self._kept, self._blocks = {}, {}

    def refresh(self, views: Mapping[int, PrinterView]) -> list[_Kept]:
        """Write anew what has changed; the lines of these printers, in this order."""
        with self._refreshing:  # who comes second finds most of it written
            return self._refreshed(views)

    def _refreshed(self, views: Mapping[int, PrinterView]) -> list[_Kept]:
        before, now = self._kept, {}
        work = 0
        for number, view in views.items():
            if view.printer.retired is not None:
                continue
            kept = before.get(number)
            if kept is None or kept.view is not view:
                kept, cost = _renewed(view, kept)
                work += cost
            now[number] = kept
            work += 1
            if work >= _WORK_BEFORE_REST:
                self._rest()
                work = 0
        self._kept = now
        return list(now.values())


def _renewed(view: PrinterView, kept: _Kept | None) -> tuple[_Kept, int]:
    """The lines as ``view`` has them, and how much work that was."""
    if kept is not None and kept.view.printer != view.printer:
        kept = None
    moulds = [b""] * len(PRINTERS) if kept is None else list(kept.moulds)
    fillings = [b""] * len(_FILLED) if kept is None else list(kept.fillings)
    labels = series.own(view)
    cost = len(series.PARTS)
    for part in series.PARTS:
        if kept is not None and part.rests_on(kept.view) == part.rests_on(view):
            continue
        lines = _Lines()
        part.put(lines, labels, view)
        for name in part.names:
            place = _PLACES[name]
            moulds[place], filling = lines.cast(name)
            if place in _FILLED:
                fillings[_FILLED[place]] = filling
        cost += _WRITING
    owner = _owner(labels) if kept is None else kept.owner
    return _Kept(view, owner, _once(tuple(moulds)), tuple(fillings)), cost
