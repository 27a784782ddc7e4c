"""The world of the story: six simulated printers, lately tended, one of which says nasty things; and a look at a page.

Nothing is due here but what the story makes due: six days ago everything was exchanged, calibrated, cleaned and logged.
"""

from __future__ import annotations

import asyncio
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

import yaml
from selenium.common.exceptions import (
    ElementClickInterceptedException,
    ElementNotInteractableException,
    NoSuchElementException,
    StaleElementReferenceException,
)
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from agent.app.parts import packaged_oddities
from agent.app.service import Clocks, Service
from agent.model.fleet import LedgerEntry, Printer
from agent.model.reading import Reading
from agent.rehearsal import stores
from agent.rehearsal.clock import SimClock
from agent.rehearsal.fleet import Address, Fleet, Seen, own_addresses
from agent.rehearsal.hands import Door, Hands
from agent.rehearsal.kinds import Kind, TrayKind
from agent.rehearsal.paper import write_settings
from agent.rehearsal.past import contacts, thinned
from agent.rehearsal.serve import Rehearsal
from agent.rehearsal.wear import Worn
from agent.settings import load
from agent.store import Store
from tests.browser.agent import going
from tests.browser.axe import nothing_serious
from tests.browser.chrome import complaints, look_like, picture
from tests.needs import debian
from tests.whole.agent import PATIENCE, free_port, lowmark

SIZE, DAYS, SPEED = 6, 24, 10.0
TENDED = timedelta(days=6)
WHO = "Wren Ashdown"
NIGHT = "Night desk"
ON_THE_SHELF = 3
ARTEFACTS = Path(__file__).parents[2] / "artefacts" / "pages"

SCRIPT = "<script>document.title='taken over'</script>"
IMAGE = "<img src=x onerror=document.title='taken-over'>"
FORMULA = '=HYPERLINK("http://127.0.0.1/","look")'
BIDI = "\u202etxt.exe\u2066"
NASTY_NAME = f"=1+1{IMAGE}"


# --- printers -----------------------------------------------------------------------------------------------------


class Possessed(Fleet):
    """A fleet in which one printer gives everything about itself a nasty name."""

    nasty = ""

    def _build(self, kinds: Sequence[Kind], places: Sequence[Address]) -> Iterator[Worn]:
        turned = [_possess(kind) if kind.name == "ink device" else kind for kind in kinds]
        for worn in super()._build(turned, places):
            if worn.kind.model.startswith("J15<"):
                self.nasty = worn.who.name
                worn.who = replace(worn.who, name=NASTY_NAME)
            yield worn


def _possess(kind: Kind) -> Kind:
    names = (SCRIPT, FORMULA, f"+{BIDI}", "@SUM(A1)", f"-{IMAGE}")
    return replace(
        kind,
        model="J15<svg/onload=document.title=1>",
        ready=f"{BIDI}<script>1</script>",
        parts=tuple(replace(part, description=name) for part, name in zip(kind.parts, names, strict=True)),
        trays=(TrayKind(IMAGE, 250), TrayKind(f"={BIDI}", 80)),
    )


def _past(fleet: Fleet, now: datetime) -> Iterator[Seen]:
    """Three weeks; towards their end everything is made new."""
    step = timedelta(hours=3)
    yield from fleet.history(now - TENDED, step)
    for worn in fleet.printers:
        for key in worn.lives:
            worn.swap(key)
        worn.clear()
    yield from fleet.history(now, step)


