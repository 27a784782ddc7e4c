"""Signing in and out, and one's own password."""

from __future__ import annotations

import math
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from agent.model.people import DOES, NotAdmitted
from agent.web import look
from agent.web.callers import Refused, caller, visit
from agent.web.doors import SESSION_COOKIE, SIGN_IN, cookie, cookie_name, cookies_in
from agent.web.forms import Form, form_page
from agent.web.gate import Gate, Keeper

HOME = "/round"
PASSWORD = "/password"  # noqa: S105 - an address
DIFFERENT = "The two new passwords are not the same."


def routes(gate: Gate, nav: tuple[tuple[str, str], ...]) -> list[BaseRoute]:
    """The routes, where people sign in; none elsewhere."""
    if gate.keeper is None or not gate.sign_in:
        return []
    porter = Porter(gate.keeper, nav)
    return [
        Route(SIGN_IN, porter.ask),
        Route(SIGN_IN, form_page(porter.sign_in, None, who=False), methods=["POST"]),
        Route("/sign-out", form_page(porter.sign_out, None, who=False), methods=["POST"]),
        Route(PASSWORD, porter.ask_password),
        Route(PASSWORD, form_page(porter.change_password, "look", who=False), methods=["POST"]),
    ]


class Porter:
    """The pages of the sign-in."""

    def __init__(self, keeper: Keeper, nav: tuple[tuple[str, str], ...]) -> None:
        self._keeper = keeper
        self._nav = nav

    def ask(self, request: Request) -> Response:
        """The sign-in page; who is signed in already goes on."""
        there = local(request.query_params.get("next", ""))
        if caller().how != "nobody":
            return RedirectResponse(there, 303)
        return self._page("sign_in.html", there=there, name="", wrong="")

    def sign_in(self, request: Request, form: Form) -> Response:
        """A name and a password came."""
        there, name = local(form.text("next", most=4000)), form.text("name", most=200)
        before = cookies_in(request.headers).get(cookie_name(SESSION_COOKIE, secure=visit().secure), "")
        try:
            secret = self._keeper.sign_in(name, form.raw("password"), visit().address, before)
        except NotAdmitted as refused:
            return self._refused("sign_in.html", refused, there=there, name=name)
        return _with_session(RedirectResponse(there, 303), secret)

    def sign_out(self, request: Request, _: Form) -> Response:
        """The session ends here and in the store."""
        if caller().how == "session":
            self._keeper.sign_out(visit().secret)
        answer = RedirectResponse(SIGN_IN, 303)
        answer.headers.append("set-cookie", cookie(SESSION_COOKIE, "", secure=visit().secure, strict=False, age=0))
        # https://www.w3.org/TR/clear-site-data/: what the browser keeps of the pages goes too.
        answer.headers["clear-site-data"] = '"cache"'
        return answer

    def ask_password(self, _: Request) -> Response:
        """The page with the form for one's own password."""
        return self._own("", done=False)

    def change_password(self, _: Request, form: Form) -> Response:
        """An old and a new password came."""
        by = caller()
        if by.how != "session":
            raise Refused(403, "Only who signed in with a password has one to change here.")
        new = form.raw("new")
        if new != form.raw("again"):
            return self._refused("password.html", NotAdmitted(DIFFERENT), does=DOES[by.role or "look"], done=False)
        try:
            secret = self._keeper.change_password(by.name, form.raw("old"), new, visit().address)
        except NotAdmitted as refused:
            return self._refused("password.html", refused, does=DOES[by.role or "look"], done=False)
        return _with_session(self._own("", done=True), secret)

    def _own(self, wrong: str, *, done: bool) -> Response:
        by = caller()
        return self._page("password.html", wrong=wrong, done=done, does=DOES[by.role or "look"])

    def _refused(self, template: str, refused: NotAdmitted, **values: object) -> Response:
        # RFC 6585 section 4 for who tries too often. A form is no HTTP authentication, so 403 and not 401 for the rest.
        text = str(refused)
        answer = self._page(template, 429 if refused.wait else 403, wrong=text[:1].upper() + text[1:], **values)
        if refused.wait:
            answer.headers["retry-after"] = str(math.ceil(refused.wait))
        return answer

    def _page(self, template: str, status: int = 200, **values: object) -> Response:
        text = look.render(template, nav=self._nav if caller().role else (), here="", **values)
        return HTMLResponse(text, status, headers={"content-security-policy": look.POLICY})


def local(there: str) -> str:
    """An address of these pages to go on to; the first page for any other."""
    parts = urlsplit(there)
    plain = there.startswith("/") and not there.startswith(("//", "/\\")) and there.isprintable() and " " not in there
    if not plain or parts.scheme or parts.netloc or "\\" in there or there.startswith(SIGN_IN):
        return HOME
    return there


def _with_session(answer: Response, secret: str) -> Response:
    # Lax, not Strict: a link in a mail that tells of an alarm leads to its printer, and not to the sign-in page.
    answer.headers.append("set-cookie", cookie(SESSION_COOKIE, secret, secure=visit().secure, strict=False))
    return answer
