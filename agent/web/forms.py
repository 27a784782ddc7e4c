"""Forms that change something: the hidden field that proves where they come from, and reading what they bring.

The field holds a salt and its HMAC under the secret of the visit (a cookie that no script and no other site can read).
A page of another site can make a browser send our cookie, but cannot know the field; besides, the doors look at
``Origin`` and ``Sec-Fetch-Site``. A new salt each time, so that compression gives nothing away.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from hashlib import sha256
from typing import Any
from urllib.parse import quote

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from agent.model.failure import Failure
from agent.model.people import Role
from agent.web.callers import Caller, Refused, caller, insist, visit, who_does_it

FIELD = "csrf"
WHO = "who"
WHO_COOKIE = "lowmark-who"
REMEMBERED_SECONDS = 180 * 86_400
MOST_FIELDS = 300
FORM_KINDS = ("application/x-www-form-urlencoded", "multipart/form-data")
NOT_OURS = (
    "This form was not sent from a page of this agent that you have open, or the page is from before you signed in. "
    "Go back, load the page again and send it once more."
)


def csrf() -> Markup:
    """The hidden field for a form that is sent by POST, once in each. Templates call it by this name."""
    found = visit()
    found.formed = True
    salt = secrets.token_hex(8)
    return Markup('<input type="hidden" name="{}" value="{}">').format(FIELD, f"{salt}.{_mac(found.secret, salt)}")


def who_field(id: str = "who") -> Markup:  # noqa: A002 - the attribute is called so
    """The field for the name of who does it, on loopback; elsewhere the name is known, and shown."""
    found = visit()
    if found.caller.name:
        return Markup('<p class="who">As <bdi>{}</bdi></p>').format(found.caller.name)
    return Markup(
        '<p class="who"><label for="{0}">Who</label><input id="{0}" name="{1}" value="{2}" maxlength="100" '
        'autocomplete="name" required></p>'
    ).format(id, WHO, found.who)


def _mac(secret: str, salt: str) -> str:
    return hmac.new(secret.encode(), f"lowmark form {salt}".encode(), sha256).hexdigest()


def proven(field: str) -> bool:
    """Whether the hidden field belongs to the visit under way."""
    secret = visit().secret
    salt, _, mac = field.partition(".")
    return bool(secret and salt and field.isascii()) and hmac.compare_digest(mac, _mac(secret, salt))


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that came with a form. ``name`` and ``kind`` are what the browser says, and prove nothing."""

    name: str
    kind: str
    content: bytes


class Form:
    """What came with a form. ``caller``: who sent it; ``who``: the name for the ledger ("" where nobody was asked)."""

    def __init__(self, fields: dict[str, list[str]], uploads: dict[str, Upload], by: Caller, who: str) -> None:
        self._fields = fields
        self._uploads = uploads
        self.caller = by
        self.who = who

    def text(self, name: str, otherwise: str = "", *, most: int = 1000) -> str:
        """One field without blanks around it. Raises Refused where it is longer than ``most``."""
        found = self._fields.get(name, [otherwise])[0].strip()
        if len(found) > most:
            raise Refused(422, f"What stands under {name} is too long: at most {most} characters.")
        return found

    def raw(self, name: str) -> str:
        """One field as it was typed, blanks included: a password."""
        return self._fields.get(name, [""])[0]

    def texts(self, name: str) -> list[str]:
        """Every value of a field that may come several times, such as boxes that were ticked."""
        return [one.strip() for one in self._fields.get(name, [])]

    def ticked(self, name: str) -> bool:
        """Whether a box was ticked."""
        return name in self._fields

    def upload(self, name: str) -> Upload | None:
        """A file, if one was chosen."""
        return self._uploads.get(name)


def form_page(
    handler: Callable[[Request, Form], Response],
    role: Role | None = "serve",
    *,
    who: bool = True,
    refused: Callable[[HTTPException], Response] | None = None,
) -> Callable[[Request], Awaitable[Response]]:
    """The endpoint that takes a form, for a ``Route`` with ``methods=["POST"]``.

    ``handler`` runs in a worker thread, and only when the caller may do what ``role`` may (None: anybody), the form is
    one of ours, and (where ``who``) there is a name for the ledger. Answer with a redirect, status 303. What it raises
    of Refused is shown as a page; ``refused`` may make another page of it.
    """

    async def answer(request: Request) -> Response:
        try:
            if role is not None:
                insist(role)
            form = await read_form(request, who=who)
            made = await run_in_threadpool(handler, request, form)
        except HTTPException as problem:
            if refused is None:
                raise
            return await run_in_threadpool(refused, problem)
        except Failure as failure:
            raise Refused(503, str(failure)) from None
        if form.who and not caller().name:
            made.set_cookie(
                WHO_COOKIE, quote(form.who), max_age=REMEMBERED_SECONDS, httponly=True, samesite="strict",
                secure=visit().secure,
            )  # fmt: skip
        return made

    answer.__name__ = getattr(handler, "__name__", "form")
    answer.reads_form = True  # type: ignore[attr-defined] # a test looks whether every POST route of the pages is made here
    return answer


async def read_form(request: Request, *, who: bool = True) -> Form:
    """The form of this request, proven to be ours. Raises Refused."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in FORM_KINDS:
        raise Refused(415, "Send it as a form of the page does.")
    try:
        async with request.form(max_files=4, max_fields=MOST_FIELDS, max_part_size=64 * 1024) as data:
            fields, uploads = await _taken(data)
    except HTTPException as problem:
        raise Refused(problem.status_code, f"The form cannot be read: {problem.detail}") from None
    if not proven(fields.get(FIELD, [""])[0]):
        raise Refused(403, NOT_OURS)
    name = who_does_it(fields.get(WHO, [""])[0]) if who else caller().name
    return Form(fields, uploads, caller(), name)


async def _taken(data: FormData) -> tuple[dict[str, list[str]], dict[str, Upload]]:
    fields: dict[str, list[str]] = {}
    uploads: dict[str, Upload] = {}
    found: Any
    for name, found in data.multi_items():
        if isinstance(found, UploadFile):
            content = await found.read()
            if found.filename and content:
                uploads[name] = Upload(found.filename[:200], (found.content_type or "")[:100], content)
        else:
            fields.setdefault(name, []).append(str(found))
    return fields, uploads
