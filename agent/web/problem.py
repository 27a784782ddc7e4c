"""Errors of the API as problem details (RFC 9457)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from starlette.responses import Response

PROBLEM = "application/problem+json"


def problem(
    status: int, detail: str, errors: Sequence[Mapping[str, str]] = (), headers: Mapping[str, str] | None = None
) -> Response:
    """One problem. ``type`` is ``about:blank``: the status says the kind, ``detail`` what is wrong here.

    ``errors``: for a wrong request, each wrong parameter (``where``) and what is wrong with it (``what``).
    """
    payload: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
    }
    if errors:
        payload["errors"] = [dict(error) for error in errors]
    body = json.dumps(payload, ensure_ascii=False).encode()
    return Response(body, status_code=status, headers=dict(headers or {}), media_type=PROBLEM)