def _remember(store: Store, fleet: Fleet, now: datetime) -> None:
    """The past, and what the night desk wrote down of it."""

    def enlist(worn: Worn, reading: Reading) -> int:
        who = worn.who
        printer = Printer(
            id=0, name=who.name, address=reading.address, device_index=reading.device_index, serial=reading.serial,
            mac=reading.mac, model=reading.model, place=who.place, first_seen=reading.at,
        )  # fmt: skip
        return store.save_printer(printer).id

    made = contacts(thinned(_past(fleet, now)), enlist, packaged_oddities())
    while some := list(islice(made, 2000)):
        store.record(some)
    ids = {printer.name: printer.id for printer in store.printers()}
    entries = [
        LedgerEntry(one.at, "service", f"{one.subject} done", ids[one.printer], one.subject, NIGHT)
        for one in fleet.truth.deeds
        if one.kind == "swap"
    ]
    for worn in fleet.printers:
        plans = ["clean", "calibration"] if len(worn.kind.colours) > 1 else ["clean"]
        at = now - TENDED + timedelta(minutes=30)
        entries += [LedgerEntry(at, "service", f"{plan} done", ids[worn.who.name], plan, NIGHT) for plan in plans]
    store.append_ledger(sorted(entries, key=lambda entry: entry.at))
    store.append_ledger(
        [
            replace(one, text=f"{ON_THE_SHELF} lie there, counted again", data={**one.data, "count": ON_THE_SHELF})
            for one in stores.counted(fleet, now)
        ]
    )


# --- the agent ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Story:
    """The agent and its printers. ``base``: where the pages are. ``door``: where ``lowmark hands`` gets in."""

    base: str
    service: Service
    fleet: Fleet
    hands: Hands
    door: Path
    settings: Path
    store: str

    def hand(self, *words: str) -> str:
        """What the command ``lowmark hands`` says."""
        said = lowmark("hands", *words, "--rehearsal", str(self.door))
        assert said.returncode == 0, said.stderr
        return said.stdout

    def snmp(self, name: str, oid: str) -> str:
        """One cell, as Net-SNMP's snmpget reads it from the printer itself."""
        who = self.fleet.by_name[name].who
        tool = debian("snmp", "snmpget")
        asked = [tool, "-v2c", "-c", "public", "-Oqvn", f"{who.host}:{who.port}", oid]
        return subprocess.run(asked, capture_output=True, text=True, check=True, timeout=20).stdout.strip()

    def rows(self, name: str, oid: str) -> list[str]:
        """One column, as Net-SNMP's snmpwalk reads it."""
        who = self.fleet.by_name[name].who
        tool = debian("snmp", "snmpwalk")
        asked = [tool, "-v2c", "-c", "public", "-Oqvn", f"{who.host}:{who.port}", oid]
        return subprocess.run(asked, capture_output=True, text=True, check=True, timeout=20).stdout.split()

    def share(self, number: int, key: str) -> float | None:
        """What the agent knows to be left of a supply."""
        view = self.service.sweep.fleet.views.get(number)
        reading = view.reading if view is not None else None
        return next((one.fraction for one in reading.supplies if one.key == key), None) if reading else None


@contextmanager
def story(folder: Path) -> Iterator[Story]:
    """The whole world, swept and reckoned once."""
    now = datetime.now(UTC)
    start, addresses = now - timedelta(days=DAYS), own_addresses(SIZE, free_port())
    fleet = Possessed(seed=1, size=SIZE, start=start, addresses=addresses)
    url, file = f"sqlite:///{folder / 'history.sqlite'}", folder / "lowmark.yaml"
    write_settings(fleet, file, store=url)
    file.write_text(yaml.safe_dump({**_nameless(yaml.safe_load(file.read_text())), **_more(fleet)}))
    with Store.open(url) as store:
        _remember(store, fleet, now)
        rehearsal = Rehearsal(fleet, SimClock(lambda: datetime.now(UTC), now, SPEED))
        rehearsal.untended()
        for worn in fleet.printers:
            rehearsal.plug(worn.who.name)
        hands = Hands(rehearsal)
        service = Service(load(file), file, store, Clocks(lambda: datetime.now(UTC), time.monotonic))
        service.hands = hands
        with rehearsal, Door(hands, folder / "doors") as door, going(service):
            asyncio.run(service.pages.reckon())
            assert service.server is not None
            yield Story(f"http://{service.server.address}", service, fleet, hands, door.path, file, url)


def _nameless(settings: dict[str, Any]) -> dict[str, Any]:
    """The nasty printer is called what it calls itself."""
    for one in settings["printers"]:
        if one["name"] == NASTY_NAME:
            del one["name"]
    return settings


