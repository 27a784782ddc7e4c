"""Days off by country."""

from datetime import date

import pytest

from agent.app.calendars import UnknownCalendar, days_off


def test_christmas_is_a_day_off_and_an_ordinary_tuesday_is_not():
    # Bank holidays of England: published by the government of the United Kingdom; these two from memory.
    off = days_off("GB-ENG")
    assert date(2026, 12, 25) in off
    assert date(2026, 4, 6) in off  # Easter Monday
    assert date(2026, 3, 3) not in off


def test_a_part_of_a_country_has_days_of_its_own():
    assert date(2026, 11, 30) in days_off("GB-SCT")  # Saint Andrew's Day
    assert date(2026, 11, 30) not in days_off("GB-ENG")


@pytest.mark.parametrize("code", ["QQ", "GB-XYZ"])
def test_unknown_codes_are_refused_in_words(code):
    with pytest.raises(UnknownCalendar, match="known"):
        days_off(code)
