"""In whatever order readings come: the store against a plain list of everything that was said."""

from __future__ import annotations

import functools
import itertools
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine, text

from agent.model.contact import Contact
from agent.model.reading import Amount, Counter, Mark
from agent.store import Store
from agent.store.runs import Run, place, value_at
from tests.store.samples import MINUTE, MONDAY, contact, everything, furnished, levels, silence, step, toner

Outcome = tuple[tuple[str, Amount], ...] | None
"""The colorants seen and their levels; None: it was silent."""

LEVELS = st.sampled_from([0, 50, 51, Mark.SOME])
OUTCOMES: st.SearchStrategy[Outcome] = st.one_of(
    st.none(), st.dictionaries(st.sampled_from(["black", "cyan"]), LEVELS).map(lambda it: tuple(sorted(it.items())))
)
SAID = st.dictionaries(st.integers(0, 12), OUTCOMES, min_size=1)
"""Minute -> what was answered."""


@st.composite
def tellings(draw: st.DrawFn) -> tuple[dict[int, Outcome], list[list[int]]]:
    """What was answered when, and in which order and in which batches it is told; some of it twice."""
    said = draw(SAID)
    order = draw(st.permutations(list(said))) + draw(st.lists(st.sampled_from(sorted(said)), max_size=4))
    cuts = sorted(draw(st.lists(st.integers(0, len(order)), max_size=4)))
    bounds = [0, *cuts, len(order)]
    return said, [order[begin:end] for begin, end in itertools.pairwise(bounds)]


def at(minute: int) -> datetime:
    return MONDAY + minute * MINUTE


def heard(desk: int, minute: int, outcome: Outcome) -> Contact:
    if outcome is None:
        return silence(desk, at(minute))
    supplies = tuple(toner(level, colorant) for colorant, level in outcome)
    return contact(desk, at(minute), supplies=supplies, counters=(Counter("life", "impressions", 7 * (minute // 3)),))


@contextmanager
def fresh_sqlite(template: Path) -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        shutil.copy(template, folder)
        yield f"sqlite:///{folder}/{template.name}"


@contextmanager
def fresh_postgresql(store_url: str) -> Iterator[str]:
    engine = create_engine(store_url.replace("postgresql://", "postgresql+psycopg://"))
    with engine.begin() as connection:
        connection.execute(text("TRUNCATE printer RESTART IDENTITY CASCADE"))
    engine.dispose()
    yield store_url


@pytest.fixture(params=["sqlite", "postgresql"])
def fresh(request: pytest.FixtureRequest, tmp_path: Path) -> functools.partial[object]:
    """Gives, again and again, the URL of a store without printers."""
    if request.param == "sqlite":
        template = tmp_path / "template.sqlite"
        Store.open(f"sqlite:///{template}").close()
        return functools.partial(fresh_sqlite, template)
    store_url = request.getfixturevalue("cluster").database()
    Store.open(store_url).close()
    return functools.partial(fresh_postgresql, store_url)


def check(store: Store, desk: int, said: dict[int, Outcome]) -> None:
    """At each moment at which somebody asked, the store answers what was answered; and it holds changes only."""
    history = store.history(desk)
    for minute, outcome in said.items():
        (run,) = [run for run in history.contacts if run.first <= at(minute) <= run.last]
        assert run.reachable == (outcome is not None)
        for colorant, level in outcome or ():
            assert step(levels(history, f"toner:{colorant}"), at(minute)) == level
    for track in history.supplies:
        for one, two in itertools.pairwise(track.points):
            assert (one.level, one.capacity) != (two.level, two.capacity)
            assert one.at < two.at
    for counter in history.counters:
        for before, after in itertools.pairwise(counter.points):
            assert before.value != after.value
    answered = [minute for minute, outcome in said.items() if outcome is not None]
    state = store.contacts()[desk]
    assert state.last == at(max(said))
    assert state.answered == (at(max(answered)) if answered else None)
    if answered:
        last = store.latest()[desk]
        assert {one.colorant: one.level for one in last.supplies} == dict(said[max(answered)] or ())


def examples(fresh: functools.partial[object], count: int) -> settings:
    """Fewer on the server, where each costs more; the sharp part of the algorithm is the same on both."""
    return settings(max_examples=count if fresh.func is fresh_sqlite else count // 3)


def test_store_answers_as_a_plain_list_in_any_order(fresh: functools.partial[object]) -> None:
    @examples(fresh, 36)
    @given(telling=tellings(), reopen=st.booleans())
    def example(telling: tuple[dict[int, Outcome], list[list[int]]], reopen: bool) -> None:
        said, batches = telling
        with fresh() as store_url:  # type: ignore[attr-defined]
            store = Store.open(store_url)
            (desk,) = furnished(store)
            for batch in batches:
                store.record([heard(desk, minute, said[minute]) for minute in batch])
                if reopen:
                    store.close()
                    store = Store.open(store_url)
            check(store, desk, said)
            before = everything(store_url)
            store.record([heard(desk, minute, outcome) for minute, outcome in said.items()])
            assert everything(store_url) == before, "what is told again changes nothing"
            store.close()

    example()


def test_in_order_of_time_the_step_function_is_exact_at_every_moment(fresh: functools.partial[object]) -> None:
    @examples(fresh, 24)
    @given(said=SAID)
    def example(said: dict[int, Outcome]) -> None:
        with fresh() as store_url, Store.open(store_url) as store:  # type: ignore[attr-defined]
            (desk,) = furnished(store)
            for minute in sorted(said):
                store.record([heard(desk, minute, said[minute])])
            check(store, desk, said)
            history = store.history(desk)
            for colorant in ("black", "cyan"):
                plain = [
                    (at(minute), dict(outcome)[colorant])
                    for minute, outcome in sorted(said.items())
                    if outcome is not None and colorant in dict(outcome)
                ]
                changes = [point for n, point in enumerate(plain) if not n or plain[n - 1][1] != point[1]]
                assert levels(history, f"toner:{colorant}") == changes

    example()


@settings(max_examples=400)
@given(
    said=st.dictionaries(st.integers(0, 30).map(lambda it: it * 10), st.sampled_from("ab"), min_size=1),
    data=st.data(),
    gap=st.sampled_from([None, 20, 50]),
)
def test_runs_hold_every_reading_once(said: dict[int, str], data: st.DataObject, gap: int | None) -> None:
    runs: list[Run[str]] = []
    for moment in data.draw(st.permutations(list(said))):
        place(runs, Run(moment, moment, said[moment]), gap)
        assert not place(runs, Run(moment, moment, said[moment]), gap)
    for moment, value in said.items():
        assert [run.value for run in runs if run.first <= moment <= run.last] == [value]
        assert value_at(runs, moment) == value
    for one, two in itertools.pairwise(runs):
        assert one.last < two.first
        assert one.value != two.value or (gap is not None and two.first - one.last > gap)


def test_later_word_on_the_same_moment_replaces_the_earlier() -> None:
    runs = [Run(10, 30, "a")]
    assert place(runs, Run(20, 20, "b"))
    assert runs == [Run(10, 19, "a"), Run(20, 20, "b"), Run(21, 30, "a")]
    assert place(runs, Run(20, 20, "a"))
    assert runs == [Run(10, 30, "a")]
    assert value_at(runs, 9) is None
