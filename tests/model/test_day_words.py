"""Days in the words of people."""

from __future__ import annotations

import calendar
from datetime import UTC, date, datetime

import pytest

from agent.model.day_words import day_words, moment_words, span_words

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
