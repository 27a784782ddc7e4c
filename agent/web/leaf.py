"""What all pages share: how one is made, what may go wrong in making it, and how lists are leafed through."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from agent.model.failure import Failure
from agent.model.zones import zone_of
from agent.web import look
from agent.web.callers import Refused, caller
from agent.web.house import House

PAGE = 50
"""Rows on one page of a list."""
HEADERS = {"content-security-policy": look.POLICY}
NAV = (
    ("/round", "Round"), ("/printers", "Printers"), ("/shelf", "Shelf"), ("/alarms", "Alarms"),
    ("/ledger", "Ledger"), ("/about", "This agent"),
)  # fmt: skip
WRONG = 2
"""The status of failures that a person can mend by asking for something else (see ``Failure``)."""


LIVE: Mapping[str, tuple[str, ...]] = {
    "round.html": ("round",), "printers.html": ("printers", "alarms"), "printer.html": ("printer:", "alarms"),
    "card.html": ("printer:", "round"), "service.html": ("printer:", "ledger"), "shelf.html": ("shelf",),
    "part.html": ("shelf",), "alarms.html": ("alarms",), "ledger.html": ("ledger",), "about.html": ("agent",),
}  # fmt: skip
"""What each page shows, by the names that ``agent.web.live`` tells; ``printer:`` is that of its printer alone."""


def live_names(template: str, values: Mapping[str, Any]) -> str:
    """The names of what a page shows, apart by blanks."""
    printer = values.get("printer") or getattr(getattr(values.get("page"), "view", None), "printer", None)
    known = getattr(printer, "id", "")
    return " ".join(f"{name}{known}" if name.endswith(":") else name for name in LIVE.get(template, ()))


def answer(template: str, status: int = 200, headers: Mapping[str, str] | None = None, /, **values: Any) -> Response:
    """One page."""
    live = live_names(template, values) if status == 200 and not values.get("then") else ""
    text = look.render(template, nav=NAV if caller().role else (), live=live, **values)
    return HTMLResponse(text, status_code=status, headers={**HEADERS, **(headers or {})})


def guarded(make: Callable[[Request], Response]) -> Callable[[Request], Any]:
    """The endpoint of a page, which is made in a worker thread."""

    async def serve(request: Request) -> Response:
        try:
            return await run_in_threadpool(make, request)
        except Failure as failure:
            return failed(failure)

    serve.__name__ = make.__name__
    return serve


def failed(failure: Failure) -> Response:
    """What a failure looks like: the store cannot be read, or what was asked for cannot be."""
    if failure.status == WRONG:
        return answer("fault.html", 422, title="This is not done", text=str(failure), here="")
    return answer("fault.html", 503, title="The store cannot be read now", text=str(failure), here="")


def number(query: QueryParams, name: str, otherwise: int, most: int) -> int:
    """A number of the query, at least 1; ``otherwise`` where it is none."""
    text = query.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) < 18):
        return otherwise
    return min(max(1, int(text)), most)


def address(query: QueryParams, **changed: object) -> str:
    """The same page with some parameters changed; None takes one out."""
    pairs = {key: value for key, value in query.items() if value != ""}
    for key, value in changed.items():
        if value is None:
            pairs.pop(key, None)
        else:
            pairs[key] = str(value)
    return f"?{urlencode(pairs)}"


def asked_moment(query: QueryParams, house: House) -> datetime | None:
    """The moment of ``at``, in the agent's own zone where it says no offset; None for now and what has not come yet.

    Raises Refused for what is no moment: a page as of now must not seem to be one of then.
    """
    text = query.get("at", "")[:60]
    if not text:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or not 1990 <= at.year < 2200:
        raise Refused(422, "That is no moment to look at; write e.g. ?at=2026-03-02T08:00.")
    there = at if at.tzinfo is not None else at.replace(tzinfo=zone_of(house.about().zone))
    return there if there < house.now() else None


def as_of(query: QueryParams, house: House, then: datetime | None) -> dict[str, Any]:
    """What a page says of the moment that it was asked for. ``onward(path)``: another page, as of the same moment."""
    made = {"then": then, "then_zone": house.about().zone, "now_address": address(query, at=None, page=None)}
    return made if then is None else {**made, "onward": lambda path: carried(path, then)}


def carried(path: str, then: datetime | None) -> str:
    """An address that asks for the same moment; ``path`` as it is for now."""
    if then is None:
        return path
    return f"{path}{'&' if '?' in path else '?'}{urlencode({'at': then.isoformat()})}"


def leaves(query: QueryParams, at: int, total: int) -> dict[str, Any]:
    """What is needed to leaf through a list: this page, how many, and the addresses of the neighbours."""
    last = max(1, -(-total // PAGE))
    return {
        "page": at,
        "last": last,
        "first_row": (at - 1) * PAGE + 1 if total else 0,
        "last_row": min(at * PAGE, total),
        "total": total,
        "before": address(query, page=at - 1) if at > 1 else "",
        "after": address(query, page=at + 1) if at < last else "",
    }
