"""What programs do to alarms over the API: acknowledge and shelve them. Both want the role ``serve``."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import FastAPI, Path, Response
from pydantic import Field

from agent.alarms.spells import LATELY, LEDGER_KINDS, trembling
from agent.model.alarm import AlarmRecord
from agent.web import schema, shapes
from agent.web.api_terms import SERVE, Asked, refusals
from agent.web.callers import who_does_it
from agent.web.desk import NotDone
from agent.web.house import House
from agent.web.problem import problem

Key = Annotated[str, Path(max_length=1000, description="The key of the alarm, its bars written %7C.")]
MOST_LINES = 20_000
"""So many lines of a day are looked through for alarms that chatter."""
_WORDS = {
    401: "Nobody is signed in, and there is no token.",
    403: "The caller may not do this.",
    404: "There is no such alarm.",
    409: "The state of the alarm does not allow it.",
    415: "Send application/json.",
    422: "A parameter is wrong.",
    503: "The store cannot be used now.",
}
_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"model": schema.OneAlarm, "description": "The alarm as it is now."},
    **refusals(_WORDS),
}


class Acknowledge(Asked):
    """Somebody has seen it."""

    who: Annotated[
        str, Field(max_length=100, description="Who does it, where nobody signs in; else the caller is known.")
    ] = ""


class Shelve(Acknowledge):
    """Put it away for a time."""

    minutes: Annotated[int, Field(ge=1, le=31 * 24 * 60, description="For how long.")]
    reason: Annotated[str, Field(min_length=1, max_length=200, description="Why; the ledger says it.")]


def add(api: FastAPI, house: House) -> None:
    """Add the operations to the API."""

    @api.post(
        "/alarms/{key:path}/acknowledge",
        summary="Say that somebody has seen an alarm: it is not told again",
        responses=_ANSWERS,
        dependencies=SERVE,
    )
    def acknowledge(key: Key, asked: Acknowledge) -> Response:
        return _done(house, lambda: house.desk().acknowledge(key, who_does_it(asked.who)))

    @api.post(
        "/alarms/{key:path}/shelve",
        summary="Put an alarm away for a time; if it stands then, it is told again",
        responses=_ANSWERS,
        dependencies=SERVE,
    )
    def shelve(key: Key, asked: Shelve) -> Response:
        length = timedelta(minutes=asked.minutes)
        return _done(house, lambda: house.desk().shelve(key, length, who_does_it(asked.who), asked.reason))


def chattered(house: House, at: datetime) -> frozenset[str]:
    """The alarms that chattered within the day before ``at``. Raises Failure."""
    return trembling(house.ledger(None, at - LATELY, at, LEDGER_KINDS, MOST_LINES), at)


def _done(house: House, act: Callable[[], AlarmRecord]) -> Response:
    try:
        record = act()
    except NotDone as refused:
        return problem(refused.status, str(refused))
    now = house.now()
    body = shapes.text("alarm", {"alarm": shapes.alarms([record], chattered(house, now), now)[0]})
    return Response(body, media_type="application/json")
