"""``/api/v1``: the same data as the pages and the commands, as JSON. What changes things stands in other modules."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import Depends, FastAPI, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic.json_schema import models_json_schema
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from agent.insight.process import packaged
from agent.insight.symptoms import NotSeen, read
from agent.insight.symptoms import rank as suspects_of
from agent.model.alarm import SEVERITIES, AlarmRecord, rank
from agent.model.failure import Failure
from agent.web import api_alarms, api_work, schema, shapes, shapes_history
from agent.web.api_doors import add_doors
from agent.web.api_terms import At, Id, Limit, Offset, Since, Text, answer, answers, known_parameters, links, past
from agent.web.callers import Refused
from agent.web.house import House
from agent.web.problem import problem
from agent.web.roster import SORTS, STATES, Roster, Wanted, choose
from agent.web.shapes_symptom import SymptomAnswer
from agent.web.shapes_symptom import symptom as shape_of_symptom
from agent.web.standing import chosen

ABOUT = """What this agent knows of its printers. The shapes are those of the commands' --json.

What prints data takes `at`, and answers as of that moment: what happened later is not looked at. Nothing can be asked
for under a name that an operation does not know: a parameter that is misspelt is refused (422) with the nearest known
name, and so is a key of what is sent."""


ROOT = "/api/v1"


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
    api = Api(
        title="Lowmark",
        version="1",
        description=ABOUT,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        servers=[{"url": ROOT}],
        dependencies=[Depends(known_parameters)],
        default_response_class=Response,
    )
    api.add_exception_handler(RequestValidationError, _wrong)
    api.add_exception_handler(HTTPException, _refused)
    api.add_exception_handler(Failure, _failed)
    api.add_exception_handler(Exception, _broken)

    @api.get("/openapi.json", include_in_schema=False)
    def document() -> Response:
        return JSONResponse(api.openapi())

    _fleet(api, house, roster or Roster())
    _printer(api, house)
    _lists(api, house)
    api_alarms.add(api, house)
    api_work.add(api, house)
    return api


def _fleet(api: FastAPI, house: House, rows: Roster) -> None:
    @api.get("/printers", summary="The fleet as it was last seen", responses=answers(schema.Printers))
    def printers(  # noqa: PLR0913 - each is a parameter of the operation
        request: Request,
        q: Text = "",
        site: Text = "",
        state: Literal["", *STATES] = "",  # type: ignore[valid-type] # the words stand in one place
        sort: Literal[*SORTS] = "need",  # type: ignore[valid-type]
        descending: bool = False,
        at: At = None,
        limit: Limit = 100,
        offset: Offset = 0,
    ) -> Response:
        then = past(house, at)
        views = house.views(then)
        if then is None:
            made = rows.rows(views, house.insights(), house.upkeep(), house.alarms())
        else:  # run-outs and upkeep are not reckoned anew for the order alone
            made = Roster().rows(views, {}, {}, house.alarms(then))
        part = choose(made, Wanted(q, site, state, sort, descending), offset, limit)
        payload = {
            "at": then or house.about().vitals.swept,
            "total": part.total,
            "offset": offset,
            "limit": limit,
            "printers": [shapes.view(views[row.printer.id]) for row in part.rows],
        }
        return answer(request, "printers", payload, links(request, offset, limit, offset + limit < part.total))


def _printer(api: FastAPI, house: House) -> None:
    @api.get("/printers/{printer_id}", summary="One printer", responses=answers(schema.OnePrinter, 404))
    def printer(request: Request, printer_id: Id, at: At = None) -> Response:
        then = past(house, at)
        view = house.views().get(printer_id) if then is None else house.view(printer_id, then)
        if view is None:
            return _nobody(printer_id)
        if then is None:
            insight, upkeep = house.insights().get(printer_id), house.upkeep().get(printer_id)
        else:
            insight, upkeep = house.insight(printer_id, then), house.upkeep_at(printer_id, then)
        mine = chosen(one for one in house.alarms(then) if one.printer_id == printer_id)
        now = then or house.now()
        payload = {
            "printer": shapes.view(view),
            "reading": None if view.reading is None else shapes.reading(view.reading),
            "insight": None if insight is None else shapes_history.insight(view.printer, insight),
            "upkeep": None if upkeep is None else shapes_history.upkeep(view.printer, upkeep),
            "alarms": shapes.alarms(mine, api_alarms.chattered(house, now) if mine else (), now),
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


def _lists(api: FastAPI, house: House) -> None:
    @api.get("/alarms", summary="The alarms that stand, the gravest first", responses=answers(schema.Alarms))
    def alarms(
        request: Request,
        every: Annotated[bool, Query(description="Also what is set aside or normal again.")] = False,
        severity: Annotated[
            Literal["", *SEVERITIES],  # type: ignore[valid-type]
            Query(description="At least so grave."),
        ] = "",
        at: At = None,
        limit: Limit = 100,
        offset: Offset = 0,
    ) -> Response:
        then = past(house, at)
        records, now = house.alarms(then), then or house.now()
        found: list[AlarmRecord] = [
            one for one in chosen(records, every=every) if not severity or rank(one.severity) >= rank(severity)
        ]
        payload = {
            "at": then or house.about().vitals.swept,
            "total": len(found),
            "offset": offset,
            "limit": limit,
            "alarms": shapes.alarms(found[offset : offset + limit], api_alarms.chattered(house, now), now),
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
