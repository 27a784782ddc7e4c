"""Services followed by the running agent: logged in another process, by the house of the pages, and over time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest
import yaml

from agent.app.asking import OwnWire
from agent.app.proving import ProofWatch
from agent.app.service import Clocks, Service
from agent.app.servicing import Servicing
from agent.model.failure import Failure
from agent.model.hands import FIT, RESET, SET, Handwork
from agent.model.proof import Done
from agent.rehearsal.hands import Hands
from agent.settings import load
from agent.store import Store
from tests.servicing.library import BIG, COLOUR, library
from tests.whole.agent import free_port, lowmark, rehearsal, running, wait


def test_a_service_logged_by_a_command_is_read_at_once_and_proven_in_the_ledger(tmp_path):
    calm = {"status": "10m", "timeout": "1s", "retries": 1, "deadline": "3s"}  # no sweep will come to help
    with rehearsal(2) as fleet, running(tmp_path, fleet, polling=calm) as agent:
        Hands(fleet)("hl-01", Handwork(SET, "toner:black", 0.05))
        wait(lambda: agent.logged("swept"), 30)
        Hands(fleet)("hl-01", Handwork(FIT, "toner:black"))
        environ = {"LOWMARK_STORE": agent.url}  # the command knows no settings, so it cannot ask the printer itself
        said = lowmark("service", "hl-01", "--did", "toner:black", "--who", "Night desk", **environ)
        assert said.returncode == 0, said.stderr
        assert "no settings file" in said.stderr
        with Store.open(agent.url) as store:
            wait(lambda: store.ledger(kinds={"serviceProven"}), 20, agent.log.read_text)
            (entry,) = store.ledger(kinds={"serviceProven"})
            (service,) = store.ledger(kinds={"service"})
            assert (entry.data["service"], entry.who) == (service.id, "lowmark")
            assert "black toner showed" in entry.text
        assert agent.logged("asked after a service")
        assert len(agent.logged("swept")) == 1


@contextmanager
def going(agent: Service) -> Iterator[None]:
    """The agent at work in a thread of its own, from its first sweep on."""
    loops: list[asyncio.AbstractEventLoop] = []

    async def work() -> None:
        loops.append(asyncio.get_running_loop())
        await agent.run()

    with ThreadPoolExecutor(1) as threads:
        working = threads.submit(asyncio.run, work())
        try:
            wait(lambda: working.done() or (agent.server is not None and agent.snapshot().vitals.swept), 30)
            yield
        finally:
            for loop in loops:
                if not loop.is_closed():
                    loop.call_soon_threadsafe(agent.end)
            working.result(30)


@pytest.fixture
def here(tmp_path, monkeypatch):
    with library(tmp_path, monkeypatch) as found:
        yield found


def test_what_is_not_proven_in_time_is_told_once_and_what_is_proven_later_too(here):
    here.hands(BIG, Handwork(FIT, "kit", reset=False))
    here.lowmark("service", BIG, "--did", "kit", "--who", "Night desk")
    settings = load(here.settings)
    with Store.open(here.url) as store:

        def clock() -> datetime:
            return datetime.now(UTC)

        watch = ProofWatch(store, Servicing(store, lambda: settings, clock, OwnWire(store, settings, None, clock)))
        assert watch.settle(clock()) == ()
        late = clock() + timedelta(days=2)
        (entry,) = watch.settle(late)
        assert (entry.kind, entry.subject) == ("serviceUnproven", "kit")
        assert "still shows 50 %" in entry.text
        (proofs,) = watch.unproven.values()
        assert proofs[0].state == "unproven"
        watch.written([entry])
        assert watch.settle(late) == ()
        store.append_ledger([entry])
        # Another agent (the same one started again) tells nothing twice.
        again = ProofWatch(store, Servicing(store, lambda: settings, clock, OwnWire(store, settings, None, clock)))
        assert again.settle(late) == ()
        here.hands(BIG, Handwork(RESET, "kit"))
        here.lowmark("sweep")
        (told,) = watch.settle(clock())
        assert told.kind == "serviceProven"
        watch.written([told])
        assert watch.settle(late) == ()
        assert not watch.unproven


def test_the_house_of_the_pages_serves_proves_suggests_and_lends_hands(here):
    text = yaml.safe_load(here.settings.read_text())
    text["listen"] = {"address": f"127.0.0.1:{free_port()}"}
    text["polling"]["status"] = "10m"
    here.settings.write_text(yaml.safe_dump(text))
    number = here.number(COLOUR)
    with Store.open(here.url) as store:
        agent = Service(load(here.settings), here.settings, store, Clocks(lambda: datetime.now(UTC), time.monotonic))
        with going(agent):
            house = agent.pages.house
            assert house.hands(number) is None, "no printer of a real fleet is touched"
            agent.hands = here.hands
            assert house.hands(number) == ""
            assert house.hands(number, Handwork(SET, "toner:cyan", 0.04)) == f"{COLOUR}: cyan toner is at 4 % now"
            with pytest.raises(Failure, match="no one supply"):
                house.hands(number, Handwork(FIT, "toner:plaid"))
            seen = house.serve(Done(number, ("toner:cyan",), "Night desk"))
            assert seen.service.counter_from == "live"
            assert seen.proof.state == "proving"
            house.hands(number, Handwork(FIT, "toner:cyan"))
            # A second reading comes of a second entry, as of any service.
            house.withdraw(seen.service.id, "Night desk")
            made = house.serve(Done(number, ("toner:cyan",), "Night desk", remarks="now really"))
            assert made.proof.state == "proven"
            wait(lambda: store.ledger(kinds={"serviceProven"}), 20)
            assert [one.service.id for one in house.proofs(number)] == [made.service.id]
            assert [one.service.id for one in house.proofs(None)] == [made.service.id]
            assert house.suggestions() == ()
            with pytest.raises(Failure, match="nothing waits"):
                house.accept("3-x-y", "Night desk")
            with pytest.raises(Failure, match="who did it"):
                house.serve(Done(number, ("toner:cyan",), " \n"))
            # The calibration falls due on the pages without waiting for the next reckoning.
            wait(lambda: _state(house, number, "calibration") == "due", 30)
            house.serve(Done(number, ("calibration",), "Night desk"))
            wait(lambda: _state(house, number, "calibration") == "fine", 30)


def _state(house, number: int, plan: str) -> str | None:
    found = house.upkeep().get(number)
    return None if found is None else next((one.state for one in found.items if one.plan == plan), None)
