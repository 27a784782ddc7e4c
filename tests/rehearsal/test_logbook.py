"""What people wrote down in a rehearsal's past."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from agent.rehearsal.fleet import Fleet
from agent.rehearsal.logbook import logged

START = datetime(2026, 2, 27, tzinfo=UTC)
UNTIL = START + timedelta(days=120)
SIZE = 20


Past = tuple[Fleet, dict[str, int]]


@pytest.fixture(scope="module")
def past() -> Past:
    made = Fleet(3, SIZE, start=START)
    for _ in made.history(UNTIL, timedelta(days=1)):
        pass
    return made, {worn.who.name: number for number, worn in enumerate(made.printers, 1)}


def test_the_logbook_is_in_order_and_tells_of_nothing_to_come(past: Past) -> None:
    made, ids = past
    entries = logged(made, ids, UNTIL)
    assert [one.at for one in entries] == sorted(one.at for one in entries)
    assert all(START < one.at <= UNTIL for one in entries)
    assert {one.kind for one in entries} == {"service"}


def test_nearly_every_swap_is_logged_but_not_every_one(past: Past) -> None:
    made, ids = past
    swaps = {(ids[one.printer], one.subject, one.at) for one in made.truth.deeds if one.kind == "swap"}
    entries = {(one.printer_id, one.subject, one.at) for one in logged(made, ids, UNTIL)}
    assert 0 < len(swaps - entries) <= len(swaps) / 6


def test_cleaning_comes_in_the_morning_of_a_workday_and_a_few_printers_wait_for_it(past: Past) -> None:
    made, ids = past
    cleaned = [one for one in logged(made, ids, UNTIL) if one.subject == "clean"]
    zone = {ids[worn.who.name]: ZoneInfo(worn.who.place.zone or "UTC") for worn in made.printers}
    for one in cleaned:
        there = one.at.astimezone(zone[one.printer_id or 0])
        assert (there.hour, there.minute) == (7, 45)
        assert there.weekday() < 5
    lately = {one.printer_id for one in cleaned if one.at > UNTIL - timedelta(days=90)}
    assert SIZE * 0.7 < len(lately) < SIZE


def test_only_colour_printers_are_calibrated(past: Past) -> None:
    made, ids = past
    colour = {ids[worn.who.name] for worn in made.printers if len(worn.kind.colours) > 1}
    calibrated = {one.printer_id for one in logged(made, ids, UNTIL) if one.subject == "calibration"}
    assert calibrated
    assert calibrated <= colour


def test_a_printer_that_is_not_in_the_store_is_left_out(past: Past) -> None:
    made, ids = past
    name, number = next(iter(ids.items()))
    others = {other: one for other, one in ids.items() if other != name}
    assert number not in {one.printer_id for one in logged(made, others, UNTIL)}
