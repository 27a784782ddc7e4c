from __future__ import annotations

import itertools
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from agent.model.reading import Counter, Mark
from agent.store import Store
from agent.store.contact_thinning import Run, joined
from agent.store.moments import micros, moment
from agent.store.thinning import Bounds, Retention, counter_turned, level_turned, surplus
from tests.store.samples import (
    DAY,
    HOUR,
    MINUTE,
    MONDAY,
    contact,
    counts,
    everything,
    furnished,
    levels,
    silence,
    toner,
    waste,
)

LONDON = ZoneInfo("Europe/London")
KEEP = Retention(2 * DAY, 10 * DAY, 100 * DAY)


def test_old_points_become_hourly_then_daily_then_monthly(store: Store) -> None:
    (desk,) = furnished(store)
    start = MONDAY - 150 * DAY
    batch = [contact(desk, start + n * 30 * MINUTE, 10**6 - n, 1000) for n in range(150 * 48)]
    store.record(batch)
    while not (thinned := store.thin(MONDAY, KEEP.raw, KEEP.hours, KEEP.days, limit=5000)).done:
        assert thinned.removed >= 0
    told = [at for at, _ in levels(store.history(desk))]
    ages = [MONDAY - at for at in told]
    assert sum(age <= 2 * DAY for age in ages) == 96, "raw: every half hour"
    assert 24 * 7 <= sum(3 * DAY < age <= 10 * DAY for age in ages) <= 24 * 8, "hourly"
    assert 68 <= sum(11 * DAY < age <= 80 * DAY for age in ages) <= 70, "daily"
    assert sum(age > 130 * DAY for age in ages) <= 3, "monthly, and the first of all"
    assert told[0] == start
    assert told[-1] == batch[-1].at
    hourly = [at for at in told if 3 * DAY < MONDAY - at <= 9 * DAY]
    assert {at.minute for at in hourly} == {30}, "the last value of each hour"
    assert counts(store.history(desk)) == [(start, 1000)]
    assert store.thin(MONDAY, KEEP.raw, KEEP.hours, KEEP.days).removed == 0


def test_swaps_resets_and_words_outlive_thinning(store: Store) -> None:
    (desk,) = furnished(store)
    start = MONDAY - 60 * DAY
    level, batch = [40, 39, 38, 99, 98, 97, Mark.SOME, 96, 95, 94], []
    count = [500, 501, 502, 503, 3, 4, 5, 6, 7, 8]
    for n in range(10):
        life = (Counter("life", "impressions", count[n]),)
        batch.append(contact(desk, start + n * MINUTE, supplies=(toner(level[n]), waste(n)), counters=life))
    store.record(batch)
    assert store.thin(MONDAY, KEEP.raw, KEEP.hours).done
    assert [value for _, value in levels(store.history(desk))] == [40, 38, 99, 97, Mark.SOME, 96, 94]
    assert [value for _, value in counts(store.history(desk))] == [500, 503, 3, 8]
    assert store.latest()[desk].supplies == (toner(94), waste(9))


def test_thinning_day_by_day_ends_where_thinning_at_once_does(store: Store, url: str) -> None:
    desk, hall = furnished(store, 2)
    start = MONDAY - 30 * DAY
    for printer_id, told in ((desk, 30), (hall, 20)):
        store.record([contact(printer_id, start + n * 30 * MINUTE, 10**6 - n, 1000 + n) for n in range(told * 48)])
    for day in range(12):
        while not store.thin(MONDAY - (12 - day) * DAY, 2 * DAY, 5 * DAY, 15 * DAY, limit=3000).done:
            pass
    while not store.thin(MONDAY, 2 * DAY, 5 * DAY, 15 * DAY).done:
        pass
    step_by_step = everything(url)["supply_point"]
    # A changed retention looks at everything anew; with the same bounds nothing more can go.
    store.thin(MONDAY, 2 * DAY, 5 * DAY, None)
    removed = 0
    while not (done := store.thin(MONDAY, 2 * DAY, 5 * DAY, 15 * DAY)).done:
        removed += done.removed
    assert removed + done.removed == 0
    assert everything(url)["supply_point"] == step_by_step


def test_one_call_does_a_bounded_amount_of_work(store: Store) -> None:
    ids = furnished(store, 60)
    start = MONDAY - 30 * DAY
    store.record([contact(one, start + n * HOUR, 500 - n, n) for one in ids for n in range(100)])
    calls = [store.thin(MONDAY, 2 * DAY, 5 * DAY, limit=1000) for _ in range(60)]
    first_done = next(n for n, call in enumerate(calls) if call.done)
    assert first_done > 3
    assert max(call.removed for call in calls) <= 1000 + 20 * 100
    assert sum(call.removed for call in calls[first_done + 1 :]) == 0


def test_late_import_into_a_thinned_stretch_is_thinned_too(store: Store) -> None:
    (desk,) = furnished(store)
    store.record([contact(desk, MONDAY - 30 * DAY, 90), contact(desk, MONDAY, 10)])
    assert store.thin(MONDAY, 2 * DAY, 5 * DAY).done
    store.record([contact(desk, MONDAY - 20 * DAY + n * MINUTE, 80 - n, 1000 + n) for n in range(40)])
    assert len(levels(store.history(desk))) == 42
    assert store.thin(MONDAY, 2 * DAY, 5 * DAY).removed > 0
    assert [value for _, value in levels(store.history(desk))] == [90, 41, 10]


POINTS = st.lists(
    st.tuples(st.integers(0, 200 * 24 * 60), st.integers(0, 5)), min_size=1, max_size=60, unique_by=lambda it: it[0]
)


