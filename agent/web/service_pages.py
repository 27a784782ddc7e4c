"""Saying what was done, seeing it proven, taking it back, and accepting what a printer shows that nobody logged."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TypeVar

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from agent.model.failure import Failure
from agent.model.fleet import PrinterView
from agent.model.proof import PROVING, Proof
from agent.web.callers import Refused, caller
from agent.web.forms import Form, form_page
from agent.web.house import House
from agent.web.leaf import HEADERS, WRONG, answer, as_of, asked_moment, failed, guarded
from agent.web.notes import NOTES
from agent.web.round_pages import card_page, show_card
from agent.web.service_form import Sheet, done_of, handwork_for, sheet_of, subjects_of

_Made = TypeVar("_Made")
PHOTO_HEADERS = {**HEADERS, "cache-control": "private, max-age=86400", "content-disposition": "inline"}
CHECKED = {"waiting": "waiting", "seen": "seen", "missing": "missing", "not-applicable": "not to be seen here"}
STATES = {"proving": "Being proven", "proven": "Proven", "unproven": "Not proven"}
SOURCES = {
    "live": "read from the printer",
    "given": "as given",
    "last known": "last known, the printer could not be read",
    "seen": "as the printer showed it",
}
"""Where the counter of a service comes from."""


def routes(house: House) -> list[BaseRoute]:
    """The pages about services."""
    pages = ServicePages(house)
    one = "/printers/{printer_id:int}/services/{service_id:int}"
    return [
        Route("/printers/{printer_id:int}/service", guarded(pages.form)),
        Route("/printers/{printer_id:int}/service", form_page(pages.serve, "serve"), methods=["POST"]),
        Route(one, guarded(pages.proof)),
        Route(f"{one}/withdraw", form_page(pages.withdraw), methods=["POST"]),
        Route("/printers/{printer_id:int}/hands", form_page(pages.hands, "serve", who=False), methods=["POST"]),
        Route("/suggestions/{suggestion_id}/accept", form_page(pages.accept, "serve"), methods=["POST"]),
        Route("/photos/{name}", guarded(pages.photo)),
    ]  # fmt: skip


class ServicePages:
    """One page for each method; they run in worker threads."""

    def __init__(self, house: House) -> None:
        self._house = house

    def form(self, request: Request) -> Response:
        """The form of a printer, without a card; with ``corrects`` that of a service to be corrected."""
        view = self._view(request)
        text = request.query_params.get("corrects", "")
        proof = self._proof(view, number_in(text))
        ticked = request.query_params.getlist("did")[:20]
        return _form(view, sheet_of(self._house, view, ticked, proof.service if proof is not None else None))

    def serve(self, request: Request, form: Form) -> Response:
        """Somebody says what was done."""
        view = self._view(request)
        key = form.text("card", most=300)

        def again(fault: str) -> Response:
            page = card_page(self._house, key) if key else None
            if page is not None and page.view.printer.id == view.printer.id:
                return show_card(self._house, page, 422, fault)
            return _form(
                view,
                sheet_of(self._house, view, tuple(subjects_of(self._house, view, form.texts("did")).values())),
                422,
                fault,
            )

        page = card_page(self._house, key) if key else None
        corrected = self._proof(view, number_in(form.text("corrects", most=20)))
        offered = [*(page.form.choices if page is not None else ())]
        if corrected is not None:
            offered += sheet_of(self._house, view, (), corrected.service).choices
        try:
            recorded = self._house.serve(done_of(self._house, form, view, offered))
        except Refused as problem:
            return again(str(problem.detail))
        except Failure as problem:
            return again(_for_a_page(str(problem))) if problem.status == WRONG else failed(problem)
        return RedirectResponse(_there(view.printer.id, recorded.service.id, recorded.notices), 303)

    def proof(self, request: Request) -> Response:
        """One service, and check by check what the printer shows of it."""
        query = request.query_params
        then = asked_moment(query, self._house)
        view = self._view(request, then)
        proof = self._proof(view, int(request.path_params["service_id"]), then)
        if proof is None:
            return self._gone(view, int(request.path_params["service_id"]), then)
        told = reversed(self._house.proofs(view.printer.id, then))
        others = [one for one in told if one.service.id != proof.service.id]
        return answer(
            "service.html",
            here="/round",
            proof=proof,
            printer=view.printer,
            zone=view.printer.place.zone,
            states=STATES,
            checked=CHECKED,
            sources=SOURCES,
            notices=NOTES.told(request.query_params.get("note", "")),
            others=others[:5],
            proving=proof.state == PROVING,
            hands=[deed.subject for deed in proof.service.deeds] if self._lends_hands(view) else [],
            looked=then or self._house.now(),
            serves=caller().may("serve") and then is None,
            **as_of(query, self._house, then),
        )

    def _gone(self, view: PrinterView, service_id: int, then: datetime | None) -> Response:
        """A service that holds no more, or is long ago, stays in the ledger."""
        entries = self._house.ledger(view.printer.id, None, then, ("service",), 2_000)
        found = next((one for one in entries if one.id == service_id), None)
        if found is None:
            raise HTTPException(404)
        text = f"{found.text}. This was corrected, taken back, or is longer ago than is proven; it stays in the ledger."
        return answer("fault.html", 404, title="No proof is kept of this", text=text, here="/round")

    def withdraw(self, request: Request, form: Form) -> Response:
        """Somebody takes a service back that was not done."""
        view = self._view(request)
        service = int(request.path_params["service_id"])
        return _or_say(
            lambda: self._house.withdraw(service, form.who, form.text("remarks", most=500)),
            lambda _: RedirectResponse(f"/printers/{view.printer.id}#services", 303),
        )

    def accept(self, request: Request, form: Form) -> Response:
        """Somebody accepts that what a printer shows was done."""
        name = str(request.path_params["suggestion_id"])[:200]
        return _or_say(
            lambda: self._house.accept(name, form.who, form.text("part", most=200)),
            lambda made: RedirectResponse(_there(made.service.printer_id, made.service.id, made.notices), 303),
        )

    def hands(self, request: Request, form: Form) -> Response:
        """Do the work at a simulated printer."""
        view = self._view(request)
        deeds = list(subjects_of(self._house, view, form.texts("deed")[:20]).values())
        if not self._lends_hands(view) or not deeds:
            raise HTTPException(404)
        upkeep = self._house.upkeep().get(view.printer.id)
        there = form.text("there", most=300)

        def work() -> list[str | None]:
            return [
                self._house.hands(view.printer.id, one) for deed in deeds for one in handwork_for(view, upkeep, deed)
            ]

        def answered(said: list[str | None]) -> Response:
            here = (
                there if there.startswith(("/cards/", "/printers/")) and not {"?", "#", "\\"} & set(there) else "/round"
            )
            return RedirectResponse(f"{here}?note={NOTES.keep([one for one in said if one])}", 303)

        return _or_say(work, answered)

    def photo(self, request: Request) -> Response:
        """A photo, as one of the kinds of picture that were accepted."""
        found = self._house.photo(str(request.path_params["name"])[:100])
        if found is None:
            raise HTTPException(404)
        content, media = found
        return Response(content, media_type=media, headers=PHOTO_HEADERS)

    def _view(self, request: Request, then: datetime | None = None) -> PrinterView:
        number = int(request.path_params["printer_id"])
        view = None
        if number < 2**53:
            view = self._house.views().get(number) if then is None else self._house.view(number, then)
        if view is None:
            raise HTTPException(404)
        return view

    def _proof(self, view: PrinterView, service_id: int, then: datetime | None = None) -> Proof | None:
        if not service_id:
            return None
        return next((one for one in self._house.proofs(view.printer.id, then) if one.service.id == service_id), None)

    def _lends_hands(self, view: PrinterView) -> bool:
        return self._house.hands(view.printer.id) is not None


def number_in(text: str) -> int:
    """The number of an entry; 0, which none has, where it is none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 0


def _form(view: PrinterView, sheet: Sheet, status: int = 200, fault: str = "") -> Response:
    printer = view.printer
    return answer(
        "service_form.html",
        status,
        here="/printers",
        sheet=sheet,
        printer=printer,
        fault=fault,
        zone=printer.place.zone,
    )


def _there(printer_id: int, service_id: int, notices: tuple[str, ...]) -> str:
    name = NOTES.keep(notices)
    return f"/printers/{printer_id}/services/{service_id}" + (f"?note={name}" if name else "")


def _or_say(work: Callable[[], _Made], then: Callable[[_Made], Response]) -> Response:
    """``then`` with what ``work`` made; a page that says what cannot be."""
    try:
        made = work()
    except Failure as problem:
        if problem.status != WRONG:
            return failed(problem)
        raise Refused(422, _for_a_page(str(problem))) from None
    return then(made)


def _for_a_page(text: str) -> str:
    """A sentence for somebody who has a form before them and no terminal."""
    return text.partition("; --at says")[0].partition(" (lowmark service")[0].partition("; lowmark ")[0]
