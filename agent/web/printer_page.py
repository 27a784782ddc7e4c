"""The page of one printer, and its charts, which are pictures of their own: so the page does not wait for them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from agent.model.fleet import PrinterView
from agent.web import drawings, locales, service_pages
from agent.web.album import Album, Hung
from agent.web.house import House
from agent.web.leaf import address, answer, as_of, asked_moment, carried, guarded, number
from agent.web.roster import STATES
from agent.web.sheet import DAYS, Sheet, Span, grain, sheet
from agent.web.standing import chosen
from agent.web.words import first_upper, harmless

AT_ONCE = 2
"""So many charts are made at the same time: one is drawn, and another one looked up."""
LEVEL, PAGES = "level.svg", "pages.svg"
_VOLUME = None
"""The pages by day, among charts that go by the keys of supplies."""


def routes(house: House) -> list[BaseRoute]:
    """The page, and its charts."""
    pages, turn = PrinterPages(house), asyncio.Semaphore(AT_ONCE)
    place = "/printers/{printer_id:int}"
    return [
        Route(place, guarded(pages.page)),
        Route(f"{place}/{LEVEL}", _in_turn(pages.level, turn)),
        Route(f"{place}/{PAGES}", _in_turn(pages.volume, turn)),
    ]


def _in_turn(make: Callable[[Request], Response], turn: asyncio.Semaphore) -> Callable[[Request], Any]:
    """The endpoint of a chart. Charts wait here for each other, and not in the threads that other pages need."""
    guarded_one = guarded(make)

    async def serve(request: Request) -> Response:
        async with turn:
            made: Response = await guarded_one(request)
            return made

    return serve


class PrinterPages:
    """One page or chart for each method; they run in worker threads."""

    def __init__(self, house: House, album: Album | None = None) -> None:
        self._house = house
        self._album = album or Album()

    def page(self, request: Request) -> Response:
        """One printer, now or as of an earlier moment."""
        house, printer_id, query = self._house, _printer_id(request), request.query_params
        then = asked_moment(query, house)
        view = self._view(printer_id, then)
        made = self._sheet(view, query, then) if view is not None else None
        if view is None or made is None:
            return self._gone(printer_id, query, then)
        return answer(
            "printer.html", here="/printers", sheet=made, printer=view.printer, spans=DAYS, states=STATES,
            proofs=house.proofs(printer_id, then)[::-1],
            # Of an earlier moment there is nothing to accept any more.
            suggestions=() if then else house.suggestions(printer_id),
            printers={printer_id: view.printer}, stamps=service_pages.STATES, wide=drawings.WIDE,
            narrow=drawings.NARROW, address=lambda **changed: address(query, **changed), **as_of(query, house, then),
            charts={key: _address(key, hung, made, then) for key, hung in self._hung(made).items()},
        )  # fmt: skip

    def level(self, request: Request) -> Response:
        """The level of one supply over time, and what is expected of it."""
        return self._chart(request, request.query_params.get("supply", ""))

    def volume(self, request: Request) -> Response:
        """Pages by day."""
        return self._chart(request, _VOLUME)

    def _chart(self, request: Request, key: str | None) -> Response:
        query = request.query_params
        hung = self._album.find(query.get("v", "")) or self._anew(request, key)
        if hung is None:
            raise HTTPException(404)
        narrow = query.get("narrow") == "1"
        # Weak: it may go out compressed or not.
        tag = f'W/"{hung.mark}-{"narrow" if narrow else "wide"}-{locales.here()}"'
        headers = {
            "etag": tag,
            # Kept, but shown to nobody who may not see it any more.
            "cache-control": "private, no-cache",
            "vary": "accept-language",
            "content-security-policy": f"default-src 'none'; style-src {drawings.source()}; frame-ancestors 'none'",
        }
        if tag in [one.strip() for one in request.headers.get("if-none-match", "").split(",")]:
            return Response(status_code=304, headers=headers)
        return Response(self._album.svg(hung, narrow=narrow), media_type="image/svg+xml", headers=headers)

    def _anew(self, request: Request, key: str | None) -> Hung | None:
        """A chart that is not kept: of a page of long ago, or asked for by itself."""
        then = asked_moment(request.query_params, self._house)
        view = self._view(_printer_id(request), then)
        made = self._sheet(view, request.query_params, then, upkeep=False) if view is not None else None
        return self._hung(made).get(key) if made is not None else None

    def _hung(self, made: Sheet) -> dict[str | None, Hung]:
        """The charts of a page by the keys of their supplies."""
        name = harmless(made.view.printer.name or made.view.printer.address)
        found: dict[str | None, Hung] = {
            part.supply.key: self._album.hang(part.chart, f"{first_upper(part.name)}: {name}")
            for part in made.supplies
            if part.chart is not None
        }
        if made.volume is not None:
            found[_VOLUME] = self._album.hang(made.volume, f"Pages by day: {name}")
        return found

    def _view(self, printer_id: int, then: datetime | None) -> PrinterView | None:
        if printer_id >= 2**53:
            return None
        return self._house.views().get(printer_id) if then is None else self._house.view(printer_id, then)

    def _sheet(
        self, view: PrinterView, query: QueryParams, then: datetime | None, *, upkeep: bool = True
    ) -> Sheet | None:
        """What the page shows; None where the store knows no such printer. ``upkeep``: whether that is asked for."""
        house, printer_id, now = self._house, view.printer.id, then or self._house.now()
        days = number(query, "days", DAYS[1], DAYS[-1])
        days = days if days in DAYS else DAYS[1]
        if then is None:
            insight, due = house.insights().get(printer_id), house.upkeep().get(printer_id)
        else:
            insight, due = house.insight(printer_id, then), house.upkeep_at(printer_id, then) if upkeep else None
        fine = grain(now, days, view.printer.place.zone, insight)
        history = house.outline(printer_id, now - timedelta(days=days), now, fine)
        if history is None:
            return None
        records = [one for one in chosen(house.alarms(then)) if one.printer_id == printer_id]
        return sheet(view, history, insight, due, records, Span(now, days, then is not None))

    def _gone(self, printer_id: int, query: QueryParams, then: datetime | None) -> Response:
        known = self._house.printers().get(printer_id)
        if known is None:
            raise HTTPException(404)
        if then is not None and (known.retired is None or known.retired > then):
            title, text = "This printer was not read yet", f"{known.name} has no history of that moment or before it."
            return answer(
                "fault.html", 404, title=title, text=text, here="/printers", **as_of(query, self._house, then)
            )
        if known.retired is not None:
            text = f"{known.name} is out of service; its history is kept, and its ledger can be read."
        else:
            text = f"{known.name} has a history, but the settings do not name it now, so it is not asked any more."
        return answer("fault.html", 404, title="This printer is not watched", text=text, here="/printers")


def _printer_id(request: Request) -> int:
    return int(request.path_params["printer_id"])


def _address(key: str | None, hung: Hung, made: Sheet, then: datetime | None) -> str:
    """Where a chart is; another chart has another address, so that an open page sees that it has to be asked for."""
    file, named = (PAGES, {}) if key is None else (LEVEL, {"supply": key})
    query = urlencode({**named, "days": made.days, "v": hung.mark})
    return carried(f"/printers/{made.view.printer.id}/{file}?{query}", then)
