"""The pages show what is known, in words, in the site's time, and can be read by people and programs alike."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import median
from time import perf_counter

import httpx
import pytest

from agent.model.fleet import Place, PrinterView
from agent.model.insight import Dates
from agent.model.reading import Alert
from agent.model.upkeep import OVERDUE, Begin, PrinterUpkeep, UpkeepItem
from agent.store.errors import StoreBusy
from agent.web.look import script_path
from agent.web.words import near_day, number, percent, prose, supply_name
from tests.web.conftest import NOW
from tests.web.reading_html import Page
from tests.web.world import StoreHouse

PAGES = (
    "/printers",
    "/printers/2",
    "/printers/2/symptom",
    "/printers/2/symptom?seen=ghost&every=94.2",
    "/alarms",
    "/alarms?every=1",
    "/ledger",
    "/about",
    "/nothing",
    "/printers/999",
)


def test_the_front_page_leads_to_the_round(client: httpx.Client) -> None:
    answer = client.get("/", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (307, "/round")


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_sound_and_needs_no_script_or_inline_style(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    page = Page(answer.text)
    assert page.faults == []
    assert page.tags["h1"] == 1
    assert page.tags["main"] == 1
    assert page.values("html", "lang") == ["en"]
    assert page.tags["style"] == 0
    assert page.values("script", "src") in ([], [script_path()])
    assert re.findall(r"<script[^>]*>(?!</script>)", answer.text) == [], "no inline script"
    names = {name for _, name, _ in page.attributes}
    assert not {name for name in names if name == "style" or name.startswith("on")}
    # WCAG 2.2, 2.4.1: a way past what is on every page.
    assert "#main" in page.values("a", "href")
    assert answer.headers["content-security-policy"] == (
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_nothing_comes_from_elsewhere(client: httpx.Client) -> None:
    for path in PAGES:
        page = Page(client.get(path).text)
        links = [value for _, name, value in page.attributes if name in ("href", "src", "action")]
        assert all(link.startswith(("/", "?", "#")) and not link.startswith("//") for link in links)
        for sheet in page.values("link", "href"):
            assert client.get(sheet).status_code == 200


def test_each_printer_stands_there_with_state_supplies_and_run_out(client: httpx.Client, house: StoreHouse) -> None:
    page = Page(client.get("/printers").text)
    for view in house.views().values():
        assert view.printer.name in page.text
        assert f"/printers/{view.printer.id}" in page.values("a", "href")
        assert view.reading is not None
        lowest = min((one for one in view.reading.supplies if one.fraction is not None), key=lambda one: one.fraction,
                     default=None)  # fmt: skip
        if lowest is not None:
            assert supply_name(lowest.kind, lowest.colorant, lowest.key, lowest.description) in page.text
    told = [one for insight in house.insights().values() for one in insight.forecasts if one.empty_dates]
    assert told
    first = min(told, key=lambda one: one.empty_dates.p50 if one.empty_dates else NOW.date())
    assert first.empty_dates is not None
    assert near_day(first.empty_dates.p50, NOW.date()) in page.text


def names_in(page: Page, house: StoreHouse) -> list[str]:
    ids = [int(found[1]) for link in page.values("a", "href") if (found := re.fullmatch(r"/printers/(\d+)", link))]
    return [house.views()[one].printer.name for one in ids]


def test_order_filter_and_search_are_plain_addresses(client: httpx.Client, house: StoreHouse) -> None:
    every = sorted(view.printer.name for view in house.views().values())
    assert names_in(Page(client.get("/printers?sort=name").text), house) == every
    assert names_in(Page(client.get("/printers?sort=name&descending=1").text), house) == every[::-1]
    assert names_in(Page(client.get(f"/printers?q={every[2].upper()}").text), house) == [every[2]]
    model = next(iter(house.views().values())).printer.model
    fitting = sorted(view.printer.name for view in house.views().values() if view.printer.model == model)
    assert sorted(names_in(Page(client.get("/printers", params={"q": model}).text), house)) == fitting
    for site in {view.printer.place.site for view in house.views().values()}:
        here = [view.printer.name for view in house.views().values() if view.printer.place.site == site]
        assert sorted(names_in(Page(client.get("/printers", params={"site": site}).text), house)) == sorted(here)
    states = [names_in(Page(client.get(f"/printers?state={one}").text), house) for one in
              ("stopped", "silent", "look", "unread", "fine")]  # fmt: skip
    assert sorted(name for names in states for name in names) == every
    assert "No printer fits" in client.get("/printers?q=nosuchprinteranywhere").text
    for nonsense in ("sort=x", "state=x", "site=x", "page=0", "page=-3", "page=abc", "page=99999999999999999999"):
        assert client.get(f"/printers?{nonsense}").status_code == 200


def many(house: StoreHouse, count: int) -> dict[int, PrinterView]:
    models = list(house.views().values())
    return {
        number: replace(
            models[number % len(models)],
            printer=replace(models[number % len(models)].printer, id=number, name=f"desk-{number:05}"),
        )
        for number in range(1, count + 1)
    }


def test_a_large_fleet_is_cut_into_pages(house: StoreHouse, changed: Callable[..., httpx.Client]) -> None:
    client = changed(views=many(house, 120))
    third = client.get("/printers?sort=name&page=3").text
    assert "desk-00101" in third
    assert "desk-00120" in third
    assert "desk-00100" not in third
    assert "101\N{EN DASH}120 of 120 printers" in Page(third).text
    assert "desk-00120" in client.get("/printers?sort=name&page=77").text, "a page past the end is the last one"
    first = Page(client.get("/printers?sort=name&q=desk").text)
    assert any("page=2" in link and "q=desk" in link for link in first.values("a", "href"))


def test_two_thousand_printers_are_listed_quickly(house: StoreHouse, changed: Callable[..., httpx.Client]) -> None:
    views = many(house, 2000)
    insights = {number: house.insights()[1] for number in views}
    client = changed(views=views, insights=insights)
    took = []
    for page in range(1, 8):
        begun = perf_counter()
        answer = client.get(f"/printers?page={page}&sort=runout", headers={"accept-encoding": "gzip"})
        took.append(perf_counter() - begun)
        assert answer.status_code == 200
    # The aim is 0.3 s; a busy machine is given three times as much.
    assert median(took) < 0.9
    assert int(answer.headers["content-length"]) < 300_000


def test_a_printers_page_tells_levels_in_a_drawing_and_in_numbers(client: httpx.Client, house: StoreHouse) -> None:
    view = house.views()[2]
    page = Page(client.get("/printers/2?days=30").text)
    assert view.reading is not None
    drawings = page.values("img", "src")
    assert len(drawings) == len(view.reading.supplies) + 1  # one for each supply, one for the pages
    for words, supply in zip(page.values("img", "alt"), view.reading.supplies, strict=False):
        assert supply_name(supply.kind, supply.colorant, supply.key, supply.description) in words
        assert percent(supply.fraction) + " now" in words or supply.fraction is None
    # Beneath each: a table that keyboard and screen reader reach.
    assert page.tags["details"] >= len(drawings)
    for supply in view.reading.supplies:
        assert supply_name(supply.kind, supply.colorant, supply.key, supply.description) in page.text.lower()
    for counter in view.reading.counters:
        assert number(counter.value) in page.values("span", "aria-label")


def test_forecasts_and_lives_are_told_in_words(client: httpx.Client, house: StoreHouse) -> None:
    page = Page(client.get("/printers/2").text)
    insight = house.insights()[2]
    told = [one for one in insight.forecasts if one.empty_dates is not None]
    assert told
    for forecast in told:
        assert forecast.empty_dates is not None
        assert near_day(forecast.empty_dates.p50, NOW.date()) in page.text
    for life in insight.lives:
        assert " ".join(prose(life.text).split()) in page.text
    untold = [one.reason for one in insight.forecasts if one.reason]
    assert all(" ".join(reason.split()) in page.text for reason in untold)


def test_pages_by_day_add_up_to_what_the_counter_showed(client: httpx.Client, house: StoreHouse) -> None:
    text = client.get("/printers/2?days=30").text
    table = text[text.index("<summary>By day</summary>") :].split("</table>")[0]
    days = [int(re.sub(r"\D", "", cell)) for cell in re.findall(r'<td class="right">([^<(]+)', table)]
    history = house.history(2, NOW - timedelta(days=60), NOW)
    assert history is not None
    zone = "Europe/London"
    assert history.printer.place.zone == zone
    life = next(track for track in history.counters if track.name == "life")
    begin = datetime(2026, 2, 17, tzinfo=UTC)  # London keeps UTC in winter: 30 days up to 18 March begin here.
    before = [point.value for point in life.points if point.at < begin][-1]
    assert len(days) == 30
    assert sum(days) == life.points[-1].value - before


def test_alerts_are_told_as_the_printer_says_them_and_in_plain_words(
    house: StoreHouse, changed: Callable[..., httpx.Client]
) -> None:
    view = house.views()[1]
    assert view.reading is not None
    alert = Alert(1, "critical", "fieldService", "input", view.reading.trays[0].index, 0, "jam", 8, "JAM 13.2", 100)
    reading = replace(view.reading, alerts=(alert,), system=replace(view.reading.system, uptime=36100))
    page = Page(changed(views={1: replace(view, reading=reading)}).get("/printers/1").text)
    assert "JAM 13.2" in page.text
    assert "Something is jammed in" in page.text
    assert "Qualified service" in page.text
    assert "it does not print until this is over" in page.text
    stood = reading.at - timedelta(minutes=6)
    assert f"{stood:%H:%M}" in page.text


def test_moments_are_those_of_the_printers_site(house: StoreHouse, changed: Callable[..., httpx.Client]) -> None:
    view = house.views()[1]
    there = replace(view.printer, place=Place("Depot", zone="Asia/Tokyo"))
    page = Page(changed(views={1: replace(view, printer=there)}).get("/printers/1").text)
    assert view.reading is not None
    nine_hours_on = view.reading.at + timedelta(hours=9)  # Japan keeps UTC+9 the whole year (IANA tz database).
    assert f"Read last {nine_hours_on:%-d %b %Y, %H:%M}" in page.text
    assert view.reading.at.isoformat(timespec="seconds") in page.values("time", "datetime")
    silent = replace(view, printer=there, reachable=False, since=datetime(2026, 3, 17, 22, 5, tzinfo=UTC))
    assert "18 Mar 2026, 07:05" in Page(changed(views={1: silent}).get("/printers").text).text


def test_upkeep_stands_there_when_it_is_known(house: StoreHouse, changed: Callable[..., httpx.Client]) -> None:
    assert "Upkeep" not in Page(changed(upkeep={}).get("/printers").text).text.replace("Upkeep Pages counted", "")
    item = UpkeepItem(
        1, "kit", "Fit the maintenance kit", OVERDUE, Begin(None, None), 210_000, 200_000, -10_000, None, None,
        Dates(NOW.date(), NOW.date(), NOW.date()), None, ("10,000 impressions past 200,000",), (), None, (), (), 30, (),
    )  # fmt: skip
    client = changed(upkeep={1: PrinterUpkeep(1, NOW, (item,), ())})
    assert "Fit the maintenance kit: overdue" in Page(client.get("/printers").text).text
    assert "10,000 impressions past 200,000" in Page(client.get("/printers/1").text).text
    assert names_in(Page(client.get("/printers?sort=upkeep").text), house)[0] == house.views()[1].printer.name


def test_alarms_are_listed_with_printer_and_severity(client: httpx.Client, house: StoreHouse) -> None:
    page = Page(client.get("/alarms").text)
    standing = [one for one in house.alarms() if one.standing]
    assert standing
    for record in standing:
        # CLDR writes a percentage without a gap in English.
        assert re.sub(r"(\d) %", r"\1%", " ".join(record.text.split())) in page.text
        assert record.severity in page.text
    assert "No alarm fits" in client.get("/alarms?severity=urgent").text or any(
        one.severity == "urgent" for one in standing
    )


def test_the_ledger_is_leafed_through_and_filtered(client: httpx.Client) -> None:
    first = client.get("/ledger?kind=remark&printer=1")
    numbers = [int(one) for one in re.findall(r"remark number (\d+)", first.text)]
    assert numbers == list(range(119, 69, -1))
    onward = next(link for link in Page(first.text).values("a", "href") if "page=2" in link)
    second = [int(one) for one in re.findall(r"remark number (\d+)", client.get(f"/ledger{onward}").text)]
    assert second == list(range(69, 19, -1))
    third = client.get("/ledger?kind=remark&printer=1&page=3").text
    assert [int(one) for one in re.findall(r"remark number (\d+)", third)] == list(range(19, -1, -1))
    early = client.get("/ledger?kind=remark&until=2026-03-10").text
    assert "remark number 1<" in early
    assert "remark number 100<" not in early
    for nonsense in (
        "until=x",
        "until=0001-01-01",
        "printer=x",
        "printer=99999999999999999999",
        "kind=%00",
        "page=1e9",
    ):
        assert client.get(f"/ledger?{nonsense}").status_code == 200


def test_the_agent_tells_of_itself(client: httpx.Client, house: StoreHouse) -> None:
    page = Page(client.get("/about").text)
    for said in ("Lowmark 0.1.0", "Read 240", "Silent 2", "Requests 900", "0 of 20,000", house.store.url):
        assert said in page.text


def test_a_printer_out_of_service_is_told_from_none(house: StoreHouse, changed: Callable[..., httpx.Client]) -> None:
    gone = replace(house.views()[1].printer, id=50, name="Old one", retired=NOW)
    client = changed(printers={50: gone})
    answer = client.get("/printers/50")
    assert answer.status_code == 404
    assert "Old one is out of service" in Page(answer.text).text
    assert "There is no such page" in Page(client.get("/printers/51").text).text


def test_a_store_that_fails_is_told_as_such(house: StoreHouse, client_of: Callable[..., httpx.Client]) -> None:
    class Failing:
        def __getattr__(self, name: str) -> object:
            return getattr(house, name)

        def history(self, *_: object) -> object:
            raise StoreBusy("the database is locked by another program")

        outline = history

    client = client_of(Failing())
    answer = client.get("/printers/1")
    assert answer.status_code == 503
    assert "locked by another program" in Page(answer.text).text
    answer = client.get("/api/v1/printers/1/history")
    assert (answer.status_code, answer.headers["content-type"]) == (503, "application/problem+json")
    assert answer.json()["detail"] == "the database is locked by another program"


def test_only_reading_is_answered(client: httpx.Client) -> None:
    for path in ("/printers", "/printers/1", "/alarms", "/ledger", "/about"):
        assert client.post(path).status_code == 405
        assert client.head(path).status_code == 200


def contrast(one: str, two: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definitions of relative luminance and contrast ratio)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    dark, light = sorted((luminance(one), luminance(two)))
    return (light + 0.05) / (dark + 0.05)


def palettes(client: httpx.Client) -> Iterator[dict[str, str]]:
    sheet = client.get(Page(client.get("/about").text).values("link", "href")[0]).text
    for block in re.findall(r":root \{([^}]*)\}", sheet)[:2]:
        yield dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})\b", block))


def test_colours_are_apart_enough_by_day_and_by_night(client: httpx.Client) -> None:
    found = list(palettes(client))
    assert len(found) == 2
    assert found[0] != found[1]
    for palette in found:
        for ground in ("paper", "band", "desk"):
            for sign in ("ink", "soft", "link"):
                assert contrast(palette[sign], palette[ground]) >= 4.5, (sign, ground)  # WCAG 1.4.3
        for ground in ("paper", "band"):
            for sign in ("warn", "stop"):
                assert contrast(palette[sign], palette[ground]) >= 4.5, (sign, ground)
            for line in ("accent", "edge"):
                assert contrast(palette[line], palette[ground]) >= 3, (line, ground)  # WCAG 1.4.11


def test_the_style_sheet_may_be_kept_and_changes_its_address_with_its_content(client: httpx.Client) -> None:
    address = Page(client.get("/about").text).values("link", "href")[0]
    answer = client.get(address)
    assert "immutable" in answer.headers["cache-control"]
    assert answer.headers["content-type"].startswith("text/css")
    assert client.get("/look-000000000000.css").status_code == 404


def test_headings_go_down_step_by_step(client: httpx.Client) -> None:
    levels = [int(one) for one in re.findall(r"<h([1-6])[ >]", client.get("/printers/2").text)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
