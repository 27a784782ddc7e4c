"""The round, the shelf and services over the API. What changes something wants the role ``serve``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Annotated, Any, Literal

from fastapi import FastAPI, File, Form, Path, Query, Request, Response, UploadFile
from pydantic import Field, ValidationError

from agent.insight.movements import MOST, doubts
from agent.insight.shelf import Shelf
from agent.model.failure import Failure
from agent.model.proof import Done
from agent.model.stocktaking import Movement
from agent.web import schema_work, shapes, shapes_service
from agent.web.api_terms import SERVE, Asked, At, Moment, answer, answers, past, refusals
from agent.web.callers import who_does_it
from agent.web.gate import LARGEST_FORM
from agent.web.house import House
from agent.web.leaf import WRONG
from agent.web.problem import problem
from agent.web.schema_reading import Shape
from agent.web.shapes_round import round_data
from agent.web.shapes_shelf import shelf as shape_of_shelf

_WORDS = {
    401: "Nobody is signed in, and there is no token.",
    403: "The caller may not do this.",
    415: "Send application/json.",
    421: "Asked under a name that is not this machine's own.",
    422: "What was asked for cannot be; the reason is told.",
    503: "The store cannot be used now.",
}
Day = Annotated[date | None, Query(description="The day of the round; else the next on which one is made.")]
Site = Annotated[str, Query(max_length=200, description="Only the printers of this site.")]
Printer = Annotated[int | None, Query(ge=1, le=2**53, description="Only of this printer.")]
ServiceId = Annotated[int, Path(ge=1, le=2**53, description="The number of the service's entry in the ledger.")]
SuggestionId = Annotated[str, Path(max_length=200, description="What the suggestion is called.")]
Who = Annotated[str, Field(max_length=100, description="Who did it, where nobody signs in; else the caller is known.")]
ServiceText = Annotated[
    str, Form(max_length=20_000, description="What was done, as JSON text: what /services takes as its body.")
]
Photo = Annotated[
    UploadFile,
    File(description="A JPEG, PNG or WebP image, at most 8 MiB. Only the picture is kept, not where it was taken."),
]
_Name = Annotated[str, Field(min_length=1, max_length=200)]


def _changes(model: type[Shape], status: int = 201) -> dict[int | str, dict[str, Any]]:
    """What an operation that changes something may answer, for the document."""
    return {status: {"model": model, "description": "It is written down."}, **refusals(_WORDS)}


class Withdrawal(Asked):
    """It was not done."""

    who: Who = ""
    remarks: Annotated[str, Field(max_length=500)] = ""


class Acceptance(Asked):
    """It was done as the printer shows it."""

    who: Who = ""
    part: Annotated[str, Field(max_length=200, description="Which part was taken; else the only one that fits.")] = ""


class NewService(Asked):
    """What was done at a printer."""

    printer_id: Annotated[int, Field(ge=1, le=2**53)]
    did: Annotated[list[_Name], Field(min_length=1, max_length=50, description="Plans and supplies.")]
    who: Who = ""
    parts: Annotated[dict[_Name, _Name], Field(max_length=50, description="Which part for which of them.")] = Field(
        default_factory=dict
    )
    place: Annotated[str, Field(max_length=200, description="From where the parts came; else the usual place.")] = ""
    from_shelf: bool = True
    at: Moment | None = None
    counter: Annotated[int | None, Field(ge=0, le=2**53, description="As read; else the printer is asked.")] = None
    remarks: Annotated[str, Field(max_length=1000)] = ""
    corrects: Annotated[int | None, Field(ge=1, le=2**53, description="The service that this one replaces.")] = None


class NewMovement(Asked):
    """What changed on the shelf. ``shelfRecounted``: so many lie there."""

    kind: Literal["shelfCountedIn", "shelfCountedOut", "shelfRecounted", "ordered", "orderArrived", "orderWithdrawn"]
    part: _Name
    count: Annotated[int, Field(ge=0, le=MOST)]
    place: Annotated[str | None, Field(max_length=200, description="Needed where there are several.")] = None
    remark: Annotated[str, Field(max_length=200)] = ""
    who: Who = ""


def add(api: FastAPI, house: House) -> None:
    """Add the operations to the API."""
    _looking(api, house)
    _serving(api, house)
    _moving(api, house)


def _looking(api: FastAPI, house: House) -> None:
    @api.get("/round", summary="The round of a day", responses=answers(schema_work.RoundAnswer))
    def the_round(request: Request, site: Site = "", day: Day = None, at: At = None) -> Response:
        sites = {view.printer.place.site for view in house.views().values()}
        if site and site not in sites:
            return problem(422, "No printer stands at this site.", [{"where": "query.site", "what": "not a site"}])
        today = (at or house.now()).date()
        if day is not None and not 0 <= (day - today).days + 1 <= 368:
            wrong = [{"where": "query.day", "what": f"give a day from {today} on, within a year"}]
            return problem(422, "A parameter is wrong.", wrong)
        return answer(request, "round", round_data(house.round(site or None, day, past(house, at))))

    @api.get("/shelf", summary="Stock, orders, and what to order", responses=answers(schema_work.ShelfAnswer))
    def the_shelf(request: Request, at: At = None) -> Response:
        return answer(request, "shelf", shape_of_shelf(house.shelf(past(house, at))))

    @api.get("/proofs", summary="What became of services", responses=answers(schema_work.ProofsAnswer))
    def proofs(request: Request, printer: Printer = None, at: At = None) -> Response:
        as_of = at or house.now()
        found = house.proofs(printer, at)
        return answer(request, "proofs", shapes_service.proofs(found, house.printers(), as_of))

    @api.get(
        "/suggestions",
        summary="What printers show to have been done although nobody logged it",
        responses=answers(schema_work.SuggestionsAnswer),
    )
    def suggestions(request: Request, printer: Printer = None, at: At = None) -> Response:
        then = past(house, at)
        as_of = then or house.now()
        if printer is not None and printer not in house.printers():
            return answer(request, "suggestions", shapes_service.suggestions((), {}, as_of))
        found = house.suggestions(printer, then)
        return answer(request, "suggestions", shapes_service.suggestions(found, house.printers(), as_of))


def _serving(api: FastAPI, house: House) -> None:
    @api.post(
        "/services",
        summary="Write down what was done at a printer; it is read at once",
        status_code=201,
        responses=_changes(schema_work.ServiceAnswer),
        dependencies=SERVE,
    )
    def serve(asked: NewService) -> Response:
        return _serve(house, asked, None)

    @api.post(
        "/services/with-photo",
        summary="The same with a photo, as multipart/form-data",
        status_code=201,
        responses={
            **_changes(schema_work.ServiceAnswer),
            **refusals({413: "The request is too large.", 415: "Send multipart/form-data."}),
        },
        dependencies=SERVE,
    )
    def serve_with_photo(service: ServiceText, photo: Photo) -> Response:
        try:
            asked = NewService.model_validate_json(service)
        except ValidationError as wrong:
            errors = [
                {"where": ".".join(map(str, ("body", "service", *one["loc"]))), "what": str(one["msg"])}
                for one in wrong.errors()[:20]
            ]
            return problem(422, "What was done cannot be understood.", errors)
        return _serve(house, asked, photo.file.read(LARGEST_FORM + 1))

    @api.post(
        "/services/{service_id}/withdraw",
        summary="Take a service back that was not done; nothing is erased",
        responses=_changes(schema_work.WithdrawnAnswer, 200),
        dependencies=SERVE,
    )
    def withdraw(service_id: ServiceId, asked: Withdrawal) -> Response:
        return _done(
            "service",
            lambda: shapes_service.withdrawn(
                house.withdraw(service_id, who_does_it(asked.who), asked.remarks), house.printers()
            ),
            200,
        )

    @api.post(
        "/suggestions/{suggestion_id}/accept",
        summary="Write down what a suggestion says",
        status_code=201,
        responses=_changes(schema_work.ServiceAnswer),
        dependencies=SERVE,
    )
    def accept(suggestion_id: SuggestionId, asked: Acceptance) -> Response:
        return _done(
            "service",
            lambda: shapes_service.recorded(
                house.accept(suggestion_id, who_does_it(asked.who), asked.part), house.printers()
            ),
        )


def _serve(house: House, asked: NewService, photo: bytes | None) -> Response:
    def work() -> Mapping[str, Any]:
        done = Done(
            asked.printer_id, tuple(dict.fromkeys(asked.did)), who_does_it(asked.who), asked.at, asked.parts,
            asked.place, asked.from_shelf, asked.counter, asked.remarks, photo, asked.corrects,
        )  # fmt: skip
        return shapes_service.recorded(house.serve(done), house.printers())

    return _done("service", work)


def _moving(api: FastAPI, house: House) -> None:
    @api.post(
        "/shelf/movements",
        summary="Say what changed on the shelf",
        status_code=201,
        responses=_changes(schema_work.MovementAnswer),
        dependencies=SERVE,
    )
    def move(asked: NewMovement) -> Response:
        def work() -> Mapping[str, Any]:
            said = Movement(asked.kind, asked.part, asked.count, who_does_it(asked.who), asked.place, asked.remark)
            entry = house.move(said)
            taking = house.shelf(None)
            return {
                "entry": shapes.entries([entry], house.printers())[0],
                "stock": [one for one in shape_of_shelf(taking)["stock"] if one["part"] == asked.part],
                "on_order": taking.state.on_order(asked.part),
                "doubts": list(doubts(said, Shelf(taking.parts))),
            }

        return _done("shelfMovement", work)


def _done(name: str, work: Callable[[], Mapping[str, Any]], status: int = 201) -> Response:
    try:
        payload = work()
    except Failure as failure:
        return problem(422 if failure.status == WRONG else 503, str(failure))
    return Response(shapes.text(name, payload), status_code=status, media_type="application/json")