@settings(max_examples=200)
@given(points=POINTS)
def test_what_stays_keeps_ends_rises_and_the_last_of_each_bucket(points: list[tuple[int, int]]) -> None:
    start = micros(MONDAY - 200 * DAY)
    series = [(start + minute * 60_000_000, (level, 100)) for minute, level in sorted(points)]
    bounds = Bounds.at(MONDAY, KEEP, LONDON)
    gone = set(surplus(series, bounds, LONDON, level_turned))
    kept = [point for point in series if point[0] not in gone]
    assert kept[0] == series[0]
    assert kept[-1] == series[-1]
    rises = sum(new[1][0] > old[1][0] for old, new in itertools.pairwise(series))
    assert sum(new[1][0] > old[1][0] for old, new in itertools.pairwise(kept)) == rises
    last_of: dict[object, int] = {}
    for at, _ in series:
        bucket = bounds.bucket(at, LONDON)
        last_of[at if bucket is None else bucket] = at
    assert set(last_of.values()) <= {at for at, _ in kept}
    falls = set(surplus([(at, value[:1]) for at, value in series], bounds, LONDON, counter_turned))
    assert sum(
        new[1][0] < old[1][0] for old, new in itertools.pairwise([p for p in series if p[0] not in falls])
    ) == sum(new[1][0] < old[1][0] for old, new in itertools.pairwise(series))


def test_days_are_those_of_the_site() -> None:
    bounds = Bounds.at(MONDAY, Retention(timedelta(0), timedelta(0), None), ZoneInfo("America/New_York"))
    evening = datetime.fromisoformat("2026-01-10T22:30:00-05:00")
    after_midnight_utc = evening + 2 * HOUR
    zone = ZoneInfo("America/New_York")
    assert bounds.bucket(micros(evening), zone) != bounds.bucket(micros(after_midnight_utc), zone)
    assert bounds.bucket(micros(evening), zone) == bounds.bucket(micros(evening - 5 * HOUR), zone)
    assert moment(bounds.raw).astimezone(zone).hour == 0


def runs(store: Store, printer_id: int) -> list[tuple[datetime, datetime, bool]]:
    return [(one.first, one.last, one.reachable) for one in store.history(printer_id).contacts]


def test_of_old_contact_runs_only_the_longer_silences_stay(store: Store) -> None:
    (desk,) = furnished(store)
    start = MONDAY - 30 * DAY  # 08:00 in London
    told = []
    for n in range(6 * 24 + 1):  # every ten minutes for a day; silent for a blink at each half hour
        at = start + n * 10 * MINUTE
        told.append(silence(desk, at) if n % 3 == 2 else contact(desk, at))
    told += [silence(desk, start + DAY + n * HOUR) for n in range(1, 30)]  # more than a day
    told += [contact(desk, start + DAY + 30 * HOUR), contact(desk, MONDAY)]
    store.record(told)
    before = runs(store, desk)
    assert len(before) > 90
    known = store.contacts()[desk]
    while not store.thin(MONDAY, 2 * DAY, 5 * DAY).done:
        pass
    after = runs(store, desk)
    assert len(after) <= 8
    assert (start + DAY + HOUR, start + DAY + 29 * HOUR) in [
        (first, last) for first, last, reachable in after if not reachable
    ]
    assert after[-1] == before[-1]
    assert store.contacts()[desk] == known
    store.record([contact(desk, MONDAY + HOUR)])
    assert runs(store, desk)[-1] == (MONDAY, MONDAY + HOUR, True), "the open run goes on"
    assert store.thin(MONDAY, 2 * DAY, 5 * DAY).removed == 0


def test_contact_runs_of_the_last_months_stay_as_they_are(store: Store) -> None:
    (desk,) = furnished(store)
    start = MONDAY - 10 * DAY
    store.record([(silence if n % 2 else contact)(desk, start + n * MINUTE) for n in range(50)])
    before = runs(store, desk)
    while not store.thin(MONDAY, 20 * DAY, 50 * DAY).done:
        pass
    assert runs(store, desk) == before


STRETCHES = st.lists(st.tuples(st.integers(1, 600), st.integers(0, 600), st.booleans()), min_size=1, max_size=40)


@settings(max_examples=300)
@given(STRETCHES)
def test_joined_runs_keep_every_answer_and_every_longer_silence(stretches: list[tuple[int, int, bool]]) -> None:
    minute, at, given_runs = 60_000_000, micros(MONDAY - 200 * DAY), []
    for pause, length, reachable in stretches:
        at += pause * minute
        given_runs.append(Run(at, at + length * minute, reachable))
        at += length * minute
    bounds = Bounds.at(MONDAY, KEEP, LONDON)

    def bucket(moment_: int) -> object | None:
        return bounds.bucket(moment_, LONDON)

    stay, gone = joined(given_runs, bucket, given_runs[-1].first)
    assert stay[0].first == given_runs[0].first
    assert stay[-1] == given_runs[-1]
    assert {run.first for run in stay} | {run.first for run in gone} == {run.first for run in given_runs}
    assert not {run.first for run in stay} & {run.first for run in gone}
    for one, other in itertools.pairwise(stay):
        assert one.last < other.first
    for run in given_runs:
        around = [one for one in stay if one.first <= run.first and run.last <= one.last]
        if run.reachable:
            assert any(one.reachable for one in around), "an answer stays known"
        elif bucket(run.first) != bucket(run.last):
            assert any(not one.reachable for one in around), "a silence that outlasts its bucket stays"
    assert joined(stay, bucket, given_runs[-1].first) == (stay, []), "once is enough"
