"""What the operations of the API have in common: their parameters, what they may answer, and answers with an ETag."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Path, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict

from agent.web import shapes
from agent.web.callers import needs
from agent.web.house import House
from agent.web.problem import PROBLEM
from agent.web.schema_reading import Shape

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
SERVE = [Depends(needs("serve"))]
"""What every operation that changes something wants."""


class Asked(BaseModel):
    """What is sent to an operation; a key that it does not know is refused."""

    model_config = ConfigDict(extra="forbid")


def refusals(words: Mapping[int, str]) -> dict[int | str, dict[str, Any]]:
    """Why an operation may refuse, by status, for the document."""
    return {status: {"description": said, **_PROBLEM} for status, said in words.items()}


def answers(model: type[Shape], *more: int) -> dict[int | str, dict[str, Any]]:
    """What an operation may answer, for the document."""
    words = {
        421: "Asked under a name that is not this machine's own.",
        404: "There is no such printer.",
        422: "A parameter is wrong, or there is none of this name; the nearest known one is told.",
        503: "The store cannot be read now.",
    }
    found: dict[int | str, dict[str, Any]] = {
        200: {"model": model, "description": "The data."},
        304: {"description": "Nothing has changed since the answer with this ETag."},
    }
    return found | refusals({status: words[status] for status in (421, *more, 422, 503)})


def known_parameters(request: Request) -> None:
    """Refuse a parameter that the operation does not have: what is not looked at must not seem to be answered.

    Raises RequestValidationError, which names the nearest one that it has.
    """
    known = [one.alias for one in request.scope["route"].dependant.query_params]
    wrong = []
    for name in dict.fromkeys(request.query_params):
        if name not in known:
            near = get_close_matches(name.casefold()[:80], known, 1, 0.5)
            hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(known) or 'none'}"
            wrong.append({"loc": ("query", name[:80]), "msg": f"there is no such parameter; {hint}", "type": "unknown"})
    if wrong:
        raise RequestValidationError(wrong)


def past(house: House, at: datetime | None) -> datetime | None:
    """The moment that is asked for; None for what has not come yet, which is answered as now."""
    return at if at is not None and at < house.now() else None


def answer(
    request: Request, name: str, payload: Mapping[str, Any], headers: Mapping[str, str] | None = None
) -> Response:
    """The data with their ETag; 304 without them where the caller has them already (RFC 9110 section 13.1.2)."""
    body = shapes.text(name, payload)
    # Weak: it may go out compressed or not, and that time has gone on is no change of what is told.
    told = {key: value for key, value in payload.items() if key != "as_of"}
    rests_on = body if len(told) == len(payload) else shapes.text(name, told)
    tag = f'W/"{hashlib.sha256(rests_on).hexdigest()[:32]}"'
    sent = {"etag": tag, "cache-control": "private, no-cache", **(headers or {})}
    asked = [one.strip() for one in request.headers.get("if-none-match", "").split(",")]
    if "*" in asked or tag in asked or tag.removeprefix("W/") in asked:
        return Response(status_code=304, headers=sent)
    return Response(body, media_type="application/json", headers=sent)


def links(request: Request, offset: int, limit: int, more: bool) -> dict[str, str]:
    """Where the next and the previous part are (RFC 8288)."""
    pairs = [(name, value) for name, value in request.query_params.multi_items() if name not in ("offset", "limit")]

    def link(to: int, relation: str) -> str:
        query = urlencode([*pairs, ("offset", str(to)), ("limit", str(limit))])
        return f'<{request.url.path}?{query}>; rel="{relation}"'

    found = [link(offset + limit, "next")] if more else []
    found += [link(max(0, offset - limit), "prev")] if offset else []
    return {"link": ", ".join(found)} if found else {}
