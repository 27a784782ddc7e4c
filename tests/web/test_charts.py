"""Charts: what stands in them as numbers, how that is drawn, and how a browser gets them."""

from __future__ import annotations

import base64
import hashlib
import math
import re
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from urllib.parse import quote
from xml.etree import ElementTree as ET

import httpx
import pytest

from agent.model.fleet import LevelPoint, Printer, PrinterHistory, SupplyTrack
from agent.model.reading import CONSUMED, Mark
from agent.web import charts, drawings, locales
from agent.web.album import Album
from agent.web.volume import Day
from tests.web.reading_html import Page
from tests.web.world import StoreHouse

LONDON = "Europe/London"
START = datetime(2026, 3, 1, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"


def level(points: list[tuple[float, int | Mark]]) -> SupplyTrack:
    made = tuple(LevelPoint(START + timedelta(days=day), value, 100) for day, value in points)
    return SupplyTrack("toner", "toner", CONSUMED, "black", "percent", "", made)


def shown(days: float) -> charts.Times:
    now = START + timedelta(days=days)
    return charts.Times(START, now, now, now, LONDON)


def path_in(made: bytes, gid: str) -> dict[str, str]:
    """The attributes of the first path of a part of a drawing."""
    part = next(one for one in ET.fromstring(made).iter(f"{SVG}g") if one.get("id") == gid)
    return next(part.iter(f"{SVG}path")).attrib


def path_of(made: bytes, gid: str) -> list[tuple[float, float]]:
    """Its corners, in the units of the drawing."""
    return [(float(x), float(y)) for x, y in re.findall(r"[ML] (\S+) (\S+)", path_in(made, gid)["d"])]


def words_of(made: bytes) -> list[str]:
    return [one.text or "" for one in ET.fromstring(made).iter(f"{SVG}text")]


def test_a_level_is_drawn_as_the_steps_that_were_seen() -> None:
    chart = charts.levels(level([(0, 100), (5, 50), (8, 0)]), None, (), shown(10))
    form = drawings.WIDE
    wide, high = form.wide - form.left - form.right, form.high - form.top - form.bottom
    corners = [(0, 1.0), (5, 1.0), (5, 0.5), (8, 0.5), (8, 0.0), (10, 0.0)]
    # A twenty-fifth more than the past: there the word now stands.
    expected = [(form.left + day / 10.4 * wide, form.top + (1 - share) * high) for day, share in corners]
    found = path_of(drawings.svg(chart, form, "x"), "level")
    assert list(dict.fromkeys(found)) == [pytest.approx(one, abs=0.1) for one in expected]


def test_what_is_not_a_number_leaves_a_gap_and_some_is_hatched() -> None:
    chart = charts.levels(level([(0, 80), (3, Mark.UNKNOWN), (4, Mark.SOME), (6, 70)]), None, (), shown(9))
    assert [math.isnan(share) for _, share in chart.shown] == [False, True, True, False, False]
    ((begin, until),) = chart.vague
    assert (until - begin) / 86400 == 2
    made = drawings.svg(chart, drawings.WIDE, "x")
    assert path_in(made, "level")["d"].count("M") == 2, "two stretches"
    assert b"<pattern" in made


def test_a_chart_shows_nothing_from_before_it_begins() -> None:
    times = replace(shown(9), begin=START + timedelta(days=4))
    chart = charts.levels(level([(0, 90), (2, 80), (3, 75), (6, 70)]), None, (), times)
    assert [share for _, share in chart.shown] == [0.75, 0.7, 0.7]
    assert chart.shown[0][0] == chart.begin


def test_numbers_of_lives_do_not_stand_over_each_other() -> None:
    at = [START + timedelta(days=day) for day in (2, 30, 30.5, 59.9)]
    chart = charts.levels(level([(0, 50)]), None, (), shown(60))
    lives = replace(chart, fitted=tuple((one.timestamp(), which) for which, one in enumerate(at, start=11)))
    made = drawings.svg(lives, drawings.NARROW, "x")
    assert [word for word in words_of(made) if word in ("11", "12", "13", "14")] == ["11", "13", "14"]
    arrows = [one for one in ET.fromstring(made).iter(f"{SVG}g") if one.get("id") == "fitted"]
    assert len(arrows) == 4


def test_a_chart_stays_the_same_until_the_next_even_moment() -> None:
    track = level([(0, 80), (1, 70)])
    past = PrinterHistory(Printer(1, "desk", "192.0.2.1"), (), (track,), ())

    def drawn(days: float) -> charts.LevelChart:
        shown = charts.times(past, None, START + timedelta(days=days), 30, LONDON)
        return charts.levels(track, None, (), shown)

    # Of thirty days one part in 1440 is half an hour.
    first, second, third = drawn(3.001), drawn(3.02), drawn(3.03)
    assert first == second
    assert first != third
    assert first.now == (START + timedelta(days=3, minutes=30)).timestamp()
    assert drawn(3).now == (START + timedelta(days=3)).timestamp()


def days(pages: list[int | None]) -> list[Day]:
    return [Day(date(2026, 3, 2) + timedelta(days=place), one) for place, one in enumerate(pages)]


def test_days_are_told_apart_by_more_than_colour() -> None:
    chart = charts.volume(days([10, 20, None, 40, 30, 5, 6]))  # 2 March 2026 was a Monday
    assert chart is not None
    made = drawings.svg(chart, drawings.WIDE, "x")
    assert path_in(made, "workday")["fill"] != "none"
    assert path_in(made, "weekend")["fill"] == "none"
    assert "stroke" in path_in(made, "weekend")
    ground = drawings.WIDE.high - drawings.WIDE.bottom
    assert {y > ground + 1 for _, y in path_of(made, "unheard")} == {True, False}, "it hangs beneath the line"
    assert len(path_of(made, "workday")) == 4 * 4
    tallest = min(y for _, y in path_of(made, "workday"))
    assert tallest == pytest.approx(drawings.WIDE.top, abs=0.1), "40 is the top of the scale"


@pytest.mark.parametrize(
    ("most", "top"),
    [
        (0, 2),
        (1, 2),
        (2, 2),
        (7, 8),
        (10, 10),
        (11, 12),
        (99, 100),
        (100, 100),
        (101, 120),
        (2010, 2400),
        (8001, 10_000),
    ],
)
def test_the_scale_of_pages_ends_at_a_number_that_is_easy_to_halve(most: int, top: int) -> None:
    chart = charts.volume(days([0, most]))
    assert chart is not None
    assert chart.top == top


@pytest.mark.parametrize("span", [8, 30, 61, 120, 400, 800])
@pytest.mark.parametrize("most", [4, 7])
def test_an_axis_names_few_days_in_even_steps(span: int, most: int) -> None:
    first = date(2026, 3, 18)
    found = charts.round_days(first, first + timedelta(days=span), most)
    assert 1 <= len(found) <= most + 2
    steps = {(two - one).days for one, two in pairwise(found)}
    assert len(steps) <= 1 or all(one.day == 1 for one in found)
    assert len(steps) <= 1 or max(steps) - min(steps) <= 3


def test_numbers_and_days_are_those_of_the_reader() -> None:
    chart = charts.volume(days([1500, 2000, 700, 1, 2, 3, 4] * 3))
    assert chart is not None

    def drawn(tag: str) -> list[str]:
        locales.use(tag)
        return words_of(drawings.svg(chart, drawings.WIDE, "x"))

    english, german = copy_context().run(drawn, "en-GB"), copy_context().run(drawn, "de-DE")
    assert "2,000" in english
    assert "2.000" in german
    assert "9 Mar" in english
    assert any(word.startswith("9. M") for word in german)


def test_a_drawing_needs_nothing_that_a_strict_page_forbids_and_every_colour_has_one_for_the_night() -> None:
    sample = level([(0, 80), (3, Mark.SOME), (4, 60)])
    for chart in (charts.levels(sample, None, (), shown(9)), charts.volume(days([1, None, 3, 4, 5, 6, 7]))):
        assert chart is not None
        made = drawings.svg(chart, drawings.NARROW, "</title><script>alert(1)</script> $x^2$")
        root = ET.fromstring(made)
        assert [one.text for one in root.iter(f"{SVG}title")] == ["</title><script>alert(1)</script> $x^2$"]
        assert not [one for one in root.iter() if "style" in one.attrib or one.tag == f"{SVG}script"]
        (sheet,) = root.iter(f"{SVG}style")
        digest = base64.b64encode(hashlib.sha256((sheet.text or "").encode()).digest()).decode()
        assert drawings.source() == f"'sha256-{digest}'"
        for one in root.iter():
            for name in ("fill", "stroke"):
                colour = one.get(name, "none")
                night = f'[{name}="{colour}"]{{{name}:' in (sheet.text or "")
                assert night or colour == "none" or colour.startswith("url(#"), colour


# --- over HTTP ----------------------------------------------------------------------------------------------------


def test_a_browser_gets_each_chart_and_keeps_it_while_it_is_the_same(client: httpx.Client) -> None:
    page = Page(client.get("/printers/2?days=30").text)
    addresses = page.values("img", "src")
    assert len(set(addresses)) == len(addresses) > 2
    assert page.values("source", "srcset") == [f"{one}&narrow=1" for one in addresses]
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "image/svg+xml"
        assert len(answer.content) < 30_000
        assert answer.headers["content-security-policy"].startswith("default-src 'none'; style-src 'sha256-")
        assert answer.headers["cache-control"] == "private, no-cache"
        again = client.get(address, headers={"if-none-match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        narrow = client.get(f"{address}&narrow=1")
        assert narrow.headers["etag"] != answer.headers["etag"]
        assert f'width="{drawings.NARROW.wide}"' in narrow.text
        german = client.get(address, headers={"accept-language": "de", "if-none-match": answer.headers["etag"]})
        assert german.status_code == 200, "another language is another picture"
    assert Page(client.get("/printers/2?days=30").text).values("img", "src") == addresses


def test_a_chart_that_is_not_kept_any_more_is_reckoned_anew(client: httpx.Client) -> None:
    address = Page(client.get("/printers/2?days=30").text).values("img", "src")[0]
    bare = re.sub("&v=[0-9a-f]+", "", address)
    assert bare != address
    assert client.get(bare).content == client.get(address).content == client.get(f"{bare}&v=gone").content


@pytest.mark.parametrize("path", ["/printers/999/pages.svg", "/printers/2/level.svg?supply=nothing",
                                  "/printers/99999999999999999999/level.svg", "/printers/2/level.svg"])  # fmt: skip
def test_a_chart_of_nothing_is_not_found(client: httpx.Client, path: str) -> None:
    assert client.get(path).status_code == 404


def test_another_level_is_another_address_of_its_chart_alone(
    house: StoreHouse, changed: Callable[..., httpx.Client]
) -> None:
    now = house.now()
    past = house.history(2, now - timedelta(days=120), now)
    assert past is not None
    track = past.supplies[0]
    emptier = replace(track, points=(*track.points, LevelPoint(now - timedelta(minutes=1), 1, 100)))
    later = replace(past, supplies=(emptier, *past.supplies[1:]))
    before, after = (Page(changed(outline=one).get("/printers/2").text).values("img", "src") for one in (past, later))
    assert [one for one, other in zip(before, after, strict=True) if one != other] == [
        one for one in before if f"supply={quote(track.key, safe='')}&" in one
    ]


def test_charts_that_take_long_leave_the_other_pages_alone(
    house: StoreHouse, client_of: Callable[..., httpx.Client]
) -> None:
    go_on = threading.Event()

    class Slow:
        def __getattr__(self, name: str) -> object:
            return getattr(house, name)

        def outline(self, *of: Any) -> object:
            go_on.wait(30)
            return house.outline(*of)

    client = client_of(Slow())
    many = 60  # more than there are threads for pages (Starlette has 40)
    caller = httpx.Client(base_url=client.base_url, trust_env=False, timeout=60, limits=httpx.Limits())
    with ThreadPoolExecutor(many) as pool, caller:
        waiting = [pool.submit(caller.get, "/printers/2/pages.svg?days=30") for _ in range(many)]
        try:
            time.sleep(2)
            assert not any(one.done() for one in waiting)
            assert client.get("/about", timeout=10).status_code == 200
        finally:
            go_on.set()
        assert {one.result().status_code for one in waiting} == {200}


def test_an_album_keeps_no_more_than_it_may() -> None:
    album = Album(sheets=2, drawn=1)
    found = [album.hang(charts.levels(level([(0, share)]), None, (), shown(3)), "x") for share in (10, 20, 30)]
    assert len({one.mark for one in found}) == 3
    assert [album.find(one.mark) for one in found] == [None, *found[1:]]
    first = album.svg(found[1], narrow=False)
    assert album.svg(found[1], narrow=False) is first
    album.svg(found[2], narrow=False)
    assert album.svg(found[1], narrow=False) is not first
    assert album.svg(found[1], narrow=False) == first
