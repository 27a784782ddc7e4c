"""The round in the running agent: from what was reckoned beside the sweep, and as of an earlier moment."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

import pytest

from agent.app.past import alarms_at
from agent.app.rounds import FRESH, Rounds, round_terms
from agent.cli.fleetbook import Book, read_book
from agent.model.fleet import LedgerEntry, PrinterView
from agent.settings import parse
from agent.store import Store
from tests.cli.stocked import AT, SETTINGS, furnish

NOW = datetime.fromisoformat(AT)


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    furnish(url)
    with Store.open(url) as opened:
        yield opened


@pytest.fixture
def book(store) -> Book:
    return read_book(store, parse(SETTINGS), NOW)


@pytest.fixture
def rounds(store, book) -> Rounds:
    settings = book.settings
    views = {one.printer.id: PrinterView(one.printer, None, True, NOW) for one in book.histories}
    due = {one.printer.id: book.upkeep(one) for one in book.histories}
    return Rounds(
        store,
        lambda: settings,
        lambda: (book.insights, due),
        lambda: views,
        lambda at: store.alarms() if at is None else alarms_at(store, at),
        lambda _: (),
        lambda number, _: book.insights[number],
    )


def test_the_round_of_now_and_the_same_round_reckoned_anew_are_one(rounds):
    live = rounds.plan(NOW, None, None)
    again = rounds.plan(NOW + timedelta(days=30), None, None, NOW)
    assert [one.key for one in live.cards] == ["3.calibration"]
    assert again.visits == live.visits
    assert again.day == live.day == date(2025, 6, 11)


def test_one_site_alone(rounds):
    assert {one.place.site for one in rounds.plan(NOW, "Depot", None).visits} == {"Depot"}
    assert rounds.plan(NOW, "Main library", None).visits == ()


def test_what_somebody_does_with_the_shelf_is_known_at_once(rounds, store):
    first = rounds.plan(NOW, None, date(2025, 6, 30))
    assert rounds.plan(NOW + timedelta(seconds=1), None, date(2025, 6, 30)) is first
    counted = LedgerEntry(
        NOW - timedelta(days=1), "shelfCountedIn", "2 in", subject="QU-C", data={"count": 2, "place": "Depot shelf"}
    )
    store.append_ledger([counted])
    second = rounds.plan(NOW + timedelta(seconds=2), None, date(2025, 6, 30))
    assert second is not first
    (before,), (after,) = ([one for one in made.visits[0].bring if one.part] for made in (first, second))
    assert (before.part, before.place, before.note) == ("QU-C", "", "nobody counted how many there are")
    assert (after.part, after.place, after.on_shelf) == ("QU-C", "Depot shelf", 2)
    assert rounds.plan(NOW + 2 * FRESH, None, date(2025, 6, 30)) is not second


def test_holidays_of_a_site_are_no_days_for_rounds():
    terms = round_terms(parse("sites:\n  Main: {zone: Europe/London, holidays: GB-ENG}\n  Depot: {zone: UTC}\n"))
    assert date(2026, 4, 3) in terms.rhythm_of("Main").off  # Good Friday
    assert terms.rhythm_of("Depot").off == frozenset()
    assert terms.rhythm_of("nowhere").days == (0, 1, 2, 3, 4)


def test_the_settings_reach_the_core():
    text = """\
sites: {Depot: {zone: UTC}}
rounds:
  days: [tue, mon]
  walk: 7m
  standstill: 2h
  overdue: 20m
  sure: 95%
  pages_a_minute: 50
  minute_costs: 0.75
  sites: [{site: Depot, days: thu, walk: 1h}]
  work: [{kinds: [toner, opc], minutes: 9, steps: [Do it], cautions: [Mind it]}]
"""
    terms = round_terms(parse(text))
    assert (terms.rhythm.days, terms.rhythm.walk) == ((0, 1), 7.0)
    assert (terms.rhythm_of("Depot").days, terms.rhythm_of("Depot").walk) == ((3,), 60.0)
    assert (terms.standstill, terms.late, terms.sure, terms.pages, str(terms.minute)) == (120, 20, 0.95, 50, "0.75")
    swap = terms.swap_of("opc")
    assert swap is not None
    assert (swap.minutes, swap.steps, swap.cautions) == (9, ("Do it",), ("Mind it",))
    assert terms.swap_of("fuser") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("rounds: {sites: [{site: Depott}]}", "rounds.sites[0].site"),
        ("rounds: {days: [monday]}", "rounds.days"),
        ("rounds: {sure: 0%}", "rounds.sure"),
        ("rounds: {work: [{kinds: [tonner], minutes: 5}]}", "rounds.work[0].kinds[0]"),
        ("listen: {public_url: lowmark.example}", "listen.public_url"),
    ],
)
def test_what_is_wrong_in_the_settings_is_said_with_its_place(text, said):
    with pytest.raises(Exception, match="settings") as caught:
        parse(f"sites: {{Depot: {{zone: UTC}}}}\n{text}\n")
    assert said in str(caught.value)


def test_moments_are_utc_or_say_their_offset(rounds):
    assert rounds.plan(NOW.astimezone(UTC), None, None).day == date(2025, 6, 11)
