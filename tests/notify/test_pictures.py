"""The pictures of the fleet letter: East Asian names are set in a font that has their signs, or left to the text."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from agent.drawing import can_draw, drawn, lettering, more_signs
from agent.model.week import Coming, SitePages, Week
from agent.notify import pictures
from agent.notify.weekly import weekly
from agent.notify.written import Locale
from tests.needs import debian

READING_ROOM = "\N{CJK UNIFIED IDEOGRAPH-95B2}\N{CJK UNIFIED IDEOGRAPH-89A7}\N{CJK UNIFIED IDEOGRAPH-5BA4}"
STORE_ROOM = "\N{CJK UNIFIED IDEOGRAPH-66F8}\N{CJK UNIFIED IDEOGRAPH-5EAB}\N{CJK UNIFIED IDEOGRAPH-5BA4}"
NOW = datetime(2026, 3, 2, 6, tzinfo=UTC)
LOCALE = Locale("en-GB")


@pytest.fixture
def font() -> Path:
    return Path(debian("fonts-droid-fallback", "/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf"))


@pytest.fixture(autouse=True)
def no_sign_is_missed() -> Iterator[None]:
    """matplotlib warns of each sign that its fonts do not have, and draws a box."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def week(name: str) -> Week:
    day = date(2026, 3, 4)
    coming = (
        Coming("Front desk", "", "black toner", 0.9, day, day, day, 0.1),
        Coming(name, "", "cyan toner", 0.7, day, day, day, 0.1),
    )
    pages = (SitePages(name, 900, 800, 1), SitePages("Depot", 500, 400, 1))
    since = NOW - timedelta(days=7)
    return Week("All sites", since, NOW, "UTC", 2, (), pages, coming, 0, 0, (), (), (), (), (), ())


@pytest.mark.parametrize("picture", [pictures.run_outs, pictures.pages])
def test_a_name_is_set_in_the_font_of_the_machine_that_has_its_signs(font, picture):
    one, other = picture(week(READING_ROOM), LOCALE, font), picture(week(STORE_ROOM), LOCALE, font)
    assert one != other, "where a sign is missing, all names look the same"
    assert one == picture(week(READING_ROOM), LOCALE, font)


@pytest.mark.parametrize("picture", [pictures.run_outs, pictures.pages])
def test_without_such_a_font_the_name_is_left_to_the_text_of_the_letter(picture):
    one, other = picture(week(READING_ROOM), LOCALE), picture(week(STORE_ROOM), LOCALE)
    assert one == other, "both say which one it is in the text, and nothing that nobody can read"
    assert one != picture(week("Reading room"), LOCALE)


def test_the_letter_has_the_name_in_its_text_either_way(font):
    for more in (None, font):
        letter = weekly(week(READING_ROOM), LOCALE, more=more)
        assert f"{READING_ROOM}: cyan toner" in letter.plain
        assert f"{READING_ROOM} 900" in letter.plain


def test_what_can_be_drawn_depends_on_the_fonts_that_are_there(font):
    assert can_draw("Lesesaal \N{LATIN SMALL LETTER O WITH DIAERESIS} \N{GREEK SMALL LETTER ALPHA}")
    assert not can_draw(READING_ROOM)
    assert can_draw(f"2 {READING_ROOM}", font)
    assert not can_draw("\N{EGYPTIAN HIEROGLYPH A001}", font)
    assert more_signs() is not None


def test_a_further_font_changes_nothing_where_the_usual_one_has_all_signs(font):
    def draw(figure):
        figure.subplots().set_title("Depot, Lesesaal")

    assert drawn(draw, (3, 2), "png", style=lettering(font)) == drawn(draw, (3, 2), "png")
