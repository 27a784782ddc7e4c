"""A technician's day in a real browser: a job of the round is done at a simulated printer, and seen to have worked."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from agent.app.service import Service
from agent.model.hands import FIT, SET, Handwork
from tests.browser.agent import agent
from tests.browser.chrome import browser, complaints, look_like, picture
from tests.whole.agent import wait

ARTEFACTS = Path(__file__).parents[2] / "artefacts" / "pages"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Service]]:
    with agent(tmp_path_factory.mktemp("agent")) as going:
        yield going


@pytest.fixture(scope="module")
def chrome() -> Iterator[Chrome]:
    with browser() as opened:
        yield opened


def stock(service: Service, part: str) -> int:
    return service.pages.house.shelf(None).state.on_hand(part)


def runs_low(service: Service, printer: str, number: int, key: str) -> None:
    """The toner runs out at the simulated printer, and the agent has read that and reckoned with it."""
    assert service.hands is not None
    service.hands(printer, Handwork(SET, key, share=0.0))

    def empty() -> bool:
        reading = service.sweep.fleet.views[number].reading
        return reading is not None and any(one.key == key and one.level == 0 for one in reading.supplies)

    wait(empty, 30)


def titles(chrome: Chrome) -> list[str]:
    return [one.text for one in chrome.find_elements(By.CSS_SELECTOR, ".job h4 a")]


def test_a_toner_runs_out_is_on_the_round_is_changed_and_proven_and_the_shelf_is_one_less(
    running: tuple[str, Service], chrome: Chrome
) -> None:
    base, service = running
    look_like(chrome, dark=False, width=390)
    runs_low(service, "hl-02", 2, "toner:cyan")
    chrome.get(f"{base}/round")
    assert "Exchange the cyan toner" in titles(chrome)
    picture(chrome, ARTEFACTS / "story-1-round-phone.png")
    before = stock(service, "C720-TC")
    chrome.find_element(By.LINK_TEXT, "Exchange the cyan toner").click()
    assert "Why now" in chrome.find_element(By.TAG_NAME, "main").text
    chrome.find_element(By.ID, "who").send_keys("Wren Ashdown")
    chrome.find_element(By.CSS_SELECTOR, "button.strong").click()
    assert chrome.find_element(By.CSS_SELECTOR, ".stamp").text == "Being proven"
    assert stock(service, "C720-TC") == before - 1
    picture(chrome, ARTEFACTS / "story-2-proving-phone.png")
    there = chrome.current_url.partition("?")[0]
    chrome.find_element(By.CSS_SELECTOR, ".rehearsal button").click()

    def proven() -> bool:
        chrome.get(there)
        return chrome.find_element(By.CSS_SELECTOR, ".stamp").text == "Proven"

    wait(proven, 40)
    picture(chrome, ARTEFACTS / "story-3-proven-phone.png")
    assert "0 %" in chrome.find_element(By.CSS_SELECTOR, ".checks").text.replace("%", " %").replace("  ", " ")
    chrome.get(f"{base}/round")
    assert "Exchange the cyan toner" not in titles(chrome)
    assert complaints(chrome) == []


def test_a_printer_that_does_not_show_the_new_part_keeps_its_proof_open(
    running: tuple[str, Service], chrome: Chrome
) -> None:
    base, service = running
    look_like(chrome, dark=False, width=1280)
    assert service.hands is not None
    service.hands("hl-02", Handwork(SET, "opc:black", share=0.05))
    wait(lambda: _share(service, 2, "opc:black") < 0.06, 30)
    chrome.get(f"{base}/printers/2/service?did=opc:black")
    chrome.find_element(By.ID, "who").clear()
    chrome.find_element(By.ID, "who").send_keys("Wren Ashdown")
    chrome.find_element(By.CSS_SELECTOR, "button.strong").click()
    there = chrome.current_url.partition("?")[0]
    # A new drum is fitted, and nobody sets its counter back.
    service.hands("hl-02", Handwork(FIT, "opc:black", reset=False))
    time.sleep(6)
    chrome.get(there)
    assert chrome.find_element(By.CSS_SELECTOR, ".stamp").text == "Being proven"
    assert "not seen yet" in chrome.find_element(By.CSS_SELECTOR, ".checks").text
    picture(chrome, ARTEFACTS / "story-4-not-shown.png")


def _share(service: Service, number: int, key: str) -> float:
    reading = service.sweep.fleet.views[number].reading
    found = [one.fraction for one in reading.supplies if one.key == key] if reading is not None else []
    return found[0] if found and found[0] is not None else 1.0


def test_a_swap_that_nobody_logged_is_accepted_on_the_page_of_the_printer(
    running: tuple[str, Service], chrome: Chrome
) -> None:
    base, service = running
    look_like(chrome, dark=False, width=1280)
    waiting = service.pages.house.suggestions(2)
    assert waiting
    chrome.get(f"{base}/printers/2")
    chrome.find_element(By.ID, "accept-who").clear()
    chrome.find_element(By.ID, "accept-who").send_keys("Wren Ashdown")
    chrome.find_element(By.CSS_SELECTOR, ".hints button").click()
    assert "Done:" in chrome.find_element(By.TAG_NAME, "h1").text
    assert len(service.pages.house.suggestions(2)) == len(waiting) - 1


def test_parts_are_counted_on_the_shelf_with_the_keyboard_alone(running: tuple[str, Service], chrome: Chrome) -> None:
    base, service = running
    before = stock(service, "M40-TB")
    chrome.get(f"{base}/shelf/part?name=M40-TB")
    count = chrome.find_element(By.ID, "count")
    count.clear()
    count.send_keys("3")
    who = chrome.find_element(By.ID, "who")
    who.clear()
    who.send_keys("Wren Ashdown\n")
    assert "Written down: 3 M40-TB counted in" in chrome.find_element(By.CSS_SELECTOR, "[role=status]").text
    assert stock(service, "M40-TB") == before + 3
    assert complaints(chrome) == []
