"""A real browser without a screen: Debian's Chromium through its own driver."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

from tests.needs import debian

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--hide-scrollbars", "--disable-dev-shm-usage", "--no-proxy-server",
    "--disable-extensions", "--disable-default-apps", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip


@contextmanager
def browser() -> Iterator[Chrome]:
    program, driver = debian("chromium", "chromium"), debian("chromium-driver", "chromedriver")
    options = ChromeOptions()
    options.binary_location = program
    for flag in FLAGS:
        options.add_argument(flag)
    options.add_experimental_option("prefs", {"intl.accept_languages": "en-GB,en"})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    quiet = {**os.environ, "SE_OFFLINE": "true", "NO_PROXY": "127.0.0.1,localhost", "no_proxy": "127.0.0.1,localhost"}
    opened = Chrome(options=options, service=Service(executable_path=driver, env=quiet))
    try:
        opened.set_page_load_timeout(20)
        yield opened
    finally:
        opened.quit()


def look_like(browser: Chrome, *, dark: bool, width: int, height: int = 900, media: str = "") -> None:
    """Choose the colour scheme, the size of the window in CSS pixels, and the medium (``print`` or the screen)."""
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": [scheme]})
    size: dict[str, Any] = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def loaded(browser: Chrome) -> int:
    """Wait for the pictures of the page; how many there are. Raises when one does not come, or is none."""
    there = "return [document.images.length, [...document.images].filter(one => one.complete).length]"
    WebDriverWait(browser, 20).until(lambda it: len(set(it.execute_script(there))) == 1)
    broken = "return [...document.images].filter(one => !one.naturalWidth).map(one => one.currentSrc)"
    assert browser.execute_script(broken) == []
    return int(browser.execute_script("return document.images.length"))


def picture(browser: Chrome, path: Path, *, whole: bool = True) -> None:
    """The whole page, or what fits the window."""
    import base64

    loaded(browser)
    shot = browser.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": whole, "format": "png"})
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(base64.b64decode(shot["data"]))


def complaints(browser: Chrome) -> list[str]:
    """What the browser's console said since it was asked last, warnings and worse."""
    return [json.dumps(one) for one in browser.get_log("browser") if one["level"] in ("WARNING", "SEVERE")]
