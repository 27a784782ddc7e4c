"""The fleet while it runs: hands that interfere, silence, moves, and that it stays on this machine."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.mib.decode import decode
from agent.model.reading import Reading
from agent.model.wire import Peer, Silent
from agent.rehearsal import kinds
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.serve import CannotServe, Rehearsal, Scene, loopback_answers_everywhere, usual_scenes
from agent.rehearsal.truth import Deed
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.rehearsal.running import MORNING, rehearsal


@pytest.fixture
def running() -> Iterator[Rehearsal]:
    with rehearsal(3) as started:
        yield started


def read(running: Rehearsal, name: str = "hl-01", timeout: float = 1.0) -> Reading:
    """One printer over the network, decoded."""
    worn = running.fleet.by_name[name]
    peer = Peer(worn.who.host, worn.who.port, worn.kind.credentials, timeout=timeout, retries=0, deadline=timeout + 3)

    async def ask() -> Reading:
        engine = open_engine()
        try:
            answers = await Reader(engine).read(peer, full=True)
        finally:
            await engine.close()
        return decode(answers.cells, at=answers.at, address=peer.address, device_index=worn.who.device_index)

    return asyncio.run(ask())


def life(reading: Reading) -> int:
    return next(counter.value for counter in reading.counters if counter.name == "life")


def test_a_level_is_set_and_a_swap_raises_it(running: Rehearsal) -> None:
    running.set_level("hl-01", "toner:black", 0.08)
    low = read(running)
    assert low.supplies[0].fraction == pytest.approx(0.08, abs=0.011)
    assert [alert.code for alert in low.alerts] == ["markerTonerAlmostEmpty"]
    assert low.errors == {"lowToner"}
    running.swap("hl-01", "toner:black")
    full = read(running)
    assert full.supplies[0].fraction == 1.0
    assert full.alerts == ()
    assert full.all_events == low.all_events


def test_a_jam_is_seen_and_cleared(running: Rehearsal) -> None:
    running.jam("hl-01")
    assert "jammed" in read(running).errors
    running.clear("hl-01")
    assert "jammed" not in read(running).errors


def test_an_unplugged_printer_is_silent_and_starts_counting_anew(running: Rehearsal) -> None:
    before = read(running)
    running.unplug("hl-01")
    with pytest.raises(Silent):
        read(running, timeout=0.3)
    running.plug("hl-01")
    after = read(running)
    assert after.system.uptime is not None
    assert before.system.uptime is not None
    assert after.system.uptime < before.system.uptime
    assert after.markers[0].power_on_count == 0
    assert life(after) == life(before)


def test_pages_are_counted_and_the_counter_can_be_reset(running: Rehearsal) -> None:
    before = life(read(running))
    running.print_pages("hl-01", 25)
    assert life(read(running)) == before + 25
    running.reset_counter("hl-01", 3)
    assert life(read(running)) == 3


def test_an_exchanged_printer_has_another_serial_number_at_the_same_address(running: Rehearsal) -> None:
    before = read(running)
    running.exchange("hl-01", "TM00000001")
    after = read(running)
    assert (after.serial, after.model, after.name) == ("TM00000001", before.model, before.name)
    assert after.mac != before.mac
    assert life(after) < 100


def test_a_moved_printer_answers_at_its_new_address_alone(running: Rehearsal) -> None:
    before, old = read(running), running.host_of("hl-01").address
    new = running.move("hl-01")
    assert new != old
    assert read(running).serial == before.serial
    with pytest.raises(Silent):
        asyncio.run(ask_at(old.host, old.port))


async def ask_at(host: str, port: int) -> None:
    engine = open_engine()
    try:
        await Reader(engine).read(Peer(host, port, timeout=0.3, retries=0, deadline=1))
    finally:
        await engine.close()


def test_scenes_happen_and_are_told() -> None:
    told: list[Deed] = []
    seen = threading.Event()

    def hear(deed: Deed) -> None:
        told.append(deed)
        seen.set()

    with rehearsal(1) as quiet:
        quiet._told = hear
        quiet.stage([Scene(0.0, "a jam", lambda: quiet.jam("hl-01"))])
        assert seen.wait(5)
    assert [(deed.printer, deed.kind) for deed in told] == [("hl-01", "jam")]


def test_no_scene_fills_a_supply_by_itself() -> None:
    with rehearsal(1) as quiet:
        toner = quiet.fleet.by_name["hl-01"].lives["toner:black"]
        for before in (0.6, 0.03):
            quiet.set_level("hl-01", "toner:black", before)
            next(scene for scene in usual_scenes(quiet) if "runs low" in scene.text).act()
            assert toner.left == pytest.approx(min(before, 0.08), abs=0.005)


def test_time_runs_faster() -> None:
    with rehearsal(3, speed=3_600) as quick:
        before = life(read(quick, "hl-03"))
        deadline = time.monotonic() + 10
        while life(read(quick, "hl-03")) == before and time.monotonic() < deadline:
            time.sleep(0.1)
        assert life(read(quick, "hl-03")) > before


def test_a_port_that_is_taken_is_named(running: Rehearsal) -> None:
    place = running.hosts[0].address
    fleet = Fleet(7, 1, start=MORNING, addresses=[place])
    with pytest.raises(CannotServe, match=rf"cannot listen at {re.escape(str(place))} .*--port"):
        Rehearsal(fleet, running.clock).start()


def test_stopping_twice_is_harmless_and_frees_the_addresses() -> None:
    with rehearsal(2) as first:
        places = [host.address for host in first.hosts]
    first.stop()
    again = Rehearsal(Fleet(7, 2, start=MORNING, addresses=places), first.clock)
    again.start()
    again.stop()
    assert not [thread for thread in threading.enumerate() if thread.name == "rehearsal"]


@pytest.mark.skipif(not Path("/proc/net/udp").exists(), reason="needs Linux: the sockets are read from /proc")
def test_every_socket_is_bound_to_loopback(running: Rehearsal) -> None:
    # proc(5): the local address of /proc/net/udp is hexadecimal, octets in the order of the machine
    port = running.hosts[0].address.port
    bound = [line.split()[1] for line in Path("/proc/net/udp").read_text().splitlines()[1:]]
    mine = [
        ipaddress.ip_address(bytes.fromhex(address)[::-1])
        for address, number in (one.split(":") for one in bound)
        if int(number, 16) == port
    ]
    assert len(mine) == 3
    assert all(address.is_loopback for address in mine)
    assert loopback_answers_everywhere()


def test_reading_changes_nothing(running: Rehearsal) -> None:
    before = running.fleet.by_name["hl-02"].version
    read(running, "hl-02")
    read(running, "hl-02")
    assert running.fleet.by_name["hl-02"].kind is kinds.FLOOR
    assert running.fleet.by_name["hl-02"].version - before <= 2  # it may have printed meanwhile
    assert running.sets == 0
    assert running.asked["get"] > 0
