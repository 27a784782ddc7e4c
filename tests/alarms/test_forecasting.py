"""From the history in a store to an alarm about a run-out that is forecast."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from agent.app.outlooks import Outlooks
from agent.model.contact import Contact
from agent.model.fleet import PrinterView
from agent.model.reading import Counter
from agent.settings import parse
from agent.store import Store
from tests.alarms.scene import DESK, START, Agent, kinds, reading, toner

DAY = timedelta(days=1)
SETTINGS = parse("""
alarms:
  - {name: soon, when: runOut, within: 7d, chance: 50%, deadband: 10%, printers: [Front desk], tell: []}
""")
DAYS = 145


class Counting:
    """A store that counts how often a history is read."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.read = 0

    def history(self, *given):
        self.read += 1
        return self.store.history(*given)


def answer(day: int, level: int):
    return replace(
        reading(toner(level), at=START + day * DAY), counters=(Counter("life", "impressions", 1000 + 200 * day),)
    )


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """A cartridge lasts fifty days at two points a day; this one has lasted 45: ten points are left."""
    url = f"sqlite:///{tmp_path_factory.mktemp('forecasts') / 'history.sqlite'}"
    with Store.open(url) as store:
        printer = store.save_printer(replace(DESK, id=0))
        answers = [answer(day, 100 - 2 * (day % 50)) for day in range(DAYS + 1)]
        store.commit([Contact(one.at, printer.id, True, one) for one in answers])
        yield Counting(store), printer, answers[-1]


def view(printer, last) -> PrinterView:
    return PrinterView(printer, last, True, START)


def test_what_will_run_out_within_the_time_raises_an_alarm_before_any_threshold(world):
    store, printer, last = world
    found = Outlooks(store).refresh(last.at, SETTINGS, [view(printer, last)])
    ((forecast,),) = (found[printer.id],)
    assert forecast.reason is None
    agent = Agent(list(SETTINGS.rules()), now=last.at)
    agent.sweep(view(printer, last), outlooks=found)
    (record,) = agent.records.values()
    assert record.state.value == "unacknowledged"
    assert record.key == f"soon|{printer.id}|toner:cyan"
    # Ten points at two a day: five days, with little doubt.
    assert record.value > 0.8


def test_a_printer_is_looked_at_again_only_when_something_moved_or_a_day_is_over(world):
    store, printer, last = world
    outlooks = Outlooks(store)
    first = outlooks.refresh(last.at, SETTINGS, [view(printer, last)])
    begun = store.read
    assert outlooks.refresh(last.at + timedelta(hours=1), SETTINGS, [view(printer, last)]) == first
    assert store.read == begun
    outlooks.refresh(last.at + timedelta(hours=2), SETTINGS, [view(printer, replace(last, counters=()))])
    assert store.read > begun
    begun = store.read
    outlooks.refresh(last.at + 2 * DAY, SETTINGS, [view(printer, replace(last, counters=()))])
    assert store.read > begun


def test_without_a_rule_about_run_outs_nothing_is_read(world):
    store, printer, last = world
    begun = store.read
    assert Outlooks(store).refresh(last.at, parse("alarms: []"), [view(printer, last)]) == {}
    elsewhere = replace(printer, name="Back desk", address="127.0.0.9", serial="X")
    assert Outlooks(store).refresh(last.at, SETTINGS, [view(elsewhere, last)]) == {}
    assert store.read == begun + 1, "what another printer teaches is read, what nobody asks for is not forecast"


def test_a_swap_ends_the_alarm_with_the_next_forecast(world):
    store, printer, last = world
    outlooks = Outlooks(store)
    agent = Agent([replace(rule, tell=("mail",)) for rule in SETTINGS.rules()], now=last.at)
    agent.sweep(view(printer, last), outlooks=outlooks.refresh(last.at, SETTINGS, [view(printer, last)]))
    new = answer(DAYS + 1, 100)
    later = replace(new, at=new.at + timedelta(hours=3))
    store.store.commit([Contact(one.at, printer.id, True, one) for one in (new, later)])
    new = later
    found = outlooks.refresh(new.at, SETTINGS, [view(printer, new)])
    assert kinds(agent.sweep(view(printer, new), after=DAY, outlooks=found)) == ["returned"]
