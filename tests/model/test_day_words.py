"""Days in the words of people."""

from __future__ import annotations

import calendar
from datetime import UTC, date, datetime

import pytest

from agent.model.day_words import clock_words, dated_words, day_words, moment_words, span_words

TODAY = date(2026, 11, 25)


def test_the_year_is_said_only_where_it_is_another():
    assert day_words(date(2026, 11, 12), TODAY) == "Thu 12 Nov"
    assert day_words(date(2027, 1, 12), TODAY) == "Tue 12 Jan 2027"
    assert day_words(date(2027, 1, 12)) == "Tue 12 Jan"


@pytest.mark.parametrize("month", range(1, 13))
def test_names_are_those_of_the_calendar_in_the_locale_c(month):
    # Reference: the names of Python's calendar module, in the locale C.
    day = date(2026, month, month)
    assert day_words(day) == f"{calendar.day_abbr[day.weekday()]} {month} {calendar.month_abbr[month]}"


def test_moments_and_spans():
    assert moment_words(datetime(2026, 3, 18, 2, 5, tzinfo=UTC), TODAY) == "Wed 18 Mar 02:05"
    assert span_words(date(2026, 12, 30), date(2027, 1, 2), TODAY) == "Wed 30 Dec to Sat 2 Jan 2027"
    assert span_words(TODAY, TODAY, TODAY) == "Wed 25 Nov"


def test_a_moment_is_told_by_the_clock_of_its_zone_with_the_year_where_that_is_another():
    # 23:30 UTC is 00:30 of the next day in Prague in winter, 01:30 in summer (tz database, Europe/Prague).
    late, prague = datetime(2026, 12, 31, 23, 30, tzinfo=UTC), "Europe/Prague"
    assert clock_words(late, prague, datetime(2026, 12, 31, 12, tzinfo=UTC)) == "Fri 1 Jan 2027 00:30 CET"
    assert clock_words(late, prague, datetime(2026, 12, 31, 23, 45, tzinfo=UTC)) == "Fri 1 Jan 00:30 CET"
    assert clock_words(datetime(2026, 7, 1, 23, 30, tzinfo=UTC), prague) == "Thu 2 Jul 2026 01:30 CEST"
    assert clock_words(late, "Nowhere/At all", late) == "Thu 31 Dec 23:30 UTC"
    assert dated_words(late, prague) == "Fri 1 Jan 2027"
