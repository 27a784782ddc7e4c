"""What the doors may answer to any operation, and how a program shows who it is: for the document of the API."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from agent.web.api_terms import refusals

ALWAYS: Mapping[int, str] = {
    400: "The request cannot be read.",
    401: "Nobody is signed in, and there is no token that is good.",
    403: "The caller may not do this, or it comes from a page of another site.",
    404: "There is nothing of this name.",
    413: "The request is too large.",
    421: "Asked under a name that is not this machine's own.",
    503: "The store cannot be used now.",
}
CHANGES: Mapping[int, str] = {415: "Send application/json."}


def add_doors(document: dict[str, Any]) -> None:
    """Add them to each operation of an OpenAPI document; what an operation says itself stays.

    A token is one way (RFC 6750); where nobody signs in, and for whoever did with a browser, none is needed.
    """
    schemes = document["components"].setdefault("securitySchemes", {})
    schemes["token"] = {
        "type": "http",
        "scheme": "bearer",
        "description": "A token made with lowmark tokens add. Not needed where nobody has to sign in.",
    }
    document["security"] = [{"token": []}, {}]
    for path in document["paths"].values():
        for method, operation in path.items():
            words = ALWAYS if method == "get" else {**ALWAYS, **CHANGES}
            for status, told in refusals(words).items():
                operation["responses"].setdefault(str(status), told)
            operation["responses"] = dict(sorted(operation["responses"].items()))
