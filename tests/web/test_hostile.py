"""What a printer says is text, whatever it looks like."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree as ET

import httpx
import pytest

from agent.model.alarm import AlarmRecord, AlarmState
from agent.model.contact import ContactState
from agent.model.fleet import LedgerEntry, Place, Printer, PrinterView
from agent.model.reading import Alert, Bin, Cover, Remark, Tray
from agent.web.look import script_path
from agent.web.words import harmless
from tests.web.conftest import NOW
from tests.web.reading_html import Page
from tests.web.world import StoreHouse

SCRIPT = "<script>alert(1)</script>"
QUOTES = "\"' onmouseover=alert(1) x='"
TAGS = "</title></bdi></td><img src=x onerror=alert(1)><svg onload=alert(2)>"
TEMPLATE = "{{ 7 * 7 }}{% raw %}"
FORMULA = '=HYPERLINK("http://evil.example","A1")'
BIDI = "\u202etxt.exe\u2066\u2069\u200f"
ODD = "\x00\x07\x1b[31m\x7f\x85\u2028\ufeff"
ENTITY = "&lt;b&gt; &amp;amp; &#x202e;"
LINK = "javascript:alert(1)"
NASTY = (SCRIPT, QUOTES, TAGS, TEMPLATE, FORMULA, BIDI, ODD, ENTITY, LINK)


@pytest.fixture(
    scope="module",
    params=NASTY,
    ids=("script", "quotes", "tags", "template", "formula", "bidi", "odd", "entity", "link"),
)
def bad(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def possessed(view: PrinterView, bad: str) -> PrinterView:
    """The printer, every string of it replaced."""
    reading = view.reading
    assert reading is not None
    return replace(
        view,
        printer=Printer(view.printer.id, bad, bad, 2, bad, bad, bad, Place(bad, bad, bad, bad, bad), (bad,)),
        reading=replace(
            reading,
            model=bad, name=bad, serial=bad, address=bad, printer_status=bad, device_status=bad,
            errors=frozenset((bad, "lowToner")), console=(bad, bad),
            system=replace(reading.system, descr=bad, name=bad, location=bad, uptime=500),
            supplies=tuple(
                replace(one, key=bad, kind=bad, colorant=bad, description=bad, unit=bad, supply_class=bad)
                for one in reading.supplies
            ),
            trays=(Tray(1, bad, bad, bad, bad, bad, 5, 5, None),), bins=(Bin(1, bad, bad, bad, bad, 5, 5, None),),
            covers=(Cover(1, bad, bad),), alerts=(Alert(1, bad, bad, bad, 1, 1, bad, -7, bad, 100),),
            counters=tuple(replace(one, name=bad, unit=bad) for one in reading.counters),
            remarks=(Remark(bad, bad),),
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def haunted(house: StoreHouse, changed: Callable[..., httpx.Client], bad: str) -> httpx.Client:
    view = possessed(house.views()[1], bad)
    history = house.history(1, None, None)
    assert history is not None
    entry = LedgerEntry(NOW, bad, bad, 1, bad, bad, {bad: bad}, 1)
    record = AlarmRecord(
        f"{bad}|1|{bad}", bad, 1, bad, AlarmState.ACKNOWLEDGED, NOW, bad, True, NOW, active=True, raised_at=NOW,
        occurrence=1, text=bad, acknowledged_by=bad, shelved_by=bad, shelved_reason=bad, shelved_until=NOW,
    )  # fmt: skip
    tracks = tuple(replace(one, key=bad, kind=bad, colorant=bad, unit=bad, description=bad) for one in history.supplies)
    insight = house.insights()[1]
    insight = replace(
        insight,
        forecasts=tuple(replace(one, supply=bad, description=bad, basis=(bad,)) for one in insight.forecasts),
        lives=tuple(replace(one, supply=bad, ended=bad) for one in insight.lives),
    )
    about = house.about()
    silent = ContactState(1, False, NOW, NOW, None, bad, bad)
    past = replace(history, printer=view.printer, supplies=tracks, ledger=(entry,))
    return changed(
        views={1: view}, printers={1: view.printer}, alarms=(record,), ledger=(entry,), insights={1: insight},
        history=past, outline=past,
        silent={1: silent},
        about=replace(about, store=bad, settings=bad, store_error=bad,
                      vitals=replace(about.vitals, store_failing=True, engine=bad)),
    )  # fmt: skip


PAGES = (
    "/printers", "/printers/1", "/printers/1/symptom?seen=jam", "/printers/1/service", "/alarms?every=1", "/ledger",
    "/about",
)  # fmt: skip
KNOWN = frozenset(
    [
        "script",
        "html",
        "head",
        "meta",
        "title",
        "link",
        "body",
        "a",
        "header",
        "nav",
        "ul",
        "ol",
        "li",
        "svg",
        "rect",
        "path",
        "circle",
        "picture",
        "source",
        "img",
        "main",
        "div",
        "h1",
        "h2",
        "h3",
        "p",
        "b",
        "small",
        "form",
        "label",
        "input",
        "select",
        "option",
        "button",
        "table",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "bdi",
        "time",
        "span",
        "footer",
        "dl",
        "dt",
        "dd",
        "section",
        "article",
        "figure",
        "details",
        "summary",
        "code",
        "fieldset",
        "legend",
        "textarea",
    ]
)


@pytest.mark.parametrize("path", PAGES)
def test_on_a_page_it_stays_text(haunted: httpx.Client, bad: str, path: str) -> None:
    answer = haunted.get(path)
    assert answer.status_code == 200
    page = Page(answer.text)
    assert page.faults == []
    assert set(page.tags) <= KNOWN
    names = {name for _, name, _ in page.attributes}
    assert not {name for name in names if name.startswith("on") or name == "style"}
    # The one script is our own file; its address is made of nothing that anybody says.
    assert set(page.values("script", "src")) <= {script_path()}
    assert {tag for tag, name, _ in page.attributes if name in ("src", "srcset")} <= {"script", "img", "source"}
    charts = r"/printers/1/(level|pages)\.svg\?[A-Za-z0-9%&=+._-]+"
    assert all(re.fullmatch(charts, link) for link in page.values("img", "src") + page.values("source", "srcset"))
    assert all(value.startswith(("/", "?", "#")) for _, name, value in page.attributes if name == "href")
    # Nothing without a look of its own, above all no bidi control (Unicode Standard Annex 9), reaches the page.
    assert not {sign for sign in answer.text if unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp")} - {"\n"}
    shown = "".join(
        f"[U+{ord(one):04X}]" if unicodedata.category(one) in ("Cc", "Cf", "Zl", "Zp") else one for one in bad
    )
    assert " ".join(shown.split()) in page.text


DRAWN = frozenset(("svg", "title", "style", "defs", "clipPath", "g", "path", "rect", "text", "use", "pattern"))


def test_in_a_chart_it_stays_text(haunted: httpx.Client, bad: str) -> None:
    titles = []
    for address in Page(haunted.get("/printers/1").text).values("img", "src"):
        answer = haunted.get(address)
        assert answer.headers["content-type"] == "image/svg+xml"
        root = ET.fromstring(answer.content)
        assert {one.tag.rpartition("}")[2] for one in root.iter()} <= DRAWN
        assert not [name for one in root.iter() for name in one.attrib if name.startswith("on") or name == "style"]
        links = [value for one in root.iter() for name, value in one.attrib.items() if name.endswith("href")]
        assert all(link.startswith("#") for link in links)
        assert not {sign for sign in answer.text if unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp")} - {"\n"}
        titles += [one.text or "" for one in root if one.tag.endswith("title")]
    assert len(titles) > 1
    assert all(title.endswith(harmless(bad)) for title in titles)


@pytest.mark.parametrize("path", ["/printers", "/printers/1", "/printers/1/history", "/alarms", "/ledger", "/about"])
def test_in_json_it_stays_a_string(haunted: httpx.Client, bad: str, path: str) -> None:
    answer = haunted.get(f"/api/v1{path}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert json.dumps(bad)[1:-1] in json.dumps(answer.json())


def test_what_the_reader_asked_for_comes_back_as_text_too(client: httpx.Client, bad: str) -> None:
    for path, name in (
        ("/printers", "q"),
        ("/printers", "site"),
        ("/ledger", "kind"),
        ("/ledger", "until"),
        ("/alarms", "page"),
    ):
        page = Page(client.get(path, params={name: bad}).text)
        assert page.faults == []
        assert set(page.tags) <= KNOWN
        assert not {one for _, one, _ in page.attributes if one.startswith("on")}