def _more(fleet: Fleet) -> dict[str, Any]:
    return {
        **stores.settings(fleet),
        "listen": {"address": f"127.0.0.1:{free_port()}"},
        "polling": {"status": "5s", "timeout": "1s", "retries": 1, "deadline": "3s"},
        "servicing": {"prove_within": "1m"},
        "alarms": [
            {"name": "supply-low", "when": "supplyBelow", "below": "15%", "deadband": "3%"},
            {"name": "printer-stopped", "when": "printerAlert", "alert_severity": ["critical"]},
            {"name": "printer-silent", "when": "unreachable", "for": "30s", "severity": "high"},
        ],
    }


# --- at the browser -----------------------------------------------------------------------------------------------


class Desk:
    """Somebody at a browser, who waits for what shall appear and looks at each page closely."""

    def __init__(self, chrome: Chrome) -> None:
        self.chrome = chrome

    def go(self, address: str) -> None:
        """Load a page. Whatever appears on it later does so without loading it again (see ``same``)."""
        self.chrome.get(address)
        self.chrome.execute_script("window.loaded = 'once'")

    def same(self) -> bool:
        """Whether this is still the page that was loaded by ``go`` or marked by ``stay``."""
        return bool(self.chrome.execute_script("return window.loaded === 'once'"))

    def stay(self) -> None:
        """Mark the page as it is now."""
        self.chrome.execute_script("window.loaded = 'once'")

    def text(self, css: str = "main") -> str:
        """What stands there, blanks of every kind made single ones."""
        return " ".join(self.chrome.find_element(By.CSS_SELECTOR, css).text.split())

    def texts(self, css: str) -> list[str]:
        """What stands in each of these."""
        return [" ".join(one.text.split()) for one in self.chrome.find_elements(By.CSS_SELECTOR, css)]

    def until(self, so: Callable[[], object], what: str, seconds: float = 40.0) -> None:
        """Wait until something is so; a page that changes meanwhile is looked at again."""
        seconds *= PATIENCE
        end = time.monotonic() + seconds
        while True:
            try:
                if so():
                    return
            except (StaleElementReferenceException, NoSuchElementException):
                pass
            if time.monotonic() > end:
                shown = self.chrome.find_element(By.TAG_NAME, "body").text
                raise AssertionError(f"not within {seconds:g} s: {what}. {self.chrome.current_url} shows:\n{shown}")
            time.sleep(0.15)

    def press(self, css: str, words: str = "") -> None:
        """Press what is there, the first that says ``words``; also while the page renews itself."""

        def pressed() -> bool:
            found = self.chrome.find_elements(By.CSS_SELECTOR, css)
            one = next((one for one in found if words in " ".join(one.text.split())), None)
            if one is None:
                return False
            try:
                one.click()
            except (ElementClickInterceptedException, ElementNotInteractableException):
                return False
            return True

        self.until(pressed, f"{words or css} can be pressed", 10)

    def fill(self, css: str, text: str) -> None:
        """Type into a field what shall stand there."""

        def typed() -> bool:
            field = self.chrome.find_element(By.CSS_SELECTOR, css)
            field.clear()
            field.send_keys(text)
            return field.get_property("value") == text

        self.until(typed, f"{css} takes {text}", 10)

    def look(self, name: str) -> None:
        """Pictures by day, by night and on a phone; nothing too wide, nothing that hinders, nothing on the console."""
        for how, (dark, width) in {"light": (False, 1280), "dark": (True, 1280), "phone": (False, 390)}.items():
            look_like(self.chrome, dark=dark, width=width)
            measure = "return [document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
            wide, high = self.chrome.execute_script(measure)
            assert wide <= width, f"{name} as {how} is {wide} wide"  # WCAG 2.2, 1.4.10: no scrolling to the side
            look_like(self.chrome, dark=dark, width=width, height=min(high, 6000))
            picture(self.chrome, ARTEFACTS / f"story-{name}-{how}.png")
        look_like(self.chrome, dark=False, width=1280)
        nothing_serious(self.chrome, name)
        assert complaints(self.chrome) == []
