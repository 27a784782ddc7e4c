"""What a counter did between two readings."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from agent.insight.counters import believable_speed, judge, most_countable, restarted, step
from agent.model.fleet import CountPoint
from agent.model.reading import Counter, Reading, System

MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
KINDS = {"first", "same", "forward", "wrap", "reset", "backwards", "jump"}


def after(minutes: float, old: int, value: int, **options: object):
    return step((MONDAY, old), MONDAY + minutes * MINUTE, value, **options)


def test_a_counter_seen_for_the_first_time_tells_nothing():
    # RFC 2578 section 7.1.6: "a single value of a Counter has (in general) no information content".
    assert (step(None, MONDAY, 71_200).kind, step(None, MONDAY, 71_200).delta) == ("first", None)


def test_a_counter_that_stands_has_counted_nothing():
    assert (after(5, 100, 100).kind, after(5, 100, 100).delta) == ("same", 0)


@pytest.mark.parametrize(("old", "new", "delta"), [(4_294_967_295, 0, 1), (4_294_967_290, 5, 11)])
def test_counter32_wraps_to_zero_after_its_greatest_value(old: int, new: int, delta: int):
    # RFC 2578 section 7.1.6: Counter32 increases to 2^32-1 (4294967295 decimal), "when it wraps around and starts
    # increasing again from zero".
    found = after(5, old, new, wraps_at=2**32)
    assert (found.kind, found.delta) == ("wrap", delta)
    assert not found.is_odd


def test_imaging_counters_wrap_at_half_of_that():
    # PWG 5106.3-2008: IcCounter32 is Integer32 (0..2147483647).
    found = after(5, 2**31 - 3, 4, wraps_at=2**31)
    assert (found.kind, found.delta) == ("wrap", 7)


def test_an_imaging_counter_that_goes_on_past_its_size_is_believed():
    found = after(5, 2**31 - 3, 2**31 + 4, wraps_at=2**31)
    assert (found.kind, found.delta) == ("forward", 7)


def test_octets_at_ten_megabits_show_how_long_a_wrap_takes():
    # RFC 2863 section 3.1.6: at 10 Mb/s full rate, ifInOctets wraps in just over 57 minutes. The same reckoning for a
    # unit that grows as fast: one printed side is 432,000 micrometres, and a limit above the counter's size means that
    # nobody can say how often it went round.
    minutes = 60 * 24 * 3
    assert (most_countable(minutes, unit="micrometers", pages_per_minute=60) or 0) > 2**32
    assert after(minutes, 1_000, 2_000, unit="micrometers", pages_per_minute=60).delta is None
    assert after(minutes, 2_000, 1_000, unit="micrometers", pages_per_minute=60).delta is None


def test_a_counter_that_falls_to_a_small_number_was_reset():
    found = after(60 * 24, 312_400, 12, uptime_reset=True)
    assert (found.kind, found.delta) == ("reset", None)
    assert "board" in found.text


def test_a_counter_that_falls_to_zero_from_near_the_middle_of_its_range_did_not_wrap():
    assert after(5, 2**31, 0, wraps_at=2**32).kind == "reset"


def test_a_counter_that_falls_a_little_returned_to_an_older_state():
    found = after(30, 10_050, 10_000, uptime_reset=True)
    assert (found.kind, found.delta) == ("backwards", None)


def test_faster_than_the_printer_prints_is_a_jump():
    # 40 pages a minute, two sides a sheet: five minutes hold 400 impressions, never 60,000.
    found = after(5, 10_000, 70_000, pages_per_minute=40)
    assert (found.kind, found.delta) == ("jump", None)


def test_a_duplex_printer_at_full_speed_for_a_night_is_no_jump():
    assert after(600, 10_000, 10_000 + 600 * 40 * 2, pages_per_minute=40, unit="impressions").kind == "forward"


def test_sheets_have_no_second_side():
    minutes = 60 * 24
    assert after(minutes, 0, minutes * 40, pages_per_minute=40, unit="sheets").kind == "forward"
    assert after(minutes, 0, minutes * 40 * 2, pages_per_minute=40, unit="sheets").kind == "jump"


def test_a_long_job_counted_when_it_is_done_is_no_jump():
    assert after(1, 10_000, 10_400, pages_per_minute=40).kind == "forward"


def test_hours_do_not_outrun_the_clock():
    assert after(60, 100, 101, unit="hours").kind == "forward"
    assert after(60, 100, 105, unit="hours").kind == "jump"


def test_a_unit_without_a_rate_is_never_called_a_jump():
    assert after(1, 0, 4_000_000_000, unit="unlisted(99)").kind == "forward"
    assert after(1, 2**32 - 5, 3, unit="unlisted(99)").kind == "wrap"
    assert after(1, 3_000_000_000, 3, unit="unlisted(99)").kind == "reset"


@pytest.mark.parametrize("absurd", [0.0, -4.0, float("nan"), float("inf"), 1e12, None])
def test_an_absurd_speed_is_not_believed(absurd: float | None):
    assert believable_speed(absurd) == believable_speed(None)


def test_pages_a_minute_written_where_pages_an_hour_belong_raise_no_alarm():
    # 40 pages an hour would be 0.67 a minute.
    assert after(5, 0, 300, pages_per_minute=40 / 60).kind == "forward"


def test_a_clock_that_was_set_back_counts_as_no_time():
    assert after(-60, 100, 120).kind == "forward"
    assert after(-60, 100, 50_000).kind == "jump"


def test_a_negative_count_is_refused():
    with pytest.raises(ValueError, match="-1"):
        after(5, 10, -1)


def test_uptime_that_falls_is_a_restart_but_not_when_it_wrapped():
    assert restarted(100_000, MONDAY, 500, MONDAY + 5 * MINUTE)
    assert not restarted(100_000, MONDAY, 130_000, MONDAY + 5 * MINUTE)
    # TimeTicks wrap at 2^32 hundredths of a second, 497 days (RFC 2578 section 7.1.8).
    assert not restarted(2**32 - 10_000, MONDAY, 20_000, MONDAY + 5 * MINUTE)
    assert restarted(2**32 - 1_000_000, MONDAY, 20_000, MONDAY + 5 * MINUTE)
    assert not restarted(None, MONDAY, 20_000, MONDAY + 5 * MINUTE)


def test_every_counter_of_a_reading_is_judged_and_only_oddities_are_told():
    reading = Reading(
        at=MONDAY + 5 * MINUTE,
        address="192.0.2.7",
        device_index=1,
        system=System(),
        pages_per_minute=40.0,
        counters=(
            Counter("life", "impressions", 12),
            Counter("total", "impressions", 5, 2**31),
            Counter("mono", "impressions", 900_000, 2**31),
            Counter("colour", "impressions", 7, 2**31),
        ),
    )
    seen = {
        "life": CountPoint(MONDAY, 88_000),
        "total": CountPoint(MONDAY, 2**31 - 6),
        "mono": CountPoint(MONDAY, 5),
    }
    verdict = judge(seen, reading, uptime_reset=True)
    assert {name: found.kind for name, found in verdict.steps.items()} == {
        "life": "reset",
        "total": "wrap",
        "mono": "jump",
        "colour": "first",
    }
    assert [(found.kind, found.subject) for found in verdict.findings] == [
        ("counterReset", "life"),
        ("counterJump", "mono"),
    ]
    assert verdict.findings[0].data["before"] == 88_000


counts = st.integers(min_value=0, max_value=2**32 - 1)
gaps = st.floats(min_value=0, max_value=60 * 24 * 365)
speeds = st.one_of(st.none(), st.floats())
units = st.sampled_from(["impressions", "sheets", "micrometers", "hours", "unknown", "lines"])
sizes = st.sampled_from([2**31, 2**32])


@given(counts, counts, gaps, speeds, units, sizes, st.booleans())
def test_every_pair_of_values_is_judged_and_a_delta_leads_from_the_old_to_the_new(
    old: int, value: int, minutes: float, speed: float | None, unit: str, wraps_at: int, rebooted: bool
):
    found = after(minutes, old, value, pages_per_minute=speed, unit=unit, wraps_at=wraps_at, uptime_reset=rebooted)
    assert found.kind in KINDS - {"first"}
    assert found.text
    if found.delta is not None:
        assert found.delta >= 0
        size = wraps_at if max(old, value) < wraps_at else 2**32
        assert (old + found.delta) % size == value % size
        assert found.limit is None or found.delta <= found.limit or found.kind == "same"
    assert (found.kind in {"reset", "backwards", "jump"}) == found.is_odd


@given(counts, st.integers(min_value=1, max_value=10_000), gaps)
def test_honest_printing_is_never_an_oddity_even_across_the_wrap(old: int, sheets: int, gap: float):
    # As many sheets as 40 pages a minute allow, on both sides.
    minutes = max(gap, sheets / 40)
    printed = 2 * sheets
    found = after(minutes, old, (old + printed) % 2**32, pages_per_minute=40, unit="impressions")
    assert found.kind in {"forward", "wrap"}
    assert found.delta == printed


@given(counts, counts, st.floats(min_value=1, max_value=60 * 24 * 30))
def test_a_longer_gap_never_makes_a_plausible_step_implausible(old: int, value: int, minutes: float):
    assume(value > old)
    if after(minutes, old, value).kind == "forward":
        assert after(minutes * 2, old, value).kind == "forward"
