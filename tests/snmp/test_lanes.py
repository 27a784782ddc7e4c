"""Room for so many visits at a time: nobody gets in beyond it, nobody waits for ever, and none is lost on the way."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable

import pytest

from agent.snmp.visit import FAST_SECONDS, Lane, Lanes


def test_those_who_wait_come_in_in_their_order(run: Callable) -> None:
    async def main() -> None:
        lane, came = Lane(2), []

        async def visit(number: int) -> None:
            await lane.enter()
            came.append(number)
            await asyncio.sleep(0)
            lane.leave()

        await asyncio.gather(*(visit(number) for number in range(20)))
        assert came == list(range(20))

    run(main())


@pytest.mark.parametrize("seed", range(20))
def test_never_more_than_its_width_and_all_of_it_whoever_gives_up_waiting(run: Callable, seed: int) -> None:
    async def main() -> None:
        chance, lane, inside, most = random.Random(seed), Lane(3), 0, 0

        async def visit() -> None:
            nonlocal inside, most
            await lane.enter()
            inside += 1
            most = max(most, inside)
            try:
                await asyncio.sleep(chance.choice([0, 0.001]))
            finally:
                inside -= 1
                lane.leave()

        visits = [asyncio.create_task(visit()) for _ in range(40)]
        while not all(one.done() for one in visits):
            chance.choice(visits).cancel()
            await asyncio.sleep(chance.choice([0, 0, 0.001]))
        assert most == 3
        await asyncio.gather(*(lane.enter() for _ in range(3)))  # all the room is there again
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(lane.enter(), 0.01)

    run(main())


def test_a_visit_that_takes_long_makes_room_and_a_short_one_gives_its_room_back_once(run: Callable) -> None:
    async def main() -> None:
        lanes = Lanes(1)
        for _ in range(2):  # the second time no timer is running
            short = await lanes.enter(slow=False)
            lanes.hurry(short)
            short.leave()
            long = await lanes.enter(slow=False)
            lanes.hurry(long)
            began = asyncio.get_running_loop().time()
            third = await lanes.enter(slow=False)
            assert FAST_SECONDS * 0.9 < asyncio.get_running_loop().time() - began < FAST_SECONDS * 4
            long.leave()
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(lanes.enter(slow=False), 0.01)
            third.leave()

    run(main())


def test_whoever_steps_aside_waits_for_the_slow_lane_and_is_not_put_out_of_it(run: Callable) -> None:
    async def main() -> None:
        lanes = Lanes(1)
        passes = []
        for _ in range(2):
            one = await lanes.enter(slow=False)
            lanes.hurry(one)
            await one.step_aside()
            passes.append(one)
        await asyncio.sleep(FAST_SECONDS * 1.5)
        third = await lanes.enter(slow=False)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(third.step_aside(), 0.01)
        passes[0].leave()
        await asyncio.wait_for(third.step_aside(), 0.1)

    run(main())
