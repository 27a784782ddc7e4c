"""``/api/v1``: the same data as the pages and the commands, as JSON. What changes things stands in other modules."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import FastAPI, Path, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import AfterValidator, AwareDatetime
from pydantic.json_schema import models_json_schema
from starlette.exceptions import HTTPException

from agent.insight.process import packaged
from agent.insight.symptoms import NotSeen, read
from agent.insight.symptoms import rank as suspects_of
from agent.model.alarm import SEVERITIES, AlarmRecord, rank
from agent.model.failure import Failure
from agent.web import api_alarms, schema, shapes, shapes_history
from agent.web.callers import Refused
from agent.web.house import House
from agent.web.problem import PROBLEM, problem
from agent.web.roster import SORTS, STATES, Roster, Wanted, choose
from agent.web.schema_reading import Shape
from agent.web.shapes_symptom import SymptomAnswer
from agent.web.shapes_symptom import symptom as shape_of_symptom
from agent.web.standing import chosen

FIRST, LAST = datetime(1990, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
MOST = 1000


def _sensible(at: datetime) -> datetime:
    if not FIRST <= at <= LAST:
        raise ValueError(f"give a moment between {FIRST:%Y} and {LAST:%Y}")
    return at


Moment = Annotated[AwareDatetime, AfterValidator(_sensible)]
Id = Annotated[int, Path(ge=1, le=2**53, description="The store's number of the printer.")]
At = Annotated[
    Moment | None, Query(description="As of this moment, ISO 8601 with offset (a plus sign is written %2B); else now.")
]
Since = Annotated[Moment | None, Query(description="From this moment on, ISO 8601 with offset.")]
Limit = Annotated[int, Query(ge=1, le=MOST, description="At most so many.")]
Offset = Annotated[int, Query(ge=0, le=1_000_000, description="Leave out so many at the beginning.")]
Text = Annotated[str, Query(max_length=200)]

_PROBLEM: Mapping[str, Any] = {"content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}}}


def _answers(model: type[Shape], *more: int) -> dict[int | str, dict[str, Any]]:
    """What an operation may answer, for the document."""
    words = {404: "There is no such printer.", 422: "A parameter is wrong.", 503: "The store cannot be read now."}
    found: dict[int | str, dict[str, Any]] = {
        200: {"model": model, "description": "The data."},
        304: {"description": "Nothing has changed since the answer with this ETag."},
        421: {"description": "Asked under a name that is not this machine's own.", **_PROBLEM},
    }
    for status in (*more, 422, 503):
        found[status] = {"description": words[status], **_PROBLEM}
    return found


class Api(FastAPI):
    """The application, whose document also has the shape of problems: they are made by hand, without a model."""

    def openapi(self) -> dict[str, Any]:
        """The OpenAPI document."""
        if not self.openapi_schema:
            made = super().openapi()
            _, shapes_of = models_json_schema(
                [(schema.Problem, "serialization")], ref_template="#/components/schemas/{model}"
            )
            made["components"]["schemas"].update(shapes_of["$defs"])
        return self.openapi_schema or {}


def build_api(house: House, roster: Roster | None = None) -> FastAPI:
    """The API over one house."""
    rows = roster or Roster()
    api = Api(
        title="Lowmark",
        version="1",
        description="What this agent knows of its printers. The shapes are those of the commands' --json.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/openapi.json",
        default_response_class=Response,
    )
    api.add_exception_handler(RequestValidationError, _wrong)
    api.add_exception_handler(HTTPException, _refused)
    api.add_exception_handler(Failure, _failed)
    api.add_exception_handler(Exception, _broken)

    @api.get("/printers", summary="The fleet as it was last seen", responses=_answers(schema.Printers))
    def printers(  # noqa: PLR0913 - each is a parameter of the operation
        request: Request,
        q: Text = "",
        site: Text = "",
        state: Literal["", *STATES] = "",  # type: ignore[valid-type] # the words stand in one place
        sort: Literal[*SORTS] = "need",  # type: ignore[valid-type]
        descending: bool = False,
        limit: Limit = 100,
        offset: Offset = 0,
    ) -> Response:
        views = house.views()
        made = rows.rows(views, house.insights(), house.upkeep(), house.alarms())
        part = choose(made, Wanted(q, site, state, sort, descending), offset, limit)
        payload = {
            "at": house.about().vitals.swept,
            "total": part.total,
            "offset": offset,
            "limit": limit,
            "printers": [shapes.view(views[row.printer.id]) for row in part.rows],
        }
        return _answer(request, "printers", payload, _links(request, offset, limit, offset + limit < part.total))

    @api.get("/printers/{printer_id}", summary="One printer", responses=_answers(schema.OnePrinter, 404))
    def printer(request: Request, printer_id: Id) -> Response:
        view = house.views().get(printer_id)
        if view is None:
            return _nobody(printer_id)
        insight, upkeep = house.insights().get(printer_id), house.upkeep().get(printer_id)
        payload = {
            "printer": shapes.view(view),
            "reading": None if view.reading is None else shapes.reading(view.reading),
            "insight": None if insight is None else shapes_history.insight(view.printer, insight),
            "upkeep": None if upkeep is None else shapes_history.upkeep(view.printer, upkeep),
            "alarms": shapes.alarms(chosen(one for one in house.alarms() if one.printer_id == printer_id)),
        }
        return _answer(request, "printer", payload)

    @api.get(
        "/printers/{printer_id}/history",
        summary="Levels, counters, contacts and ledger of one printer",
        responses=_answers(schema.History, 404),
    )
    def history(request: Request, printer_id: Id, since: Since = None, at: At = None) -> Response:
        found = house.history(printer_id, since, at)
        if found is None:
            return _nobody(printer_id)
        return _answer(request, "history", {"since": since, "until": at, **shapes.history(found)})

    @api.get(
        "/printers/{printer_id}/insight",
        summary="Use, lives and run-outs of one printer",
        responses=_answers(schema.OneInsight, 404),
    )
    def insight(request: Request, printer_id: Id, at: At = None) -> Response:
        known = house.insights().get(printer_id) if at is None else None
        found = known or house.insight(printer_id, at or house.now())
        whose = house.printers().get(printer_id)
        if found is None or whose is None:
            return _nobody(printer_id)
        return _answer(request, "insight", {"printer_id": printer_id, "insight": shapes_history.insight(whose, found)})

    @api.get(
        "/printers/{printer_id}/symptom",
        summary="What may be behind something seen on paper",
        responses=_answers(SymptomAnswer, 404),
    )
    def symptom(
        request: Request,
        printer_id: Id,
        seen: Annotated[Text, Query(description="A kind of symptom; left out: the kinds there are.")] = "",
        every: Annotated[float | None, Query(description="The distance of marks along the paper, in mm.")] = None,
        colour: Annotated[Text, Query(description="The colour that shows it, where it is only one.")] = "",
        at: At = None,
    ) -> Response:
        whose, case = house.printers().get(printer_id), house.case(printer_id, at)
        if whose is None or case is None:
            return _nobody(printer_id)
        process, ranking = packaged(), None
        try:
            if seen or every is not None or colour:
                ranking = suspects_of(process, case, read(process, seen, every, colour))
        except NotSeen as failure:
            return problem(422, "A parameter is wrong.", [{"where": f"query.{failure.where}", "what": str(failure)}])
        return _answer(request, "symptom", shape_of_symptom(process, whose, case.as_of, ranking))

    _lists(api, house)
    api_alarms.add(api, house)
    return api


def _lists(api: FastAPI, house: House) -> None:
    @api.get("/alarms", summary="The alarms that stand, the gravest first", responses=_answers(schema.Alarms))
    def alarms(
        request: Request,
        every: Annotated[bool, Query(description="Also what is set aside or normal again.")] = False,
        severity: Annotated[
            Literal["", *SEVERITIES],  # type: ignore[valid-type]
            Query(description="At least so grave."),
        ] = "",
        limit: Limit = 100,
        offset: Offset = 0,
    ) -> Response:
        found: list[AlarmRecord] = [
            one for one in chosen(house.alarms(), every=every) if not severity or rank(one.severity) >= rank(severity)
        ]
        payload = {
            "at": house.about().vitals.swept,
            "total": len(found),
            "offset": offset,
            "limit": limit,
            "alarms": shapes.alarms(found[offset : offset + limit]),
        }
        return _answer(request, "alarms", payload, _links(request, offset, limit, offset + limit < len(found)))

    @api.get("/ledger", summary="What was done or noticed", responses=_answers(schema.Ledger))
    def ledger(
        request: Request,
        printer: Annotated[int | None, Query(ge=1, le=2**53, description="Only of this printer.")] = None,
        kind: Annotated[list[str] | None, Query(max_length=20, description="Only of these kinds.")] = None,
        since: Since = None,
        at: At = None,
        limit: Limit = 100,
        offset: Annotated[int, Query(ge=0, le=10_000, description="Leave out so many of the latest.")] = 0,
    ) -> Response:
        found = house.ledger(printer, since, at, kind or None, offset + limit + 1)
        more = len(found) > offset + limit
        end = max(0, len(found) - offset)
        part = found[max(0, end - limit) : end]
        payload = {
            "since": since,
            "until": at,
            "offset": offset,
            "limit": limit,
            "more": more,
            "entries": shapes.entries(part, house.printers()),
        }
        return _answer(request, "ledger", payload, _links(request, offset, limit, more))

    @api.get("/about", summary="The agent itself", responses=_answers(schema.AboutAgent))
    def about(request: Request) -> Response:
        return _answer(request, "about", shapes.about(house.about(), house.silent()))


def _answer(
    request: Request, name: str, payload: Mapping[str, Any], headers: Mapping[str, str] | None = None
) -> Response:
    """The data with their ETag; 304 without them where the caller has them already (RFC 9110 section 13.1.2)."""
    body = shapes.text(name, payload)
    # Weak: it may go out compressed or not.
    tag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    sent = {"etag": tag, "cache-control": "private, no-cache", **(headers or {})}
    asked = [one.strip() for one in request.headers.get("if-none-match", "").split(",")]
    if "*" in asked or tag in asked or tag.removeprefix("W/") in asked:
        return Response(status_code=304, headers=sent)
    return Response(body, media_type="application/json", headers=sent)


def _links(request: Request, offset: int, limit: int, more: bool) -> dict[str, str]:
    """Where the next and the previous part are (RFC 8288)."""
    pairs = [(name, value) for name, value in request.query_params.multi_items() if name not in ("offset", "limit")]

    def link(to: int, relation: str) -> str:
        query = urlencode([*pairs, ("offset", str(to)), ("limit", str(limit))])
        return f'<{request.url.path}?{query}>; rel="{relation}"'

    links = [link(offset + limit, "next")] if more else []
    links += [link(max(0, offset - limit), "prev")] if offset else []
    return {"link": ", ".join(links)} if links else {}


def _nobody(printer_id: int) -> Response:
    return problem(404, f"There is no printer {printer_id}; /api/v1/printers lists those there are.")


def _wrong(_: Request, failure: Exception) -> Response:
    found = failure.errors() if isinstance(failure, RequestValidationError) else []
    errors = [{"where": ".".join(map(str, one["loc"])), "what": str(one["msg"])} for one in found[:20]]
    return problem(422, "A parameter is wrong.", errors)


def _refused(request: Request, failure: Exception) -> Response:
    status = failure.status_code if isinstance(failure, HTTPException) else 500
    headers = failure.headers if isinstance(failure, HTTPException) else None
    detail = {
        404: f"There is nothing at {request.url.path}; /api/v1/openapi.json tells what there is.",
        405: "Not in this way; /api/v1/openapi.json tells how.",
    }.get(status, "This cannot be answered.")
    if isinstance(failure, Refused):
        detail = failure.detail
    return problem(status, detail, headers=headers)


def _failed(_: Request, failure: Exception) -> Response:
    return problem(503, str(failure))


def _broken(_: Request, __: Exception) -> Response:
    return problem(500, "This answer could not be made; the agent's log says why.")
