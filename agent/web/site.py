"""The pages: they read what the house gives, and show it. Every page is a plain address, and does without script."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from agent.alarms.spells import marks
from agent.model.alarm import SEVERITIES, AlarmRecord, rank
from agent.model.fleet import LedgerEntry, Printer
from agent.model.zones import zone_of
from agent.web import alarm_forms, look, printer_page, round_pages, service_pages, shelf_pages, sign_in, symptom_page
from agent.web.api import build_api
from agent.web.api_alarms import chattered
from agent.web.callers import Refused, caller
from agent.web.gate import Gate
from agent.web.house import House
from agent.web.leaf import HEADERS, NAV, PAGE, address, answer, as_of, asked_moment, guarded, leaves, number
from agent.web.live import Bulletin, live
from agent.web.problem import problem
from agent.web.roster import SORTS, STATES, Roster, Wanted, choose
from agent.web.standing import SET_ASIDE, chosen
from agent.web.words import harmless

LEDGER_END = 10_000
"""The ledger is leafed through so far; further back one asks by date."""
_FOREVER = "public, max-age=31536000, immutable"


REFUSALS = {401: "Sign in first", 421: "Asked for under a wrong name", 503: "The store cannot be read now"}


def routes(house: House, gate: Gate | None = None, bulletin: Bulletin | None = None) -> list[BaseRoute]:
    """The routes of pages and API over one house."""
    roster = Roster()
    site = Site(house, roster)
    shown: tuple[tuple[str, Callable[[Request], Response]], ...] = (
        ("/printers", site.printers),
        ("/printers/{printer_id:int}/symptom", site.symptom),
        ("/alarms", site.alarms),
        ("/ledger", site.ledger),
        ("/about", site.about),
    )
    return [
        Route("/", lambda _: RedirectResponse("/round", 307)),
        *(Route(path, guarded(page)) for path, page in shown),
        *printer_page.routes(house),
        *round_pages.routes(house),
        *service_pages.routes(house),
        *shelf_pages.routes(house),
        *sign_in.routes(gate or Gate(), NAV),
        *alarm_forms.routes(house),
        Route(look.style_path(), _style),
        Route(look.script_path(), _script),
        Route("/live", live(bulletin or Bulletin(), gate or Gate())),
        Route("/icon.svg", _icon),
        Mount("/api/v1", _with_head(build_api(house, roster))),
    ]


def missing(request: Request, failure: Exception) -> Response:
    """A page that is not there, or a way of asking that is none."""
    status = failure.status_code if isinstance(failure, HTTPException) else 404
    if str(request.scope.get("path", "")).startswith("/api/"):  # an address that no route of the API fits
        return problem(status, "There is nothing at this address; /api/v1/openapi.json tells what there is.")
    words = {
        404: ("There is no such page", "The address may be old, or the printer may be gone."),
        405: ("This page is not asked for in that way", "Pages are read with GET, and forms are sent with POST."),
    }
    if isinstance(failure, Refused):
        words[status] = REFUSALS.get(status, "This is not done"), failure.detail
    title, text = words.get(status, ("This cannot be answered", "The request is not one that these pages know."))
    headers = failure.headers if isinstance(failure, HTTPException) else None
    return answer("fault.html", status, headers, title=title, text=text, here="")


def refusal(refused: Refused) -> Response:
    """A page that says why a request was turned away."""
    return missing(Request({"type": "http"}), refused)


class Site:
    """One page for each method. They run in worker threads."""

    def __init__(self, house: House, roster: Roster) -> None:
        self._house = house
        self._roster = roster

    def printers(self, request: Request) -> Response:
        """The fleet at a glance."""
        house, query = self._house, request.query_params
        then = asked_moment(query, house)
        views = house.views(then)
        found = {view.printer.place.site for view in views.values()} - {""}
        # A name with signs that nobody sees could not be told from another in a list to choose from.
        sites = sorted(name for name in found if harmless(name) == name)
        wanted = Wanted(
            q=query.get("q", "")[:200].strip(),
            site=query.get("site", "") if query.get("site") in sites else "",
            state=query.get("state", "") if query.get("state") in STATES else "",
            sort=query.get("sort", "") if query.get("sort") in SORTS else "need",
            descending=query.get("descending") == "1",
        )
        records, about = house.alarms(then), house.about()
        if then is None:
            rows = self._roster.rows(views, house.insights(), house.upkeep(), records)
        else:
            rows = Roster().rows(views, {}, {}, records)
        page = number(query, "page", 1, 1_000_000)
        part = choose(rows, wanted, (page - 1) * PAGE, PAGE)
        if not part.rows and page > 1:
            page = max(1, -(-part.total // PAGE))
            part = choose(rows, wanted, (page - 1) * PAGE, PAGE)
        return answer(
            "printers.html",
            here="/printers",
            part=part,
            wanted=wanted,
            sites=sites,
            states=STATES,
            sorts={key: words for key, (words, _) in SORTS.items()},
            fleet=len(views),
            upkeep=any(row.upkeep_rank < 9 for row in part.rows),
            run_outs=any(row.run_out for row in part.rows),
            now=then or house.now(),
            **as_of(query, house, then),
            swept=about.vitals.swept,
            agent_zone=about.zone,
            pages=leaves(query, page, part.total),
            address=lambda **changed: address(query, **changed),
        )

    def symptom(self, request: Request) -> Response:
        """From what is seen on paper to the parts behind it."""
        shown = symptom_page.asked(self._house, int(request.path_params["printer_id"]), request.query_params)
        if shown is None:
            raise HTTPException(404)
        return answer("symptom.html", here="/printers", **shown)

    def alarms(self, request: Request) -> Response:
        """What stands, the gravest first."""
        house, query = self._house, request.query_params
        every = query.get("every") == "1"
        severity = query.get("severity", "") if query.get("severity") in SEVERITIES else ""
        then = asked_moment(query, house)
        records, now = house.alarms(then), then or house.now()
        found: list[AlarmRecord] = [
            one for one in chosen(records, every=every) if not severity or rank(one.severity) >= rank(severity)
        ]
        page = number(query, "page", 1, 1_000_000)
        shown = found[(page - 1) * PAGE : page * PAGE]
        trembling = chattered(house, now) if shown else frozenset()
        return answer(
            "alarms.html",
            here="/alarms",
            records=shown,
            marked={one.key: marks(one, trembling, now) for one in shown},
            serves=caller().may("serve") and then is None,
            **as_of(query, house, then),
            total=len(found),
            aside=sum(one.state in SET_ASIDE for one in records),
            every=every,
            severity=severity,
            severities=SEVERITIES,
            printers=house.printers(),
            agent_zone=house.about().zone,
            now=now,
            pages=leaves(query, page, len(found)),
            lengths=alarm_forms.SHELF_WORDS,
            open_states=alarm_forms.OPEN,
            there=address(query, done=None, key=None),
            done=alarm_forms.done(query, records),
        )

    def ledger(self, request: Request) -> Response:
        """What was done or noticed, the latest first."""
        house, query = self._house, request.query_params
        printers = house.printers()
        printer_id = number(query, "printer", 0, 2**53)
        kind = query.get("kind", "")[:60]
        page = number(query, "page", 1, LEDGER_END // PAGE)
        until, then = _until(query.get("until", ""), house), asked_moment(query, house)
        end = min((one for one in (until, then) if one is not None), default=None)
        found = house.ledger(printer_id or None, None, end, [kind] if kind else None, page * PAGE + 1)
        more = len(found) > page * PAGE
        latest: list[LedgerEntry] = list(reversed(found))[(page - 1) * PAGE : page * PAGE]
        return answer(
            "ledger.html",
            here="/ledger",
            **as_of(query, house, then),
            entries=latest,
            printers=printers,
            by_name=sorted(printers.values(), key=_by_name) if len(printers) <= 500 else [],
            printer_id=printer_id,
            kind=kind,
            until=query.get("until", "")[:10] if until else "",
            kinds=sorted({one.kind for one in found} | ({kind} if kind else set())),
            agent_zone=house.about().zone,
            pages=leaves(query, page, (page * PAGE + 1) if more else (page - 1) * PAGE + len(latest)),
            ended=more and page * PAGE >= LEDGER_END,
        )

    def about(self, _: Request) -> Response:
        """The agent itself."""
        about = self._house.about()
        silent = sorted(self._house.silent().values(), key=lambda one: one.since, reverse=True)
        return answer(
            "about.html", here="/about", about=about, silent=silent[:100], silent_count=len(silent),
            printers=self._house.printers(), now=self._house.now(), watched=len(self._house.views()),
        )  # fmt: skip


def _by_name(printer: Printer) -> tuple[str, int]:
    return printer.name.casefold(), printer.id


def _with_head(app: ASGIApp) -> ASGIApp:
    """HEAD is answered as GET (RFC 9110 section 9.1 wants both); the server leaves the content out."""

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        await app({**scope, "method": "GET"} if scope.get("method") == "HEAD" else scope, receive, send)

    return answer


def _style(_: Request) -> Response:
    return Response(look.style(), media_type="text/css", headers={"cache-control": _FOREVER})


def _script(_: Request) -> Response:
    return Response(look.script(), media_type="text/javascript", headers={"cache-control": _FOREVER})


def _icon(_: Request) -> Response:
    return Response(look.icon(), media_type="image/svg+xml", headers={"cache-control": "max-age=86400", **HEADERS})


def _until(text: str, house: House) -> datetime | None:
    """The end of a day of the agent's zone, from ``2026-11-25``; None where it is no such day."""
    try:
        on = date.fromisoformat(text)
    except ValueError:
        return None
    if not 1990 <= on.year < 2200:
        return None
    after = on + timedelta(days=1)
    return datetime(after.year, after.month, after.day, tzinfo=zone_of(house.about().zone)) - timedelta(microseconds=1)
