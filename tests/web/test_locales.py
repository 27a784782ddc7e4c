"""Numbers and dates as they are written where the reader lives; the texts stay English."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import copy_context
from datetime import UTC, date, datetime

import httpx
import pytest
from babel import Locale

from agent.model.locales import LOCALES
from agent.web import locales, words
from agent.web.gate import Gate
from agent.web.locales import chosen
from tests.web.reading_html import Page
from tests.web.world import StoreHouse


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("", "en-GB"),
        ("de-CH", "de-CH"),
        ("DE-ch;q=0.5, fr;q=0.4", "de-CH"),
        ("de", "de-DE"),
        ("de-LI, en", "de-DE"),
        ("xx, sv;q=0.3, nl;q=0.8", "nl-NL"),  # RFC 9110 section 12.4.2: the weight decides, not the place
        ("fr;q=0, it", "it-IT"),  # the same: 0 means "not acceptable"
        ("*", "en-GB"),
        ("zz-ZZ", "en-GB"),
        ("de;q=nonsense, ,;;, pl", "pl-PL"),
        ("a" * 100_000, "en-GB"),
    ],
)
def test_the_browser_chooses_among_what_is_there(asked: str, found: str) -> None:
    assert chosen(asked) == found


def test_every_locale_that_is_offered_is_one_that_cldr_knows() -> None:
    for tag in LOCALES:
        assert str(Locale.parse(tag, sep="-")) == tag.replace("-", "_")


@pytest.mark.parametrize(
    ("tag", "number", "share", "day", "clock"),
    [
        # From memory of how these are written there; CLDR is the source of the library.
        ("en-GB", "1,234,567", "15%", "3 Nov 2026", "3 Nov 2026, 09:14"),
        ("en-US", "1,234,567", "15%", "Nov 3, 2026", "Nov 3, 2026, 9:14 AM"),
        ("de-DE", "1.234.567", "15 %", "3. Nov. 2026", "3. Nov. 2026, 09:14"),
        ("fr-FR", "1 234 567", "15 %", "3 nov. 2026", "3 nov. 2026, 09:14"),
        ("sv-SE", "1 234 567", "15 %", "3 nov. 2026", "3 nov. 2026, 09:14"),
    ],
)
def test_numbers_and_dates_follow_the_place(tag: str, number: str, share: str, day: str, clock: str) -> None:
    def plain(text: str) -> str:
        return text.replace("\u202f", " ").replace("\xa0", " ")

    def written() -> list[str]:
        locales.use(tag)
        at = datetime(2026, 11, 3, 8, 14, tzinfo=UTC)
        made = words.number(1234567.4), words.percent(0.15), words.day(at.date()), words.clock(at, "Europe/Berlin")
        return [plain(one) for one in made]

    assert copy_context().run(written) == [number, share, day, clock]


@pytest.mark.parametrize(
    ("tag", "written"),
    [
        # From memory of how these are written there; CLDR is the source of the library.
        ("en-GB", "due Thu 12 Nov to Tue, 12 Jan 2027, seen Mon 16 Nov, 08:15; 34% left (limit 8.5%), over 99%"),
        ("en-US", "due Thu, Nov 12 to Tue, Jan 12, 2027, seen Mon, Nov 16, 8:15 AM; 34% left (limit 8.5%), over 99%"),
        (
            "de-DE",
            "due Do., 12. Nov. to Di., 12. Jan. 2027, seen Mo., 16. Nov., 08:15; 34 % left (limit 8,5 %), over 99 %",
        ),
        ("tr-TR", "due 12 Kas Per to 12 Oca 2027 Sal, seen 16 Kas Pzt, 08:15; %34 left (limit %8,5), over %99"),
    ],
)
def test_days_and_percentages_in_sentences_follow_the_place_too(tag: str, written: str) -> None:
    sentence = "due Thu 12 Nov to Tue 12 Jan 2027, seen Mon 16 Nov 08:15; 34 % left (limit 8.5 %), over 99 %"

    def made() -> str:
        locales.use(tag)
        return words.prose(sentence).replace("\u202f", " ").replace("\xa0", " ")

    assert copy_context().run(made) == written


@pytest.mark.parametrize(
    "text",
    [
        "Thu 31 Feb",
        "Mon 12 Jan 2027 (a Tuesday)",
        "Thu 12 Nov 25:61",
        "Thursday 12 November",
        "a Thu 12 Novel",
        "v1.2.34 %",
        "%d %s 12",
    ],
)
def test_what_is_no_day_and_no_percentage_stays_as_it_is(text: str) -> None:
    assert words.prose(text) == text


def test_days_that_are_near_are_called_so() -> None:
    today = date(2026, 3, 1)
    told = [words.away(date(2026, 3, 1).fromordinal(today.toordinal() + away), today) for away in (-12, -1, 0, 1, 3)]
    assert told == ["12 days ago", "yesterday", "today", "tomorrow", "in 3 days"]
    assert words.near_day(date(2026, 3, 4), today) == "4 Mar"
    assert words.near_day(date(2027, 3, 4), today) == "4 Mar 2027"
    assert words.named_day(date(2026, 3, 4), today) == "Wed 4 Mar"
    assert words.named_day(date(2027, 3, 4), today) == "Thu, 4 Mar 2027"
    assert words.named_clock(datetime(2026, 3, 4, 23, 30, tzinfo=UTC), "Europe/Berlin", today) == "Thu 5 Mar, 00:30"


def test_a_page_is_written_as_its_reader_writes_and_json_is_not(client: httpx.Client) -> None:
    german = {"accept-language": "de-DE,de;q=0.9"}
    english, other = (Page(client.get("/about", headers=more).text).text for more in ({}, german))
    assert "18 Mar 2026, 14:30" in english
    assert "18. März 2026, 14:30" in other
    assert "Sweeps since the start" in other
    assert client.get("/api/v1/printers").content == client.get("/api/v1/printers", headers=german).content


def test_what_the_settings_say_wins(house: StoreHouse, client_of: Callable[..., httpx.Client]) -> None:
    client = client_of(house, gate=Gate(locale="de-CH"))
    assert "18. März 2026, 14:30" in Page(client.get("/about", headers={"accept-language": "en-US"}).text).text
