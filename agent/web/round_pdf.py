"""The round on paper: what to carry in front, then the cards in the order of the walk, then how the work is done."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from urllib.parse import quote

from agent.model.cautions import MANUAL
from agent.model.fleet import Place
from agent.model.round import JOINING, JOINS, OVERDUE, RUN_OUT, STANDS, Bring, Card, Reason, Round, Visit, card_path
from agent.model.wording import clean
from agent.web import locales
from agent.web.paper import BOTTOM, COLUMN, MARGIN, TOP, WIDTH, Block, Flow, Pen
from agent.web.words import hours, named_clock, named_day, prose

HEAD, NAME, TEXT, SMALL = 8.0, 7.2, 6.3, 5.8
"""Sizes of letters, in points."""
LINE = 2.85
TITLE_LINE = 3.1
_TITLE_LINES = 4
QR = 10.8
QUIET = 1.3
_WAITS = 60
_SHEETS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_FLAGS = {STANDS: ("STANDS STILL", True), OVERDUE: ("OVERDUE", False), JOINS: ("joins", False)}


@dataclass(frozen=True, slots=True)
class _Work:
    """How a kind of work is done: what several cards share."""

    letter: str
    titles: tuple[str, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]


def pdf(made: Round, base: str = "", more: Path | None = None) -> bytes:
    """The round as PDF, A4. ``base``: where phones find the pages; "" prints no QR codes, and a line that says why.

    ``more``: a font for signs that the usual one does not have (``drawing.more_signs``). Raises NoFont.
    """
    title = f"Round, {made.site or 'all sites'}, {locales.long_day(made.day)}"
    pen = Pen(title, made.as_of, more)
    sheets = _sheets(made)
    letters = {key: letter for letter, (_, keys) in sheets.items() for key in keys}
    flow = Flow(first=TOP + 17 + LINE * len(made.remarks[:2]))
    flow.put(_carry(pen, made))
    flow.put(_cautions(pen, made))
    flow.put(_visits(pen, made, base.rstrip("/"), letters))
    flow.put(_works(pen, [work for work, _ in sheets.values()]))
    flow.put(_waits(pen, made))
    for number in range(flow.pages):
        pen.page()
        if number == 0:
            _head(pen, made)
        for one in flow.placed:
            if one.page == number:
                one.block.draw(one.x, one.y)
        _foot(pen, made, base, number + 1, flow.pages)
    return pen.done()


# --- head and foot -------------------------------------------------------------------------------------------------


def _head(pen: Pen, made: Round) -> None:
    pen.drum(MARGIN, TOP - 2, 6.5, WIDTH - 2 * MARGIN)
    x = MARGIN + 18
    pen.write(x, TOP - 2, f"Round  {locales.weekday(made.day)}, {locales.long_day(made.day)}", 15, "B")
    pen.write(x, TOP + 4.8, pen.fit(made.site or "All sites", 110, 9, "B"), 9, "B")
    walks = sum(one.walk for one in made.visits)
    following = f"; next round {named_day(made.next_day, made.day)}" if made.next_day is not None else ""
    work = f"{hours(made.minutes - walks)} of work and {hours(walks)} of walking{following}"
    pen.write(x, TOP + 8.9, work, TEXT)
    right = WIDTH - MARGIN
    for at, (count, word) in enumerate(((len(made.visits), "visits"), (len(made.cards), "jobs"))):
        wide = pen.wheels(right - 22, TOP - 1.5 + at * 6.2, count, 11, 3)
        pen.write(right - 22 + wide + 1, TOP - 0.2 + at * 6.2, word, TEXT)
    # Below the sheet that runs under the drum.
    pen.write(MARGIN, TOP + 13.2, f"As of {_as_of(made)} ({made.zone}).", TEXT)
    y = TOP + 16.4
    for remark in made.remarks[:2]:
        pen.write(MARGIN, y, pen.fit(f"! {prose(remark)}", WIDTH - 2 * MARGIN, TEXT, "B"), TEXT, "B")
        y += LINE


def _as_of(made: Round) -> str:
    return named_clock(made.as_of, made.zone, made.day)


def _foot(pen: Pen, made: Round, base: str, number: int, pages: int) -> None:
    y = BOTTOM + 2.2
    pen.rule(MARGIN, y, WIDTH - 2 * MARGIN)
    note = "" if base else "  No QR codes: the settings do not say where phones find the pages (listen.public_url)."
    note += "  For what is not printable here see the pages." if pen.lacks else ""
    pen.write(MARGIN, y + 0.9, f"Lowmark, as of {_as_of(made)}.{note}", SMALL)
    pen.write(WIDTH - MARGIN, y + 0.9, f"{named_day(made.day)}, page {number} of {pages}", SMALL, right=True)


def _title(pen: Pen, text: str, note: str = "") -> Block:
    def draw(x: float, y: float) -> None:
        pen.write(x, y + 1.2, text, HEAD, "B")
        if note:
            pen.write(x + pen.width(text, HEAD, "B") + 2, y + 1.8, note, SMALL)
        pen.rule(x, y + 4.7, COLUMN, 0.35)

    return Block(5.6, draw, keep=True)


def _lines(pen: Pen, text: str, *, size: float = TEXT, indent: float = 0.0, mark: str = "", most: int = 99) -> Block:
    """A paragraph, with a mark before its first line."""
    rows = pen.wrap(text, COLUMN - indent, size, most)

    def draw(x: float, y: float) -> None:
        if mark:
            pen.write(x, y, mark, size, "B")
        for at, row in enumerate(rows):
            pen.write(x + indent, y + at * LINE, row, size)

    return Block(max(1, len(rows)) * LINE + 0.4, draw)


def _gap(height: float) -> Block:
    return Block(height, lambda x, y: None)


# --- what to carry, what to take care of ---------------------------------------------------------------------------


def _carry(pen: Pen, made: Round) -> Iterator[Block]:
    if not made.carry and not made.lacking:
        return
    yield _title(pen, "Carry", "tick what is in the bag")
    for one in made.carry:
        where = one.place or "nobody counted where"
        where += f" ({one.on_shelf} there)" if one.place and one.on_shelf is not None else ""
        yield _carried(pen, one.count, one.part or one.what, one.what if one.part else "", where)
    for lack in made.lacking:
        yield _carried(pen, lack.count, lack.part, lack.what, f"none on the shelf: {prose(lack.note)}", lacking=True)
    yield _gap(1.5)


def _carried(pen: Pen, count: int, name: str, what: str, where: str, *, lacking: bool = False) -> Block:
    """A part to carry. Its words stand side by side as far as there is room, else beneath one another; none is cut."""
    indent, gap = 11.0, 1.5
    room = COLUMN - indent
    bold = pen.wrap(name, room, TEXT, style="B")
    used = pen.width(bold[-1], TEXT, "B") if bold else 0.0
    left: list[tuple[float, int, str]] = []
    rows = max(1, len(bold))
    if what and used + gap + pen.width(what, TEXT) <= room:
        left, used = [(indent + used + gap, rows - 1, what)], used + gap + pen.width(what, TEXT)
    elif what:
        left = [(indent, rows + at, line) for at, line in enumerate(pen.wrap(what, room, TEXT))]
        rows, used = rows + len(left), pen.width(left[-1][2], TEXT)
    beside = used + gap + pen.width(where, TEXT) <= room
    if where and not beside:
        below = [(indent, rows + at, line) for at, line in enumerate(pen.wrap(where, room, TEXT))]
        left, rows = left + below, rows + len(below)

    def draw(x: float, y: float) -> None:
        if lacking:
            pen.write(x + 0.6, y, "!", NAME, "B")
        else:
            pen.box(x, y + 0.2, 2.6)
        pen.write(x + 10.2, y, f"{count} \N{MULTIPLICATION SIGN}", TEXT, "B", right=True)
        for at, line in enumerate(bold):
            pen.write(x + indent, y + at * LINE, line, TEXT, "B")
        for begin, at, line in left:
            pen.write(x + begin, y + at * LINE, line, TEXT)
        if where and beside:
            pen.write(x + COLUMN, y + (rows - 1) * LINE, where, TEXT, right=True)

    return Block(3.7 + (rows - 1) * LINE, draw)


def _cautions(pen: Pen, made: Round) -> Iterator[Block]:
    if not made.visits:
        return
    yield _title(pen, "Take care", "common practice of the trade")
    for line in made.cautions:
        yield _lines(pen, line, indent=2.6, mark="§" if line == MANUAL else "•")
    yield _gap(1.5)


# --- the walk ------------------------------------------------------------------------------------------------------


def _visits(pen: Pen, made: Round, base: str, letters: dict[str, str]) -> Iterator[Block]:
    if not made.visits:
        yield _lines(pen, "Nothing is to be done on this round.", size=NAME)
        return
    if any(word in letters.values() for word in _SHEETS):
        yield _lines(pen, "A letter in a frame names the work sheet at the end: its steps, in the order of the trade.")
        yield _gap(0.8)
    where: tuple[str, str] | None = None
    for visit in made.visits:
        here = (visit.place.site, visit.place.building)
        if here != where:
            where = here
            named = ", ".join(one for one in here if one)
            if named:
                yield _title(pen, pen.fit(named, COLUMN, HEAD, "B"))
        for at, card in enumerate(visit.cards):
            yield _card(pen, visit, card, base, letters.get(card.key, ""), today=made.day, first=at == 0)
        yield _gap(0.7)


def _card(pen: Pen, visit: Visit, card: Card, base: str, letter: str, *, today: date, first: bool) -> Block:
    left = QR + QUIET + 0.6 if base else 0.0
    room = COLUMN - left
    rows: list[tuple[str, str]] = []
    for one in card.bring:
        rows += [("", row) for row in pen.wrap(_brought(one), room, TEXT, 2)]
    rows += [("", row) for row in pen.wrap("; ".join(_briefly(one, today) for one in card.why), room, TEXT, 4)]
    flag = _FLAGS.get(card.urgency)
    beside = 9.5 + (pen.width(flag[0], SMALL, "B") + 2.6 if flag else 0.0)
    beside += pen.width(letter, SMALL, "B") + 2.6 if letter else 0.0
    title = f"{card.title}, then {' and '.join(card.follows)}" if card.follows else card.title
    named = pen.wrap(title, room - 3.9 - beside, NAME, _TITLE_LINES, "B")
    head = 3.9 if first else 0.0
    above = 3.5 + max(0, len(named) - 1) * TITLE_LINE
    height = max(head + above + len(rows) * LINE, QR + QUIET if base else 0.0) + 0.6

    def draw(x: float, y: float) -> None:
        if base:
            pen.qr(x, y + 0.3, QR, f"{base}{card_path(quote(card.key, safe='.~-_'))}")
        x += left
        if first:
            _visit_line(pen, visit, x, y, room)
            y += head
        pen.box(x, y + 0.1, 2.7)
        at = x + 3.9
        right = x + room
        pen.write(right, y, f"{card.minutes} min", TEXT, right=True)
        right -= 9.5
        if letter:
            right -= pen.flag(right - 2.6, y + 0.05, letter, SMALL, filled=False) + 1
        if flag:
            wide = pen.width(flag[0], SMALL, "B") + 1.6
            pen.flag(right - wide, y + 0.05, flag[0], SMALL, filled=flag[1])
            right -= wide + 1
        for number, line in enumerate(named):
            pen.write(at, y - 0.1 + number * TITLE_LINE, line, NAME, "B")
        y += above
        for style, row in rows:
            pen.write(x, y, row, TEXT, style)
            y += LINE

    return Block(height, draw)


def _visit_line(pen: Pen, visit: Visit, x: float, y: float, room: float) -> None:
    wide = pen.wheels(x, y, visit.number, 6.5, 2) + 1.2
    name = pen.fit(visit.printer, (room - wide) * 0.6, NAME, "B")
    pen.write(x + wide, y + 0.1, name, NAME, "B")
    begin = wide + pen.width(name, NAME, "B") + 1.8
    pen.write(x + begin, y + 0.4, pen.fit(_spot(visit.place, visit.model), room - begin, TEXT), TEXT)


def _spot(place: Place, model: str) -> str:
    floor = place.floor if not place.floor.strip().isdecimal() else f"floor {place.floor}"
    room = place.room if not place.room.strip().isdecimal() else f"room {place.room}"
    return clean(", ".join(one for one in (floor, room, model) if one))


def _briefly(reason: Reason, today: date) -> str:
    """A reason in as few words as can be; what has numbers is said by them."""
    if reason.kind == RUN_OUT and reason.p10 is not None and reason.p90 is not None and reason.chance is not None:
        word = reason.text.partition(" about ")[0]
        until = f" to {named_day(reason.p90, today)}" if reason.p90 != reason.p10 else ""
        before = reason.text.rpartition("; ")[2].replace("the next round on ", "")
        return f"{word} {named_day(reason.p10, today)}{until}; {prose(before)}"
    if reason.kind == JOINING:
        return prose(reason.text.partition(": ")[2])
    return prose(reason.text)


def _brought(one: Bring) -> str:
    name = one.part or one.what
    if one.place:
        return f"Bring {one.count} {name} from {one.place}"
    return f"Bring {one.count} {name}" + (f": {prose(one.note)}" if one.note else "")


# --- how it is done ------------------------------------------------------------------------------------------------


def _sheets(made: Round) -> dict[str, tuple[_Work, set[str]]]:
    """The kinds of work of this round, by letter, with the keys of their cards."""
    found: dict[tuple[str, ...], tuple[list[str], set[str]]] = {}
    for card in made.cards:
        steps = tuple(one.text for one in card.steps if one.stage != "log")
        titles, keys = found.setdefault(steps, ([], set()))
        if card.title not in titles:
            titles.append(card.title)
        keys.add(card.key)
    # Where a step is all there is to say, its card says it; only work that several share gets a sheet.
    ranked = sorted(found.items(), key=lambda one: -len(one[1][1]))
    made_sheets: dict[str, tuple[_Work, set[str]]] = {}
    for letter, (steps, (titles, keys)) in zip(_SHEETS, ranked, strict=False):
        made_sheets[letter] = (_Work(letter, tuple(titles), steps, ()), keys)
    return made_sheets


def _works(pen: Pen, works: Iterable[_Work]) -> Iterator[Block]:
    listed = list(works)
    if not listed:
        return
    yield _title(pen, "How the work is done", "common practice; the manual comes first")
    for work in listed:
        more = f" and {len(work.titles) - 3} more" if len(work.titles) > 3 else ""
        text = f"{'; '.join(work.titles[:3])}{more}"
        block = _lines(pen, text, indent=4.4, mark=work.letter)
        block.keep = True
        yield block
        for number, step in enumerate(work.steps, 1):
            yield _lines(pen, step, indent=8.2, mark=f"   {number}")
        yield _gap(0.8)
    yield _lines(pen, "At the end of each: log it on the card's page, or with lowmark service PRINTER --did ITEM.")
    yield _gap(1.2)


# --- what waits ----------------------------------------------------------------------------------------------------


def _waits(pen: Pen, made: Round) -> Iterator[Block]:
    if not made.waits:
        return
    yield _title(pen, "Not on this round")
    for one in made.waits[:_WAITS]:
        due = f"{named_day(one.due, made.day)}: " if one.due is not None else ""
        yield _lines(pen, f"{due}{one.printer}, {one.title.lower()}; {prose(one.why)}", size=SMALL, most=2)
    if len(made.waits) > _WAITS:
        yield _lines(pen, f"... and {len(made.waits) - _WAITS} more", size=SMALL)
