"""The form of a service in a real browser: nothing of it is cut, and the navigation says where one is."""

from __future__ import annotations

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from agent.app.service import Service
from tests.browser.chrome import look_like

pytestmark = pytest.mark.slow

CUT = """
document.querySelectorAll("details").forEach(one => { one.open = true; });
return [...document.querySelectorAll("form.slip select")].flatMap(box => {
  const given = box.getBoundingClientRect().width;
  box.style.cssText = "position: absolute; flex: none; width: max-content; min-width: 0; max-width: none";
  const wanted = box.getBoundingClientRect().width;
  box.style.cssText = "";
  return given < wanted - 0.5 ? [`${[...box.options].map(one => one.text).join(" | ")}: ${given} of ${wanted}`] : [];
});
"""
"""The boxes that are narrower than the widest choice in them, with the arrow beside it, wants."""


@pytest.mark.parametrize("path", ["/printers/2/service", "/cards/2.wasteToner"])
@pytest.mark.parametrize("width", [1280, 390])
def test_the_parts_to_choose_from_can_be_read_whole(
    running: tuple[str, Service], chrome: Chrome, path: str, width: int
) -> None:
    look_like(chrome, dark=False, width=width)
    chrome.get(running[0] + path)
    assert chrome.find_elements(By.CSS_SELECTOR, "form.slip select"), "there are parts to choose from"
    assert chrome.execute_script(CUT) == []
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("path", "place"), [("/printers/2/service", "Printers"), ("/cards/2.wasteToner", "Round")])
def test_the_form_belongs_to_where_it_was_opened_from(
    running: tuple[str, Service], chrome: Chrome, path: str, place: str
) -> None:
    look_like(chrome, dark=False, width=1280)
    chrome.get(running[0] + path)
    (here,) = chrome.find_elements(By.CSS_SELECTOR, "nav [aria-current=page]")
    assert here.text == place
