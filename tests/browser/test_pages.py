"""The pages in a real browser, over a real agent: they load, say nothing on the console, and hinder nobody."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import quote

import pytest
from PIL import Image
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver import Chrome, Keys
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from agent.app.service import Service
from agent.store import Store
from agent.web.drawings import palettes
from agent.web.gate import Gate
from tests.browser.axe import nothing_serious
from tests.browser.chrome import complaints, loaded, look_like, picture
from tests.doors.house import GOOD, Time, keeper_of, served

pytestmark = pytest.mark.slow

ARTEFACTS = Path(__file__).parents[2] / "artefacts" / "pages"
PAGES = {
    "round": "/round", "card": "/cards/2.wasteToner", "service": "/printers/2/service", "printers": "/printers",
    "printer": "/printers/2", "symptom": "/printers/2/symptom?seen=repeating-mark&every=94", "shelf": "/shelf",
    "part": "/shelf/part?name=C720-TC", "alarms": "/alarms", "ledger": "/ledger", "about": "/about",
}  # fmt: skip
LOOKS = {
    "light": (False, 1280, ""), "dark": (True, 1280, ""), "phone": (False, 390, ""), "print": (False, 800, "print"),
}  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_each_page_loads_quietly_and_fits_by_day_by_night_on_a_phone_and_on_paper(
    running: tuple[str, Service], chrome: Chrome, name: str
) -> None:
    for way, (dark, width, media) in LOOKS.items():
        look_like(chrome, dark=dark, width=width, media=media)
        chrome.get(running[0] + PAGES[name])
        assert chrome.find_elements(By.CSS_SELECTOR, "nav [aria-current=page]"), f"{name} is a page of its own"
        measure = "return [document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
        wide, high = chrome.execute_script(measure)
        assert wide <= width, f"{name} as {way} is {wide} wide"  # WCAG 2.2, 1.4.10: no scrolling to the side
        look_like(chrome, dark=dark, width=width, height=min(high, 8000), media=media)
        picture(chrome, ARTEFACTS / f"{name}-{way}.png")
        assert complaints(chrome) == []
        ground = chrome.execute_script("return getComputedStyle(document.body).backgroundColor")
        assert ground not in ("", "rgba(0, 0, 0, 0)"), "the style sheet is in force"


@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_serious(running: tuple[str, Service], chrome: Chrome, name: str) -> None:
    # axe-core by Deque: rules for WCAG 2.x, levels A and AA. That the dark palette has enough contrast is reckoned in
    # tests/web for every pair of colours.
    for dark in (False, True) if name in ("printers", "printer", "round", "card") else (False,):
        look_like(chrome, dark=dark, width=1280)
        chrome.get(running[0] + PAGES[name])
        nothing_serious(chrome, name)
    chrome.get_log("browser")


def test_axe_finds_nothing_serious_where_people_sign_in_and_change_their_password(
    running: tuple[str, Service], chrome: Chrome, tmp_path: Path
) -> None:
    with Store.open(f"sqlite:///{tmp_path / 'people.sqlite'}") as store:
        keeper = keeper_of(store, Time())
        keeper.add("Lark", "look", GOOD, "root")
        with served(running[1].pages.house, Gate(keeper, True)) as address:
            for path in ("/sign-in?next=/password", "/password"):
                for way, (dark, width, media) in LOOKS.items():
                    look_like(chrome, dark=dark, width=width, media=media)
                    chrome.get(address + path)
                    assert chrome.current_url.endswith(path)
                    assert chrome.execute_script("return document.documentElement.scrollWidth") <= width
                    name = path.partition("?")[0].strip("/")
                    picture(chrome, ARTEFACTS / f"{name}-{way}.png")
                    nothing_serious(chrome, f"{name} as {way}")
                if "next" in path:
                    look_like(chrome, dark=False, width=1280)
                    chrome.find_element(By.NAME, "name").send_keys("Lark")
                    chrome.find_element(By.NAME, "password").send_keys(GOOD, Keys.ENTER)
                    WebDriverWait(chrome, 20).until(lambda it: it.current_url == f"{address}/password")
            assert complaints(chrome) == []


def colours(chrome: Chrome, css: str, folder: Path) -> set[tuple[int, int, int]]:
    """The colours of which more than a few dots are in the first such element, as the page shows it."""
    picture(chrome, folder / "page.png")
    place = chrome.execute_script(
        f"const it = document.querySelector('{css}').getBoundingClientRect();"
        "return [it.left, it.top + scrollY, it.right, it.bottom + scrollY]"
    )
    with Image.open(folder / "page.png") as shot:
        part = shot.convert("RGB").crop([round(one) for one in place])
        return {colour for count, colour in part.getcolors(1_000_000) or [] if count > 20}


def test_charts_have_the_colours_of_day_night_and_paper(
    running: tuple[str, Service], chrome: Chrome, tmp_path: Path
) -> None:
    light, dark = (
        {name: tuple(bytes.fromhex(colour[1:])) for name, colour in palette.items()} for palette in palettes()
    )
    for night, width, media, palette, other in (
        (False, 1280, "", light, dark), (True, 1280, "", dark, light), (True, 390, "", dark, light),
        (True, 800, "print", light, dark),
    ):  # fmt: skip
        look_like(chrome, dark=night, width=width, media=media)
        chrome.get(running[0] + "/printers/2")
        assert loaded(chrome) > 2
        found = colours(chrome, "img.chart", tmp_path)
        assert palette["ink"] in found
        assert other["ink"] not in found
        assert ((255, 255, 255) if media else palette["paper"]) in found, "the page shows through"
        narrow = "narrow=1" in chrome.execute_script("return document.querySelector('img.chart').currentSrc")
        assert narrow == (width == 390)
    assert complaints(chrome) == []


def test_a_reader_finds_a_printer_and_its_numbers_with_the_keyboard_alone(
    running: tuple[str, Service], chrome: Chrome
) -> None:
    look_like(chrome, dark=False, width=1280)
    chrome.get(running[0] + "/printers")
    names = [view.printer.name for view in running[1].sweep.fleet.views.values()]
    assert len(chrome.find_elements(By.CSS_SELECTOR, "tbody tr")) == len(names)
    chrome.switch_to.active_element.send_keys(Keys.TAB)
    assert chrome.switch_to.active_element.text == "To the content"
    chrome.find_element(By.ID, "q").send_keys(names[1], Keys.ENTER)
    new_page = WebDriverWait(chrome, 60, ignored_exceptions=(StaleElementReferenceException, NoSuchElementException))
    new_page.until(lambda _: [one.text for one in chrome.find_elements(By.CSS_SELECTOR, "tbody th a")] == [names[1]])
    chrome.find_element(By.CSS_SELECTOR, "tbody th a").send_keys(Keys.ENTER)
    new_page.until(lambda _: chrome.find_element(By.TAG_NAME, "h1").text == names[1])
    summary = chrome.find_element(By.CSS_SELECTOR, "figure summary")
    table = chrome.find_element(By.CSS_SELECTOR, "figure details table")
    assert not table.is_displayed()
    summary.send_keys(Keys.ENTER)
    assert table.is_displayed()
    assert "%" in table.text
    assert complaints(chrome) == []


def test_what_the_printers_show_is_what_the_pages_show(running: tuple[str, Service], chrome: Chrome) -> None:
    look_like(chrome, dark=False, width=1280)
    view = running[1].sweep.fleet.views[2]
    assert view.reading is not None
    chrome.get(running[0] + "/printers/2")
    text = chrome.find_element(By.TAG_NAME, "main").text
    assert view.reading.serial in text
    shares = [one.fraction for one in view.reading.supplies if one.fraction is not None]
    drawn = [float(one.get_attribute("width") or 0) / 99 for one in
             chrome.find_elements(By.CSS_SELECTOR, ".supply-now rect.ink")]  # fmt: skip
    assert drawn == pytest.approx(shares, abs=0.011)


def test_no_script_runs_even_when_one_is_put_into_the_page(running: tuple[str, Service], chrome: Chrome) -> None:
    chrome.get(running[0] + "/printers")
    chrome.execute_script(
        "document.title = 'before'; const it = document.createElement('div');"
        'it.innerHTML = \'<img src=x onerror="document.title=1"><p style="color:red">x</p>\';'
        "document.body.append(it); const more = document.createElement('script');"
        "more.textContent = 'document.title = 2'; document.body.append(more);"
    )
    time.sleep(0.3)
    assert chrome.title == "before"
    said = " ".join(one["message"] for one in chrome.get_log("browser"))
    assert "Content Security Policy" in said


def test_a_reader_goes_through_the_pages_of_an_earlier_moment_and_back(
    running: tuple[str, Service], chrome: Chrome
) -> None:
    address, service = running
    then = service.clocks.now() - timedelta(days=5)
    look_like(chrome, dark=False, width=1280)
    chrome.get(f"{address}/printers?at={quote(then.isoformat())}")
    first = chrome.find_element(By.CSS_SELECTOR, "tbody th a")
    name = first.text
    first.click()
    WebDriverWait(chrome, 60).until(lambda it: it.find_element(By.TAG_NAME, "h1").text == name)
    assert loaded(chrome) > 1, "its charts came"
    assert "What came later is not looked at" in chrome.find_element(By.CSS_SELECTOR, "main .notice").text
    assert chrome.find_elements(By.CSS_SELECTOR, "main form") == []
    seen = [one.get_attribute("datetime") for one in chrome.find_elements(By.CSS_SELECTOR, "main time")]
    assert max(datetime.fromisoformat(str(one)) for one in seen) <= then
    picture(chrome, ARTEFACTS / "printer-as-of.png")
    nothing_serious(chrome, "printer as of a moment")
    chrome.find_element(By.CSS_SELECTOR, "header nav a[href^='/alarms']").click()
    WebDriverWait(chrome, 60).until(lambda it: it.find_element(By.TAG_NAME, "h1").text == "Alarms")
    assert "As of " in chrome.find_element(By.CSS_SELECTOR, "main .notice").text
    chrome.find_element(By.LINK_TEXT, "How it is now").click()
    WebDriverWait(chrome, 60).until(lambda it: "at=" not in it.current_url)
    assert "As of " not in chrome.find_element(By.TAG_NAME, "main").text
    assert complaints(chrome) == []
