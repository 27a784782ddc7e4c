"""A few printers asked at once, beside the sweep."""

from __future__ import annotations

import asyncio
from datetime import timedelta

from agent.model.wire import Answers, Peer, Silent
from tests.sweep.seam import Answering, Scene

SERIAL = "1.3.6.1.2.1.43.5.1.1.17.1"


class Slow(Answering):
    """Printers of which some answer only when they are let."""

    def __init__(self) -> None:
        super().__init__()
        self.held: dict[str, asyncio.Event] = {}

    async def read(self, peer: Peer, *, full: bool = False) -> Answers:
        answers = await super().read(peer, full=full)
        held = self.held.get(peer.address)
        if held is not None:
            await held.wait()
        return answers


def slow_scene() -> Scene:
    scene = Scene()
    wire = Slow()
    wire.cells = scene.wire.cells
    scene.wire = scene.sweep.reader = wire
    asyncio.run(scene.sweep.run())
    scene.later(minutes=1)
    scene.answer_all()
    scene.records.works.clear()
    scene.wire.asked.clear()
    return scene


def test_only_those_are_asked_and_recorded() -> None:
    scene = slow_scene()
    station = scene.stations[0]
    station.next_try = scene.wire.now + timedelta(hours=1)
    report = asyncio.run(scene.sweep.ask([station]))
    assert (report.asked, report.answered) == (1, 1)
    assert [address for address, _ in scene.wire.asked] == [scene.addresses[0]]
    assert {one.printer_id for one in scene.records.contacts} == set(station.printers)


def test_a_sweep_that_waits_for_others_holds_nothing_up() -> None:
    scene = slow_scene()

    async def go() -> None:
        scene.wire.held = {scene.addresses[1]: asyncio.Event()}
        sweeping = asyncio.create_task(scene.sweep.run())
        await asyncio.sleep(0.01)
        scene.later(seconds=5)
        await asyncio.wait_for(scene.sweep.ask([scene.stations[0]]), 2)
        assert not sweeping.done()
        mine = scene.stations[0].printers
        met = [one.at for one in scene.records.contacts if one.printer_id in mine]
        assert len(met) == 2 * len(mine)
        assert met == sorted(met)
        scene.wire.held[scene.addresses[1]].set()
        report = await sweeping
        assert report.answered == len(scene.stations)

    asyncio.run(go())


def test_who_is_who_is_left_to_the_sweep() -> None:
    scene = slow_scene()
    scene.cells(0)[SERIAL] = b"QQ00000001"
    asyncio.run(scene.sweep.ask([scene.stations[0]]))
    assert scene.records.ledger == []
    assert scene.records.contacts == []
    asyncio.run(scene.sweep.run())
    assert [entry.kind for entry in scene.records.ledger if entry.kind in {"new", "exchanged", "moved"}] != []


def test_one_that_does_not_answer_is_recorded_as_silent() -> None:
    scene = slow_scene()
    scene.wire.cells[scene.addresses[0]] = None
    report = asyncio.run(scene.sweep.ask([scene.stations[0]]))
    assert report.failures == {Silent.reason: 1}
    assert [one.reachable for one in scene.records.contacts] == [False] * len(scene.stations[0].printers)
