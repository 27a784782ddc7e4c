"""What is done to alarms on the pages: acknowledged and shelved; and the page behind the link of a message.

Following a link changes nothing, since mail scanners follow every link: the page that it opens has a button.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import timedelta
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from agent.model.alarm import AlarmRecord, AlarmState
from agent.web.callers import Refused
from agent.web.desk import Linked, NotDone
from agent.web.forms import Form, form_page
from agent.web.house import House
from agent.web.leaf import answer, guarded

LINK = "/acknowledge/"
SHELF_TIMES = {"4h": timedelta(hours=4), "1d": timedelta(days=1), "3d": timedelta(days=3), "7d": timedelta(days=7)}
SHELF_WORDS = {"4h": "4 hours", "1d": "a day", "3d": "three days", "7d": "a week"}

OPEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
"""What can be acknowledged."""


def done(query: QueryParams, records: Iterable[AlarmRecord]) -> str:
    """What was just done to an alarm, for the page that comes after it; "" where nothing was."""
    what, key = query.get("done", ""), query.get("key", "")
    named = next((one for one in records if one.key == key), None)
    if named is None or what not in ("acknowledged", "shelved"):
        return ""
    return f"{what}: {named.text or named.subject}"


def routes(house: House) -> list[BaseRoute]:
    """The routes."""
    forms = AlarmForms(house)
    path = LINK + "{token:path}"
    return [
        Route("/alarms/acknowledge", form_page(forms.acknowledge), methods=["POST"]),
        Route("/alarms/shelve", form_page(forms.shelve), methods=["POST"]),
        Route(path, guarded(forms.linked), methods=["GET"]),
        Route(path, form_page(forms.acknowledge_link, None, who=False), methods=["POST"]),
    ]


class AlarmForms:
    """The handlers. They run in worker threads."""

    def __init__(self, house: House) -> None:
        self._house = house

    def acknowledge(self, _: Request, form: Form) -> Response:
        """Somebody has seen an alarm."""
        key = form.text("alarm")
        _told(lambda: self._house.desk().acknowledge(key, form.who))
        return _back(form, key, "acknowledged")

    def shelve(self, _: Request, form: Form) -> Response:
        """Put an alarm away for a time."""
        key, length = form.text("alarm"), SHELF_TIMES.get(form.text("length"))
        if length is None:
            raise Refused(422, "Choose for how long it is shelved.")
        reason = form.text("reason", most=200)
        if not reason:
            raise Refused(422, "Say why it is shelved, for those who wonder where it went.")
        _told(lambda: self._house.desk().shelve(key, length, form.who, reason))
        return _back(form, key, "shelved")

    def linked(self, request: Request) -> Response:
        """What a link leads to; nothing is changed."""
        return self._show(request, lambda token: self._house.desk().linked(token))

    def acknowledge_link(self, request: Request, _: Form) -> Response:
        """The button was pressed."""
        return self._show(request, lambda token: self._house.desk().acknowledge_link(token), done=True)

    def _show(self, request: Request, look: Callable[[str], Linked], *, done: bool = False) -> Response:
        try:
            found = look(str(request.path_params["token"]))
        except NotDone as refused:
            return answer(
                "fault.html", refused.status, None, title="No alarm is acknowledged", text=str(refused), here=""
            )
        zone = str(found.record.facts.get("zone") or "") if found.record else ""
        return answer(
            "acknowledge.html", 200, None, here="", linked=found, record=found.record, done=done,
            zone=zone or self._house.about().zone, now=self._house.now(),
        )  # fmt: skip


def _told(act: Callable[[], object]) -> None:
    try:
        act()
    except NotDone as refused:
        raise Refused(refused.status, str(refused)) from None


def _back(form: Form, key: str, what: str) -> Response:
    there = form.text("there", "/alarms", most=2000)
    if not there.startswith("/") or there.startswith("//") or "\\" in there:
        there = "/alarms"
    path, _, query = there.partition("?")
    return RedirectResponse(f"{path}?{query + '&' if query else ''}{urlencode({'done': what, 'key': key})}", 303)
