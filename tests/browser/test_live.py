"""An open page renews itself in a real browser, and disturbs nobody who is reading or writing there."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from agent.app.service import Service
from agent.model.fleet import LedgerEntry
from agent.model.hands import SET, Handwork
from tests.browser.agent import agent
from tests.browser.chrome import complaints, loaded


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Service]]:
    with agent(tmp_path_factory.mktemp("live")) as (_, service):
        listen = service.settings.listen.address
        # The agent's own server: it is the one that is told of changes.
        yield f"http://127.0.0.1:{listen.port}", service


def write(service: Service, text: str) -> None:
    service.store.append_ledger([LedgerEntry(service.clocks.now(), "remark", text, who="Night desk")])


def wait(chrome: Chrome, text: str, seconds: float = 30) -> None:
    WebDriverWait(chrome, seconds).until(lambda it: text in it.find_element(By.TAG_NAME, "main").text)


def test_what_is_new_appears_by_itself_and_what_is_typed_stays(running: tuple[str, Service], chrome: Chrome) -> None:
    address, service = running
    chrome.get(f"{address}/ledger")
    chrome.execute_script("window.stayed = true")
    WebDriverWait(chrome, 20).until(lambda _: service.pages.bulletin.wanted)
    write(service, "the first thing that happened")
    wait(chrome, "the first thing that happened")
    assert chrome.execute_script("return window.stayed") is True, "the page was not loaded again"
    # Somebody fills in the form above the list: it stays, and so does where they are in it.
    field = chrome.find_element(By.ID, "until")
    chrome.execute_script("arguments[0].value = '2026-01-02'; arguments[0].focus(); window.scrollTo(0, 60)", field)
    write(service, "the second thing that happened")
    wait(chrome, "the second thing that happened")
    assert chrome.find_element(By.ID, "until").get_attribute("value") == "2026-01-02"
    assert chrome.switch_to.active_element.get_attribute("id") == "until"
    assert chrome.execute_script("return window.scrollY") == min(
        60, chrome.execute_script("return document.documentElement.scrollHeight - window.innerHeight")
    )
    assert complaints(chrome) == []


def test_the_focus_stays_on_the_link_that_it_was_on(running: tuple[str, Service], chrome: Chrome) -> None:
    address, service = running
    chrome.get(f"{address}/ledger")
    write(service, "before")
    wait(chrome, "before")
    link = chrome.find_element(By.CSS_SELECTOR, "main tbody a[href^='/printers/']")
    there = link.get_attribute("href")
    chrome.execute_script("arguments[0].focus()", link)
    write(service, "after all that")
    wait(chrome, "after all that")
    assert chrome.switch_to.active_element.get_attribute("href") == there
    assert complaints(chrome) == []


def test_a_chart_is_drawn_anew_when_what_it_shows_has_changed(running: tuple[str, Service], chrome: Chrome) -> None:
    address, service = running
    assert service.hands is not None
    chrome.get(f"{address}/printers/2")
    loaded(chrome)
    chrome.execute_script("window.stayed = true")
    WebDriverWait(chrome, 20).until(lambda _: service.pages.bulletin.wanted)

    def source() -> str:
        chart = "img.chart[src*='supply=toner%3Acyan&']"
        return str(chrome.execute_script(f'return document.querySelector("{chart}").getAttribute("src")'))

    before = source()
    service.hands("hl-02", Handwork(SET, "toner:cyan", share=0.03))
    WebDriverWait(chrome, 60).until(lambda _: source() != before)
    loaded(chrome)
    assert chrome.execute_script("return window.stayed") is True, "the page was not loaded again"
    assert complaints(chrome) == []
