"""The round and its cards: what to do where today, why now, what to bring, how, and how it will be proven."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from agent.model.fleet import PrinterView
from agent.model.proof import Proof
from agent.model.round import Card, Round, Visit, Wait
from agent.web.house import House
from agent.web.leaf import HEADERS, address, answer, as_of, asked_moment, guarded, number
from agent.web.notes import NOTES
from agent.web.service_form import Sheet, sheet_of, sheet_of_card
from agent.web.words import harmless

LATELY = 20
"""So many services of the last two days are shown."""
VISITS = 40
"""Visits on one page; a round on foot is shorter than that."""
LATE = timedelta(days=2)
AHEAD = timedelta(days=366)
"""No round is asked for beyond this."""
URGENT = {"standsStill": "Stands still", "overdue": "Overdue", "due": "Due", "joins": "On the way"}
"""The urgency of a card in a word or two."""
SIGNS = {"standsStill": "stopped", "overdue": "look", "due": "due", "joins": "joins"}
TITLES = {
    "pause": "Before", "counter": "Before", "power": "Before", "cool": "Before", "protect": "Before",
    "fit": "The work", "look": "The work", "start": "After", "reset": "After", "test": "After", "calibrate": "After",
    "resume": "After", "log": "After",
}  # fmt: skip
"""The stages of the work as three headings."""


@dataclass(frozen=True, slots=True)
class CardPage:
    """What the page of a card shows. ``card``: None when it is not on the round (now); ``wait``: why not.

    ``title``: the job, also when it is over. ``proofs``: what was done at the printer of late, the latest first.
    """

    key: str
    title: str
    view: PrinterView
    card: Card | None
    visit: Visit | None
    wait: Wait | None
    proofs: tuple[Proof, ...]
    form: Sheet


def routes(house: House) -> list[BaseRoute]:
    """The pages of the round."""
    pages = RoundPages(house)
    return [
        Route("/round", guarded(pages.round)),
        Route("/round.pdf", guarded(pages.paper)),
        Route("/cards/{key}", guarded(pages.card)),
    ]


class RoundPages:
    """One page for each method; they run in worker threads."""

    def __init__(self, house: House) -> None:
        self._house = house

    def round(self, request: Request) -> Response:
        """The round of a day."""
        house, (made, sites, site, day) = self._house, self._asked(request)
        then = asked_moment(request.query_params, house)
        now = then or house.now()
        views = house.views()
        done = house.lately(now - LATE, LATELY) if then is None else _latest(house.proofs(None, then), then - LATE)
        page = number(request.query_params, "page", 1, 10_000)
        last = max(1, -(-len(made.visits) // VISITS))
        page = min(page, last)
        return answer(
            "round.html",
            here="/round",
            round=made,
            visits=made.visits[(page - 1) * VISITS : page * VISITS],
            leaf={
                "page": page,
                "last": last,
                "before": address(request.query_params, page=page - 1) if page > 1 else "",
                "after": address(request.query_params, page=page + 1) if page < last else "",
            },
            sites=sites,
            site=site,
            day=day,
            today=now.date(),
            **as_of(request.query_params, house, then),
            # Of an earlier moment there is nothing to accept any more.
            suggestions=[
                one for one in (() if then else house.suggestions()) if not site or _at(views, one.printer_id, site)
            ],
            proofs=[one for one in done if not site or _at(views, one.service.printer_id, site)],
            printers=house.printers(),
            urgent=URGENT,
            signs=SIGNS,
            waits=grouped(made.waits),
            unread=sum(1 for number in views if number not in house.insights()),
            zone=made.zone,
        )

    def paper(self, request: Request) -> Response:
        """The round as a PDF to carry along."""
        from agent.drawing import more_signs
        from agent.web.round_pdf import pdf

        made, _, site, _ = self._asked(request)
        # A phone finds the pages where the settings say; without that, where this browser found them.
        base = self._house.about().public_url or str(request.base_url)
        name = f"round-{made.day.isoformat()}.pdf" if not site else f"round-{_word(site)}-{made.day.isoformat()}.pdf"
        sent = {**HEADERS, "content-disposition": f'attachment; filename="{name}"'}
        return Response(pdf(made, base, more_signs()), media_type="application/pdf", headers=sent)

    def _asked(self, request: Request) -> tuple[Round, list[str], str, str]:
        """The round that is asked for, the sites there are, and the site and the day as they were given."""
        house, query = self._house, request.query_params
        found = {view.printer.place.site for view in house.views().values()} - {""}
        sites = sorted(name for name in found if harmless(name) == name)
        site = query.get("site", "") if query.get("site") in sites else ""
        then = asked_moment(query, house)
        day = _day(query.get("day", ""), (then or house.now()).date())
        return house.round(site or None, day, then), sites, site, day.isoformat() if day else ""

    def card(self, request: Request) -> Response:
        """One card: the job, and the form that says it was done."""
        page = card_page(self._house, str(request.path_params["key"])[:300])
        if page is None:
            raise HTTPException(404)
        return show_card(self._house, page, done=NOTES.told(request.query_params.get("note", "")))


def show_card(house: House, page: CardPage, status: int = 200, fault: str = "", done: Sequence[str] = ()) -> Response:
    """The page of a card; with what was wrong with the form that was sent from it."""
    return answer(
        "card.html",
        status,
        here="/round",
        page=page,
        fault=fault,
        done=done,
        urgent=URGENT,
        signs=SIGNS,
        titles=TITLES,
        today=house.now().date(),
        zone=page.view.printer.place.zone,
        printers=house.printers(),
    )


def card_page(house: House, key: str) -> CardPage | None:
    """All about one card; None where there is no such printer."""
    number = key.partition(".")[0]
    view = house.views().get(int(number)) if number.isascii() and number.isdigit() and len(number) < 16 else None
    if view is None:
        return None
    made = house.round(view.printer.place.site or None, None, None)
    card, visit = made.card(key), made.visit_of(key)
    wait = next((one for one in made.waits if one.key == key), None)
    proofs = tuple(reversed(house.proofs(view.printer.id)))
    if card is None and wait is None and not _is_key(house, view, key):
        return None
    form = sheet_of_card(house, view, key, card, visit, wait)
    once = next((one.title for one in form.choices if one.key == key), "What was to be seen to")
    title = card.title if card is not None else wait.title if wait is not None else once
    return CardPage(key, title, view, card, visit, wait, proofs, form)


def _is_key(house: House, view: PrinterView, key: str) -> bool:
    """Whether this may once have been a card: a job that this printer can have at all."""
    alarm = f"{view.printer.id}.alarm."  # a card for an alarm itself; of one that is over nothing else is left
    return key.startswith(alarm) or any(one.key == key for one in sheet_of(house, view).choices)


def grouped(waits: Sequence[Wait]) -> list[tuple[str, list[Wait]]]:
    """What waits, what is due already first, then by the day of the next round."""
    found: dict[str, list[Wait]] = defaultdict(list)
    for one in waits:
        found["Due, but kept off this round" if one.is_due else "Not worth a walk yet"].append(one)
    return sorted(found.items())


def _latest(proofs: Sequence[Proof], since: datetime) -> list[Proof]:
    return [one for one in reversed(proofs) if one.service.at >= since][:LATELY]


def _at(views: Mapping[int, PrinterView], printer_id: int, site: str) -> bool:
    view = views.get(printer_id)
    return view is not None and view.printer.place.site == site


def _day(text: str, today: date) -> date | None:
    """A day from today on; None where it is none."""
    try:
        on = date.fromisoformat(text)
    except ValueError:
        return None
    return on if today <= on <= today + AHEAD else None


def _word(text: str) -> str:
    return "".join(sign if sign.isascii() and sign.isalnum() else "-" for sign in text)[:40]
