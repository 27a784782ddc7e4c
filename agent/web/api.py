"""``/api/v1``: the same data as the pages and the commands, as JSON. What changes things stands in other modules."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic.json_schema import models_json_schema
from starlette.exceptions import HTTPException

from agent.insight.process import packaged
from agent.insight.symptoms import NotSeen, read
from agent.insight.symptoms import rank as suspects_of
from agent.model.alarm import SEVERITIES, AlarmRecord, rank
from agent.model.failure import Failure
from agent.web import api_alarms, api_work, schema, shapes, shapes_history
from agent.web.api_doors import add_doors
from agent.web.api_terms import At, Id, Limit, Offset, Since, Text, answer, answers, links
from agent.web.callers import Refused
from agent.web.house import House
from agent.web.problem import problem
from agent.web.roster import SORTS, STATES, Roster, Wanted, choose
from agent.web.shapes_symptom import SymptomAnswer
from agent.web.shapes_symptom import symptom as shape_of_symptom
from agent.web.standing import chosen


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
            add_doors(made)
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

    @api.get("/printers", summary="The fleet as it was last seen", responses=answers(schema.Printers))
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
        return answer(request, "printers", payload, links(request, offset, limit, offset + limit < part.total))

    @api.get("/printers/{printer_id}", summary="One printer", responses=answers(schema.OnePrinter, 404))
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
        return answer(request, "printer", payload)

    @api.get(
        "/printers/{printer_id}/history",
        summary="Levels, counters, contacts and ledger of one printer",
        responses=answers(schema.History, 404),
    )
    def history(request: Request, printer_id: Id, since: Since = None, at: At = None) -> Response:
        found = house.history(printer_id, since, at)
        if found is None:
            return _nobody(printer_id)
        return answer(request, "history", {"since": since, "until": at, **shapes.history(found)})

    @api.get(
        "/printers/{printer_id}/insight",
        summary="Use, lives and run-outs of one printer",
        responses=answers(schema.OneInsight, 404),
    )
    def insight(request: Request, printer_id: Id, at: At = None) -> Response:
        known = house.insights().get(printer_id) if at is None else None
        found = known or house.insight(printer_id, at or house.now())
        whose = house.printers().get(printer_id)
        if found is None or whose is None:
            return _nobody(printer_id)
        return answer(request, "insight", {"printer_id": printer_id, "insight": shapes_history.insight(whose, found)})

    @api.get(
        "/printers/{printer_id}/symptom",
        summary="What may be behind something seen on paper",
        responses=answers(SymptomAnswer, 404),
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
        return answer(request, "symptom", shape_of_symptom(process, whose, case.as_of, ranking))

    _lists(api, house)
    api_alarms.add(api, house)
    api_work.add(api, house)
    return api


def _lists(api: FastAPI, house: House) -> None:
    @api.get("/alarms", summary="The alarms that stand, the gravest first", responses=answers(schema.Alarms))
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
        return answer(request, "alarms", payload, links(request, offset, limit, offset + limit < len(found)))

    @api.get("/ledger", summary="What was done or noticed", responses=answers(schema.Ledger))
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
        return answer(request, "ledger", payload, links(request, offset, limit, more))

    @api.get("/about", summary="The agent itself", responses=answers(schema.AboutAgent))
    def about(request: Request) -> Response:
        return answer(request, "about", shapes.about(house.about(), house.silent()))


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
