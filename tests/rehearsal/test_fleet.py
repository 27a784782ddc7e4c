"""The fleet's history: what polling it would have brought, and the contacts made of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from agent.mib.decode import decode
from agent.model.contact import Contact
from agent.rehearsal import face, kinds
from agent.rehearsal.fleet import Address, Fleet, Seen, own_ports
from agent.rehearsal.past import contacts, thinned
from agent.rehearsal.wear import Worn

START = datetime(2026, 2, 27, tzinfo=UTC)  # a Friday
UNTIL = START + timedelta(days=5)
STEP = timedelta(minutes=30)
SIZE = 11


def history(**more: object) -> list[Seen]:
    return list(Fleet(2, SIZE, start=START).history(UNTIL, STEP, **more))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def seen() -> list[Seen]:
    return history()


def by_printer(found: list[Seen]) -> dict[str, list[Seen]]:
    made: dict[str, list[Seen]] = {}
    for one in found:
        made.setdefault(one.printer.who.name, []).append(one)
    return made


def test_everybody_is_asked_at_every_step_in_order_of_time(seen: list[Seen]) -> None:
    assert len(seen) == SIZE * (UNTIL - START) // STEP
    assert [one.at for one in seen] == sorted(one.at for one in seen)
    assert seen[-1].at == UNTIL


def test_what_is_the_same_as_before_is_not_told_again(seen: list[Seen]) -> None:
    told = [one for one in seen if one.cells is not None]
    assert SIZE < len(told) < len(seen) / 2


def test_the_same_seed_leaves_the_same_history(seen: list[Seen]) -> None:
    again = history()
    assert [(one.at, one.reachable, one.cells) for one in again] == [(one.at, one.reachable, one.cells) for one in seen]


def test_cells_are_those_that_a_fleet_of_that_moment_shows(seen: list[Seen]) -> None:
    one = next(one for one in reversed(seen) if one.cells is not None)
    fleet = Fleet(2, SIZE, start=START)
    fleet.advance(one.at)
    assert fleet.cells(fleet.by_name[one.printer.who.name], one.at) == one.cells


def test_the_often_offline_printer_is_silent_at_times(seen: list[Seen]) -> None:
    silent = {one.printer.kind for one in seen if not one.reachable}
    assert kinds.OFTEN_OFF in silent
    often = [one for one in seen if one.printer.kind is kinds.OFTEN_OFF]
    assert 0.4 < sum(not one.reachable for one in often) / len(often) < 1.0


def test_nobody_is_asked_in_a_gap() -> None:
    gap = (START + timedelta(days=1), START + timedelta(days=1, hours=8))
    found = history(gaps=[gap])
    assert not any(gap[0] <= one.at <= gap[1] for one in found)
    assert any(one.at > gap[1] and one.cells is not None for one in found)


def test_thinning_keeps_every_change_and_the_ends_of_every_run(seen: list[Seen]) -> None:
    whole, thin = by_printer(seen), by_printer(list(thinned(seen)))
    assert sum(map(len, thin.values())) < len(seen) / 2
    for name, few in thin.items():
        many = whole[name]
        assert [one.at for one in few] == sorted({one.at for one in few})
        assert [one for one in few if one.cells is not None] == [one for one in many if one.cells is not None]
        assert runs(few) == runs(many)
        assert all(b.at - a.at <= timedelta(hours=12, minutes=30) for a, b in pairwise(few))


def runs(found: list[Seen]) -> list[tuple[bool, datetime, datetime]]:
    made: list[tuple[bool, datetime, datetime]] = []
    for one in found:
        if made and made[-1][0] == one.reachable:
            made[-1] = (one.reachable, made[-1][1], one.at)
        else:
            made.append((one.reachable, one.at, one.at))
    return made


def test_contacts_are_ready_for_the_store(seen: list[Seen]) -> None:
    asked: list[str] = []

    def id_of(worn: Worn, reading: object) -> int:
        asked.append(worn.who.name)
        return worn.who.device_index + 10 * len(asked)

    made = list(contacts(thinned(seen), id_of))
    assert sorted(asked) == sorted({one.printer.who.name for one in seen})
    assert {type(one) for one in made} == {Contact}
    assert {one.failure for one in made if not one.reachable} == {"silent"}
    readings = [one.reading for one in made if one.reading is not None]
    assert len(readings) == sum(one.reachable for one in made)
    assert all(one.reading is None or one.reading.at == one.at for one in made)
    life = [r.counters[0].value for r in readings if r.name == "hl-02"]
    assert life == sorted(life)
    assert life[-1] > life[0]


def test_readings_are_those_of_all_cells(seen: list[Seen]) -> None:
    made = [one for one in contacts(thinned(seen), lambda worn, reading: int(worn.who.name[3:])) if one.reading]
    told = {(one.at, int(one.printer.who.name[3:])): one for one in seen if one.cells is not None}
    checked = 0
    for contact in made[::17]:
        one = told.get((contact.at, contact.printer_id))
        if one is not None and contact.reading is not None:
            device, address = one.printer.who.device_index, contact.reading.address
            assert contact.reading == decode(one.cells or {}, at=one.at, address=address, device_index=device)
            checked += 1
    assert checked > 20


def test_a_reader_in_real_time_sees_a_quicker_printer_and_a_slower_uptime() -> None:
    fleet = Fleet(2, 2, start=START)
    worn = fleet.printers[1]
    later = START + timedelta(hours=10)
    before = fleet.cells(worn, START)
    fleet.advance(later)
    plain = fleet.cells(worn, later)
    fleet.see_from(face.Frame(speed=60, since=START.timestamp()))
    quick = fleet.cells(worn, later)
    uptime, pace = "1.3.6.1.2.1.1.3.0", f"{face.PRT}.13.4.1.4.1.1"
    assert int(plain[uptime]) - int(before[uptime]) == pytest.approx(10 * 360_000, abs=2)
    assert int(quick[uptime]) - int(before[uptime]) == pytest.approx(60_000, abs=2)  # ten minutes
    assert int(quick[pace]) == 60 * int(plain[pace])


def test_only_loopback_addresses_are_taken() -> None:
    with pytest.raises(ValueError, match=r"192\.0\.2\.7 is no loopback address"):
        Fleet(1, 1, start=START, addresses=[Address("192.0.2.7", 1161)])


def test_ports_take_the_place_of_addresses() -> None:
    fleet = Fleet(1, 15, start=START, addresses=own_ports(15, 2_000))
    assert {worn.who.host for worn in fleet.printers} == {"127.0.0.1"}
    assert len({worn.who.port for worn in fleet.printers}) == 14  # the print server has one for two
