"""A silent site, through the real sweep: some printers are asked less often the longer they are silent."""

from __future__ import annotations

import asyncio
from datetime import timedelta

from agent.alarms.rules import Rule
from tests.alarms.scene import MINUTE
from tests.sweep.seam import Scene

RULES = (
    Rule("gone", "unreachable", for_=30 * MINUTE, tell=("mail",)),
    Rule("dark", "siteSilent", for_=5 * MINUTE, tell=("mail",)),
)


def minutes(scene: Scene, count: int) -> list[tuple[str, str]]:
    """So many sweeps, a minute apart; what was told in them."""
    begun = len(scene.records.works)
    for _ in range(count):
        scene.later(minutes=1)
        scene.ticks += 60.0
        asyncio.run(scene.sweep.run())
    told = [one for work in scene.records.works[begun:] for one in work.messages]
    return [(one.key.split("|")[0], one.kind) for one in told]


def test_a_site_that_goes_dark_for_hours_and_comes_back_but_for_one_printer_is_three_messages():
    scene = Scene(rules=RULES)
    asyncio.run(scene.sweep.run())
    cells = dict(scene.wire.cells)
    scene.wire.cells = dict.fromkeys(cells)
    assert minutes(scene, 5 * 60) == [("dark", "raised")]
    assert sum(record.state.value == "suppressedByDesign" for record in scene.sweep.alarms.values()) == len(
        scene.records.printers
    )
    first = scene.addresses[0]
    behind = sum(one.address == first for one in scene.records.printers.values())
    scene.wire.cells = {**cells, first: None}
    told = minutes(scene, 60)
    assert sorted(told) == [("dark", "returned"), *[("gone", "raised")] * behind]
    scene.wire.cells = cells
    assert minutes(scene, 90) == [("gone", "returned")] * behind


def test_printers_that_fall_silent_one_by_one_are_told_one_by_one():
    scene = Scene(rules=RULES)
    asyncio.run(scene.sweep.run())
    scene.wire.cells[scene.addresses[0]] = None
    scene.later(minutes=1)
    told = minutes(scene, 45)
    assert set(told) == {("gone", "raised")}
    assert scene.wire.now - scene.sweep.stations[0].silent_since > timedelta(minutes=40)
