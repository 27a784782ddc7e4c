"""What is kept from scrape to scrape is what the library's own writer makes of the collector, octet for octet.

Reference: ``generate_latest`` of prometheus-client, in both formats, over ``StateCollector``.
"""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from prometheus_client import CollectorRegistry, exposition
from prometheus_client.openmetrics import exposition as openmetrics

from agent.metrics import OPENMETRICS, Metrics, StateCollector, catalogue, series
from agent.metrics.catalogue import PRINTERS
from agent.metrics.exposition import NOBODY_ASKS
from agent.mib.decode import decode, devices
from agent.model.fleet import Place, Printer, PrinterView
from agent.model.health import Snapshot
from agent.model.reading import Counter, Mark
from agent.rehearsal.fleet import Fleet
from tests.metrics.fleet import HOSTILE, NOW, snapshot, supply, view

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
WRITERS: dict[str | None, Callable[[CollectorRegistry], bytes]] = {
    None: exposition.generate_latest,
    OPENMETRICS: openmetrics.generate_latest,
}


def reference(state: Snapshot, accept: str | None) -> bytes:
    registry = CollectorRegistry()
    registry.register(StateCollector(lambda: state))
    return WRITERS[accept](registry)


class Scraped:
    """One page kept over time, compared at each scrape."""

    def __init__(self) -> None:
        self.state = Snapshot()
        self.metrics = Metrics(lambda: self.state)

    def check(self, state: Snapshot) -> bytes:
        self.state = state
        for accept in WRITERS:
            page, _ = self.metrics.render(accept)
            assert page == reference(state, accept)
        return page


def rehearsed(fleet: Fleet, at: datetime, before: dict[int, PrinterView]) -> dict[int, PrinterView]:
    fleet.advance(at)
    views = {}
    for number, worn in enumerate(fleet.printers, 1):
        cells, device = fleet.cells(worn, at), worn.who.device_index
        printer = Printer(number, worn.who.name, worn.who.host, device, worn.who.serial, place=worn.who.place)
        reading = decode(cells, at=at, address=worn.who.host, device_index=device) if device in devices(cells) else None
        known = before.get(number)
        since = known.since if known is not None and known.reachable == worn.on else at
        views[number] = PrinterView(printer, reading, worn.on, since)
    return views


def test_every_scrape_of_the_rehearsed_fleet_is_what_the_library_writes() -> None:
    fleet = Fleet(seed=3, size=30, start=START)
    scraped, views, pages = Scraped(), {}, []
    for hours in (0, 0.02, 1, 5, 24, 24 * 7):
        views = rehearsed(fleet, START + timedelta(hours=hours), views)
        pages.append(scraped.check(replace(snapshot(), views=views)))
    assert len(set(pages)) == len(pages)
    assert pages[-1].count(b"\n") > 1_000


CHANGES: list[Callable[[PrinterView], PrinterView]] = [
    lambda one: replace(one, printer=replace(one.printer, name="Map room")),
    lambda one: replace(one, printer=replace(one.printer, name="100 %b", place=Place("%s %% %(site)s"))),
    lambda one: view(one.printer.id, supplies=(supply("50%b", 1), supply("toner:%d", 2)), counters=()),
    lambda one: replace(one, printer=replace(one.printer, place=Place("Mill Yard"))),
    lambda one: replace(one, printer=replace(one.printer, retired=NOW)),
    lambda one: replace(one, printer=replace(one.printer, retired=None)),
    lambda one: replace(one, reachable=not one.reachable, since=one.since + timedelta(minutes=1)),
    lambda one: replace(one, reading=None),
    lambda one: view(one.printer.id),
    lambda one: view(one.printer.id, supplies=(supply("toner:black", 1), supply("toner:black", 2))),
    lambda one: view(one.printer.id, supplies=(), trays=(), bins=(), covers=(), counters=(), alerts=()),
    lambda one: view(one.printer.id, supplies=(supply("opc", Mark.SOME, 2**31),), errors=frozenset()),
    lambda one: view(one.printer.id, counters=(Counter("life", "impressions", 2**32 - 1),)),
    lambda one: view(one.printer.id, at=NOW + timedelta(microseconds=1), printer_status=None, device_status="odd"),
    *(lambda one, text=text: view(one.printer.id, text, supplies=(supply(text, 1, unit=text),)) for text in HOSTILE),
]


def test_whatever_changes_is_written_anew_and_the_rest_kept() -> None:
    rng = random.Random(11)
    scraped = Scraped()
    views = {number: view(number) for number in range(1, 6)}
    for step in range(38):
        number = rng.choice(list(views))
        views = {**views, number: CHANGES[step % len(CHANGES)](views[number])}
        if step % 9 == 0:
            views = {**views, step + 10: view(step + 10)}
        if step % 11 == 0:
            views.pop(rng.choice(list(views)))
        scraped.check(replace(snapshot(), views=dict(views)))


