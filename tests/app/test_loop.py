"""The interpreter under the agent: how often threads take turns, and what the collector finds."""

from __future__ import annotations

import gc
import sys
import weakref

from agent.app.loop import SWITCH_SECONDS, run, settled, tidy


class Ring:
    """Something that holds itself."""

    def __init__(self) -> None:
        self.other = self


def test_threads_take_turns_more_often_while_the_agent_runs_and_as_before_afterwards():
    before = sys.getswitchinterval(), gc.get_threshold()

    async def look() -> float:
        return sys.getswitchinterval()

    assert abs(run(look()) - SWITCH_SECONDS) < 1e-6
    assert (sys.getswitchinterval(), gc.get_threshold()) == before


def test_what_is_old_and_in_a_ring_is_found_when_it_is_tidied_up():
    with settled():
        ring = Ring()
        gc.freeze()  # as old as can be: the collector does not look at it
        alive = weakref.ref(ring)
        del ring
        gc.collect()
        assert alive() is not None
        tidy()
        assert alive() is None
