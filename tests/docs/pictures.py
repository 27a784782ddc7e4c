"""``make pictures``: the pictures of docs/pictures, made by the agent itself over a rehearsal fleet, in a real browser.

python -m tests.docs.pictures
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from selenium.webdriver import Chrome

from agent.model.hands import SET, Handwork
from tests.browser.agent import agent
from tests.browser.chrome import browser, look_like, picture
from tests.whole.agent import wait

FOLDER = Path(__file__).parents[2] / "docs" / "pictures"
SHOTS = (
    ("round", "/round", 1180, 1250, False),
    ("card-phone", "/cards/2.toner.cyan", 400, 1150, False),
    ("printers", "/printers", 1180, 900, False),
    ("charts", "/printers/2#supply-1", 1180, 620, False),
    ("charts-dark-phone", "/printers/2#supply-1", 400, 900, True),
)
"""File, page, width and height in CSS pixels, and whether by night."""


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, agent(Path(folder)) as (base, service), browser() as chrome:
        assert service.hands is not None
        service.hands("hl-02", Handwork(SET, "toner:cyan", share=0.0))
        wait(lambda: "Exchange the cyan toner" in _text(chrome, f"{base}/round"), 60)
        for name, page, width, height, dark in SHOTS:
            look_like(chrome, dark=dark, width=width, height=height)
            chrome.get(base + page)
            picture(chrome, FOLDER / f"{name}.png", whole=False)


def _text(chrome: Chrome, address: str) -> str:
    chrome.get(address)
    return str(chrome.find_element("tag name", "main").text)


if __name__ == "__main__":
    main()
