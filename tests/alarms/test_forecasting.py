"""From the history in a store to an alarm about a run-out that is forecast."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from agent.app.foresight import Foresight
from agent.app.outlooks import outlooks, wants_outlooks
from agent.app.rounds import shelf_of
from agent.insight.shelf import state as shelf_state
from agent.model.contact import Contact
from agent.model.fleet import LedgerEntry, PrinterView
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

    def __getattr__(self, name: str):
        return getattr(self.store, name)


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


def looked(foresight: Foresight, seen: PrinterView, settings=SETTINGS):
    foresight.learn(seen.reading.at, {seen.printer.id: seen})
    return outlooks(settings, foresight.insights, [seen], None, seen.reading.at)


def foresight_over(store) -> Foresight:
    return Foresight(store, lambda: SETTINGS, lambda: 0.0)


def test_what_will_run_out_within_the_time_raises_an_alarm_before_any_threshold(world):
    store, printer, last = world
    found = looked(foresight_over(store), view(printer, last))
    (forecast,) = found[printer.id].forecasts
    assert forecast.reason is None
    agent = Agent(list(SETTINGS.rules()), now=last.at)
    agent.sweep(view(printer, last), outlooks=found)
    (record,) = agent.records.values()
    assert record.state.value == "unacknowledged"
    assert record.key == f"soon|{printer.id}|toner:cyan"
    # Ten points at two a day: five days, with little doubt.
    assert record.value > 0.8


def test_pages_and_rules_take_the_same_forecast_and_it_is_reckoned_once(world):
    store, printer, last = world
    foresight = foresight_over(store)
    first = looked(foresight, view(printer, last))
    begun = store.read
    assert looked(foresight, view(printer, last)) == first
    assert store.read == begun
    assert first[printer.id].forecasts is foresight.insights[printer.id].forecasts


def test_without_a_rule_about_run_outs_nothing_is_looked_ahead(world):
    store, printer, last = world
    assert not wants_outlooks(parse("alarms: []"))
    foresight = foresight_over(store)
    elsewhere = replace(printer, name="Back desk", address="127.0.0.9", serial="X")
    assert looked(foresight, view(elsewhere, last)) == {}


def test_a_swap_ends_the_alarm_with_the_next_forecast(world):
    store, printer, last = world
    foresight = foresight_over(store)
    agent = Agent([replace(rule, tell=("mail",)) for rule in SETTINGS.rules()], now=last.at)
    agent.sweep(view(printer, last), outlooks=looked(foresight, view(printer, last)))
    new = answer(DAYS + 1, 100)
    later = replace(new, at=new.at + timedelta(hours=3))
    store.store.commit([Contact(one.at, printer.id, True, one) for one in (new, later)])
    found = looked(foresight, view(printer, later))
    assert kinds(agent.sweep(view(printer, later), after=DAY, outlooks=found)) == ["returned"]


def test_the_outlook_knows_the_next_round_of_the_site_and_what_lies_on_the_shelf(world):
    store, printer, last = world
    settings = parse("""
sites: {Harrow Lane Library: {zone: Europe/Prague, holidays: CZ}}
rounds: {days: [mon, thu]}
parts:
  - {name: TG-40C, models: [Tallgrass C20], supplies: ["toner:cyan"], lead_time: 5d}
alarms:
  - {name: round, when: runOut, before_round: true, unstocked: true, chance: 50%, tell: []}
""")
    foresight = foresight_over(store)
    foresight.learn(last.at, {printer.id: view(printer, last)})
    shelf = shelf_of(settings, [printer])

    def outlook(*entries: LedgerEntry):
        stock = shelf, shelf_state(shelf, entries, last.at)[0]
        return outlooks(settings, foresight.insights, [view(printer, last)], stock, last.at)[printer.id]

    # START + 145 days is Saturday 2026-07-25; the Monday after is no holiday.
    assert outlook().next_round == date(2026, 7, 27)
    assert outlook().spares["toner:cyan"].on_shelf is None, "nobody has counted"
    moments = {"printer_id": None, "subject": "TG-40C"}
    counted = LedgerEntry(last.at - 9 * DAY, "shelfRecounted", "", **moments, data={"count": 0, "place": "Cupboard 3"})
    ordered = LedgerEntry(last.at - DAY, "ordered", "", **moments, data={"count": 2, "order": "7"})
    spare = outlook(counted, ordered).spares["toner:cyan"]
    assert (spare.on_shelf, spare.on_order, spare.is_lacking) == (0, 2, True)
    assert spare.expected == (last.at + 4 * DAY).date()
    more = LedgerEntry(last.at - DAY, "shelfCountedIn", "", **moments, data={"count": 3, "place": "Cupboard 3"})
    assert outlook(counted, more).spares["toner:cyan"].place == "Cupboard 3"
