"""The shelf: what lies where, what is on its way, what to order and why; and the forms that say what changed."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from agent.insight.shelf import ARRIVED, COUNTED_IN, COUNTED_OUT, ORDERED, RECOUNTED, SHELF_KINDS, WITHDRAWN
from agent.model.fleet import LedgerEntry
from agent.model.shelf import Advice, OpenOrder, SparePart, Stock
from agent.model.stocktaking import Fit, Movement, NotPossible, Stocktaking
from agent.web.callers import caller
from agent.web.forms import Form, form_page
from agent.web.house import House
from agent.web.leaf import HEADERS, PAGE, address, answer, as_of, asked_moment, failed, guarded, leaves, number
from agent.web.words import harmless

WAYS = {
    COUNTED_IN: "Count in",
    COUNTED_OUT: "Count out",
    RECOUNTED: "Count again: so many lie here",
    ORDERED: "Ordered",
    ARRIVED: "Arrived",
    WITHDRAWN: "Will not come",
}
"""What can be said about a part, by kind of the ledger."""
AT_PLACE = (COUNTED_IN, COUNTED_OUT, RECOUNTED)
JUST_WRITTEN = timedelta(minutes=3)
TOLD = 20
SAID = ("kind", "count", "place", "remark")
"""The fields of a form about a part."""
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


@dataclass(frozen=True, slots=True)
class Pile:
    """One part as the page shows it. ``piles``: where it lies; ``lacks``: none is left and somebody uses it."""

    name: str
    part: SparePart | None
    piles: tuple[Stock, ...]
    on_hand: int
    on_order: int
    orders: tuple[OpenOrder, ...]
    advice: Advice | None
    fits: tuple[Fit, ...]
    counted: bool

    @property
    def lacks(self) -> bool:
        """Whether none is left although somebody counts it and a printer uses it."""
        return self.counted and self.on_hand == 0 and bool(self.fits)


def piles(taking: Stocktaking) -> list[Pile]:
    """Every part of the settings, and those that only the shelf knows."""
    parts = {part.name: part for part in taking.parts}
    state = taking.state
    names = dict.fromkeys([*parts, *(one.part for one in state.stock), *(one.part for one in state.orders)])
    return [
        Pile(
            name,
            parts.get(name),
            tuple(one for one in state.stock if one.part == name),
            state.on_hand(name),
            state.on_order(name),
            tuple(one for one in state.orders if one.part == name),
            taking.advice_of(name),
            taking.fits.get(name, ()),
            state.is_counted(name),
        )
        for name in names
    ]


def to_order(found: list[Pile]) -> list[tuple[Pile, Advice]]:
    """What to order, the most urgent first."""
    wanted = [(one, one.advice) for one in found if one.advice is not None and one.advice.order]
    return sorted(wanted, key=lambda pair: (pair[1].by is None, pair[1].by, -(pair[1].stock_out or 0), pair[0].name))


def routes(house: House) -> list[BaseRoute]:
    """The pages of the shelf."""
    pages = ShelfPages(house)
    return [
        Route("/shelf", guarded(pages.shelf)),
        Route("/shelf.csv", guarded(pages.table)),
        Route("/shelf/part", guarded(pages.part)),
        Route("/shelf", form_page(pages.move, "serve"), methods=["POST"]),
    ]


class ShelfPages:
    """One page for each method; they run in worker threads."""

    def __init__(self, house: House) -> None:
        self._house = house

    def shelf(self, request: Request) -> Response:
        """The whole shelf."""
        query = request.query_params
        then = asked_moment(query, self._house)
        taking = self._house.shelf(then)
        found = piles(taking)
        asked = query.get("q", "")[:100].strip()
        words = asked.casefold().split()
        shown = [one for one in found if all(word in _text(one) for word in words)]
        page = number(query, "page", 1, 100_000)
        return answer(
            "shelf.html",
            here="/shelf",
            **as_of(query, self._house, then),
            taking=taking,
            piles=shown[(page - 1) * PAGE : page * PAGE],
            known=len(found),
            orders=to_order(found),
            wanted=sum(1 for one in found if one.advice is None and one.part is not None),
            q=asked,
            zone=taking.zone,
            today=taking.as_of.date(),
            pages=leaves(query, page, len(shown)),
            ordered=ORDERED,
            address=lambda **changed: address(query, **changed),
        )

    def part(self, request: Request) -> Response:
        """One part."""
        query = request.query_params
        return self._part(query.get("name", "")[:200], **as_of(query, self._house, asked_moment(query, self._house)))

    def _part(self, name: str, status: int = 200, *, then: datetime | None = None, **more: Any) -> Response:
        taking = self._house.shelf(then)
        found = next((one for one in piles(taking) if one.name == name), None)
        if found is None:
            raise HTTPException(404)
        told = self._told(name, then)
        latest = told[0] if told else None
        fresh = then is None and latest is not None and taking.as_of - latest.at < JUST_WRITTEN
        shown = {"fault": "", "given": dict.fromkeys(SAID, ""), **more}
        return answer(
            "part.html",
            status,
            here="/shelf",
            taking=taking,
            pile=found,
            told=told,
            written=latest if fresh and not shown["fault"] else None,
            ways=WAYS,
            at_place=AT_PLACE,
            kinds={"ordered": ORDERED, "arrived": ARRIVED, "withdrawn": WITHDRAWN},
            zone=taking.zone,
            today=taking.as_of.date(),
            then=then,
            serves=caller().may("serve") and then is None,
            **shown,
        )

    def _told(self, part: str, then: datetime | None) -> list[LedgerEntry]:
        """What the ledger says of a part, the latest first."""
        entries = self._house.ledger(None, None, then, SHELF_KINDS, 2_000)
        return [one for one in reversed(entries) if one.subject == part][:TOLD]

    def move(self, _: Request, form: Form) -> Response:
        """Somebody said something about a part."""
        part, kind = form.text("part", most=200), form.text("kind", most=40)
        said = {name: form.text(name, most=300) for name in SAID}
        try:
            count = pieces(said["count"])
            self._house.move(Movement(kind, part, count, form.who, said["place"] or None, said["remark"]))
        except NotPossible as problem:
            try:
                return self._part(part, 422, fault=_for_a_page(str(problem)), given=said)
            except HTTPException:
                return failed(problem)
        return RedirectResponse(f"/shelf/part?{urlencode({'name': part})}", 303)

    def table(self, request: Request) -> Response:
        """The shelf as CSV (RFC 4180), with no cell that a spreadsheet would take for a formula."""
        text = io.StringIO()
        rows = csv.writer(text)
        rows.writerow(
            ("part", "description", "place", "count", "counted", "on_order", "order", "by", "stock_out", "because")
        )
        for one in piles(self._house.shelf(asked_moment(request.query_params, self._house))):
            advice = one.advice
            because = "; ".join(f"{need.printer} {need.supply}" for need in advice.because) if advice else ""
            for lying in one.piles or (None,):
                cells: tuple[object, ...] = (
                    one.name,
                    one.part.description if one.part else "",
                    lying.place if lying else "",
                    lying.count if lying else "",
                    lying.counted.isoformat() if lying and lying.counted else "",
                    one.on_order,
                    advice.order if advice else "",
                    advice.by.isoformat() if advice and advice.by else "",
                    round(advice.stock_out, 4) if advice and advice.stock_out is not None else "",
                    because,
                )
                rows.writerow([_plain(cell) for cell in cells])
        sent = {**HEADERS, "content-disposition": 'attachment; filename="shelf.csv"'}
        return Response(text.getvalue(), media_type="text/csv; charset=utf-8; header=present", headers=sent)


def pieces(text: str) -> int:
    """A number of pieces. Raises NotPossible."""
    if not (text.isascii() and text.isdigit() and len(text) < 9):
        raise NotPossible(f"{harmless(text, 20) or 'Nothing'} is no number: give whole pieces")
    return int(text)


def _plain(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    shown = harmless(cell)
    return f"'{shown}" if _FORMULA.match(shown) else shown


def _text(one: Pile) -> str:
    """What a search looks through."""
    words = [one.name, *(pile.place for pile in one.piles)]
    if one.part is not None:
        words += [one.part.description, *one.part.models, *one.part.supplies]
    return " ".join(words).casefold()


def _for_a_page(text: str) -> str:
    """A sentence that names a command, for somebody who has a form before them."""
    said = text.partition(" If there were more,")[0].partition("; what came without an order:")[0]
    return said.partition(", and count the rest in with lowmark")[0].replace("; say that", "; say only that")