def test_a_reading_that_says_the_same_again_costs_little() -> None:
    rests: list[int] = []
    views = {number: view(number) for number in range(1, 401)}
    metrics = Metrics(lambda: snapshot(*views.values()), rest=lambda: rests.append(1))
    metrics.render()
    first = len(rests)
    views = {number: view(number, at=NOW + timedelta(minutes=1)) for number in views}
    rests.clear()
    page, _ = metrics.render()
    assert page == reference(snapshot(*views.values()), None)
    assert len(rests) < first / 2


def test_what_is_prepared_after_a_sweep_makes_the_next_page_quick() -> None:
    rests: list[int] = []
    views = {number: view(number) for number in range(1, 401)}
    metrics = Metrics(lambda: snapshot(*views.values()), rest=lambda: rests.append(1))
    metrics.prepare()
    preparing = len(rests)
    rests.clear()
    page, _ = metrics.render()
    assert page == reference(snapshot(*views.values()), None)
    assert len(rests) < preparing / 2


def test_nothing_is_kept_for_scrapes_that_do_not_come() -> None:
    metrics = Metrics(lambda: snapshot(view(7)))
    for _ in range(NOBODY_ASKS):
        metrics.prepare()
        assert metrics._lines._kept
    metrics.prepare()
    assert not metrics._lines._kept
    assert metrics.render()[0] == reference(snapshot(view(7)), None)
    metrics.prepare()
    assert metrics._lines._kept


def test_while_a_sweep_goes_on_only_what_is_scraped_is_kept_up() -> None:
    state = {"now": snapshot(view(1), view(2))}
    metrics = Metrics(lambda: state["now"])
    metrics.render()
    state["now"] = snapshot(view(1, at=NOW + timedelta(minutes=1)), view(2))
    metrics.keep_up()
    assert [kept.view for kept in metrics._lines._kept.values()] == list(state["now"].views.values())
    assert metrics.render()[0] == reference(state["now"], None)
    for _ in range(NOBODY_ASKS + 1):
        metrics.prepare()
    metrics.keep_up()
    assert not metrics._lines._kept, "nobody asks, so nothing is written or kept"


def test_printers_that_are_alike_share_all_of_their_lines_but_the_numbers() -> None:
    few, many = ({number: view(number) for number in range(1, count)} for count in (101, 501))
    state = {"now": few}
    metrics = Metrics(lambda: snapshot(*state["now"].values()))
    metrics.render()
    state["now"] = many
    tracemalloc.start()
    metrics.prepare()
    taken, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    lines = metrics.render()[0].count(b"\n") / len(many)
    assert lines > 40, "else there is little to share"
    assert taken / (len(many) - len(few)) < 1_500  # octets a printer; all lines of one have six thousand


def test_it_lets_others_run_while_it_writes() -> None:
    rests: list[int] = []
    views = [view(number) for number in range(1, 401)]
    chunks, _ = Metrics(lambda: snapshot(*views), rest=lambda: rests.append(1)).stream()
    next(chunks)
    assert len(rests) > 50


def test_a_large_page_comes_in_chunks() -> None:
    views = [view(number) for number in range(1, 1_501)]
    chunks = list(Metrics(lambda: snapshot(*views), rest=lambda: None).stream()[0])
    assert len(chunks) > 5
    assert max(map(len, chunks)) < sum(map(len, chunks)) / 3


def test_scrapes_at_the_same_time_do_not_disturb_each_other() -> None:
    scraped = Scraped()
    states = [snapshot(*(view(n, at=NOW + timedelta(seconds=step * n % 7)) for n in range(1, 60))) for step in range(6)]

    def scrape(turn: int) -> bool:
        state = states[turn % len(states)]
        one = Metrics(lambda: state)
        one._lines = scraped.metrics._lines
        return one.render()[0] == reference(state, None)

    with ThreadPoolExecutor(4) as threads:
        assert all(threads.map(scrape, range(16)))


def test_each_family_of_printers_belongs_to_one_part() -> None:
    names = [name for part in series.PARTS for name in part.names]
    assert len(names) == len(set(names))
    assert {f"lowmark_{name}" for name in names} == {metric.name for metric in PRINTERS}
    assert {metric.name for metric in PRINTERS} < {metric.name for metric in catalogue()}


@pytest.mark.parametrize("text", HOSTILE)
def test_no_text_is_kept_without_bound(text: str) -> None:
    from agent.metrics import lines

    Metrics(lambda: snapshot(view(7, text))).render()
    assert all(len(str(key)) <= 200 for key in lines._quoted)
    assert len(lines._quoted) <= 20_000
