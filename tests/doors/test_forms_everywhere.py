"""Whatever the pages take is taken through the one way that looks where it comes from; what people type stays text."""

from __future__ import annotations

import re

import pytest
from starlette.routing import Route

from agent.store import Store
from agent.web import site
from agent.web.gate import Gate
from tests.doors.house import GOOD, Time, keeper_of, served, sign_in, visitor
from tests.web.reading_html import Page
from tests.web.test_hostile import KNOWN
from tests.web.world import StoreHouse

PAGES = ("/round", "/printers", "/printers/1", "/shelf", "/alarms", "/ledger", "/about", "/password")
NASTY = (
    "<script>alert(1)</script>",
    "\"' onmouseover=alert(1) x='",
    "</title><img src=x onerror=alert(1)>",
    "{{ 7 * 7 }}",
)


def test_every_route_that_takes_something_is_made_by_the_form_that_proves_itself(
    lived_in: StoreHouse, store: Store, time: Time
) -> None:
    gate = Gate(keeper_of(store, time), sign_in=True)
    routes = [one for one in site.routes(lived_in, gate) if isinstance(one, Route)]
    taking = [one for one in routes if (one.methods or set()) - {"GET", "HEAD"}]
    assert {"/sign-in", "/sign-out", "/password"} <= {one.path for one in taking}
    assert len(taking) > 5
    for one in taking:
        assert getattr(one.endpoint, "reads_form", False), one.path


def test_every_form_that_changes_something_carries_the_field(lived_in: StoreHouse, store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Lark", "administer", GOOD, "root")
    with served(lived_in, Gate(keeper, sign_in=True)) as address, visitor(address) as client:
        sign_in(client, "Lark", GOOD)
        for path in PAGES:
            text = client.get(path).text
            forms = re.findall(r'<form[^>]*method="post".*?</form>', text, re.DOTALL)
            assert forms, f"{path}: at least the one to sign out"
            for form in forms:
                assert form.count('name="csrf"') == 1, path


@pytest.mark.parametrize("bad", NASTY)
def test_a_name_that_looks_like_a_page_is_shown_as_a_name(
    lived_in: StoreHouse, store: Store, time: Time, bad: str
) -> None:
    keeper = keeper_of(store, time)
    keeper.add(bad, "look", GOOD, "root")
    with served(lived_in, Gate(keeper, sign_in=True)) as address, visitor(address) as client:
        refused = sign_in(client, bad, "wrong wrong wrong", bad)
        assert refused.status_code == 403
        shown = [refused.text, client.get("/sign-in", params={"next": bad}).text]
        assert sign_in(client, bad, GOOD).status_code == 303
        shown += [client.get(path).text for path in ("/password", "/printers", "/ledger")]
        for text in shown:
            page = Page(text)
            assert page.faults == []
            assert set(page.tags) <= KNOWN
            assert not {name for _, name, _ in page.attributes if name.startswith("on") or name == "style"}
        assert " ".join(bad.split()) in Page(shown[2]).text
