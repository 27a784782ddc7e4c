"""The round on paper, read back by other programs: poppler's pdftotext and pdfinfo, and zbarimg for the QR codes."""

from __future__ import annotations

import re
import subprocess
from contextvars import copy_context
from dataclasses import replace
from pathlib import Path

import pytest

from agent.insight.rounds import plan_round
from agent.model.round import Round
from agent.web import locales
from agent.web.round_pdf import pdf
from tests.insight.walked import NOW, forecast, large, morning, printer, spot
from tests.needs import debian

BASE = "https://lowmark.harrow-lane.example/"


def written(folder: Path, made: Round, base: str = BASE, more: Path | None = None) -> Path:
    path = folder / "round.pdf"
    path.write_bytes(pdf(made, base, more))
    return path


def text_of(path: Path) -> str:
    tool = debian("poppler-utils", "pdftotext")
    return subprocess.run([tool, "-layout", path, "-"], capture_output=True, check=True, text=True).stdout


def pages_of(path: Path) -> int:
    tool = debian("poppler-utils", "pdfinfo")
    said = subprocess.run([tool, path], capture_output=True, check=True, text=True).stdout
    assert "A4" in said
    return int(re.search(r"Pages:\s+(\d+)", said)[1])


@pytest.fixture(scope="module")
def two_hundred() -> Round:
    return plan_round(large(200), NOW)


@pytest.fixture(scope="module")
def paper(two_hundred, tmp_path_factory) -> Path:
    return written(tmp_path_factory.mktemp("paper"), two_hundred)


def test_a_round_of_two_hundred_printers_is_a_few_pages_and_names_each_of_them(paper):
    assert pages_of(paper) <= 7
    text = text_of(paper)
    for number in range(1, 201):
        assert re.search(rf"\bdesk-{number}\b", text)
    assert "page 1 of 7" in text
    assert "page 7 of 7" in text


def test_what_to_carry_and_what_to_take_care_of_stand_in_front_once(paper, two_hundred):
    text = text_of(paper)
    assert text.count("no ordinary vacuum cleaner") == 1
    assert text.count("service manual and local codes come first") == 1
    first = text.partition("\f")[0]
    for one in two_hundred.carry:
        if one.part:
            assert re.search(rf"{one.count} . {one.part}", first)
    assert "none on the shelf: none ordered, order now" in first
    assert "As of Wed 18 Mar, 07:30 (UTC)." in first
    assert re.search(r"2\s*0\s*0\s*visits", first)


def test_no_title_is_cut_and_nothing_of_what_to_carry(two_hundred, tmp_path):
    card = two_hundred.visits[0].cards[0]
    long = replace(
        card, title="Exchange the intermediate transfer belt unit and its cleaning blade",
        follows=("calibration", "a test page of every tray", "the reset of both counters"),
    )  # fmt: skip
    visit = replace(two_hundred.visits[0], cards=(long,))
    carry = replace(
        two_hundred.carry[0], part="TG-40K-EXTENDED-YIELD-2026", what="Black toner of the larger kind, 12,000 pages",
        place="Cupboard 3 on the second floor behind the reading room",
    )  # fmt: skip
    path = written(tmp_path, replace(two_hundred, visits=(visit,), carry=(carry,), waits=(), lacking=()))
    tool = debian("poppler-utils", "pdftotext")
    flat = " ".join(subprocess.run([tool, path, "-"], capture_output=True, check=True, text=True).stdout.split())
    for whole in (f"{long.title}, then calibration and a test page of every tray and the reset of both counters",):
        assert whole in flat
    for words in (carry.part, carry.what, carry.place):
        assert words in flat
    assert "…" not in flat


def test_days_on_paper_are_written_in_one_form_and_as_the_reader_writes(two_hundred, tmp_path):
    def written_in(tag: str) -> str:
        locales.use(tag)
        return text_of(written(tmp_path, two_hundred))

    english, german = (copy_context().run(written_in, tag) for tag in ("en-GB", "de-DE"))
    assert not re.search(r"\b2026-\d\d-\d\d", english)
    assert re.search(r"runs out (Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ [A-Z][a-z]{2}", english)
    assert "As of Mi., 18. März, 07:30 (UTC)." in german
    assert not re.search(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d", german)


def test_each_card_has_a_code_that_leads_to_its_page(tmp_path):
    made = plan_round(large(20), NOW)
    path = written(tmp_path, made)
    wanted = {f"https://lowmark.harrow-lane.example/cards/{card.key}" for card in made.cards}
    draw, read = debian("poppler-utils", "pdftoppm"), debian("zbar-tools", "zbarimg")
    found: set[str] = set()
    for resolution in ("200", "400", "600"):
        # The reader now and then overlooks one of twenty codes on a page; at another resolution it sees it.
        subprocess.run([draw, "-r", resolution, "-gray", "-png", path, tmp_path / f"page{resolution}"], check=True)
        for image in sorted(tmp_path.glob(f"page{resolution}*.png")):
            seen = subprocess.run([read, "-q", "--nodbus", "--raw", image], capture_output=True, text=True)
            found |= set(seen.stdout.split())
        if found >= wanted:
            break
    assert found == wanted


def test_without_an_address_there_is_no_code_and_a_line_says_why(tmp_path):
    made = plan_round(large(12), NOW)
    text = text_of(written(tmp_path, made, ""))
    assert "the settings do not say where phones find the pages (listen.public_url)" in text
    assert "desk-12" in text


def test_the_same_round_makes_the_same_paper(two_hundred):
    small = plan_round(large(5), NOW)
    assert pdf(small, BASE) == pdf(small, BASE)


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        "(paren \\ ) endobj stream",
        "\u202egnp.exe\u2066\x00\x1b[31m",
        "Читальня 2, Αίθουσα",
        "閲覧室プリンター",
        "قاعة المطالعة",
        "😀🖨️",
        "x" * 5000,
        "",
    ],
)
def test_no_name_of_a_printer_can_spoil_the_page(tmp_path, name):
    who = replace(printer(1, name or "Tallgrass", room=name[:50] or "1"), name=name)
    made = plan_round(morning(spot(who, forecast(1, "toner:black", 0.3))), NOW)
    text = text_of(written(tmp_path, made))
    assert "Exchange the black toner" in text
    assert "\u202e" not in text
    assert "\ufffd" not in text
    if name.startswith(("<", "(", "Ч")):
        assert name[:12] in text


def test_a_round_with_nothing_to_do_is_a_page_that_says_so(tmp_path):
    path = written(tmp_path, plan_round(morning(spot(printer(1), forecast(1, "toner:black", 10))), NOW))
    assert pages_of(path) == 1
    text = text_of(path)
    assert "Nothing is to be done on this round." in text
    assert "Not on this round" in text


# --- names in other scripts ------------------------------------------------------------------------------------------


def in_japanese(made: Round) -> Round:
    """The same round at a printer with a Japanese name, with parts that are called in Japanese."""
    known = {"part": "黒トナー TN-40K", "what": "標準容量の黒トナーカートリッジ", "place": "一階の戸棚"}
    (visit,) = made.visits
    cards = tuple(replace(card, bring=tuple(replace(one, **known) for one in card.bring)) for card in visit.cards)
    carry = tuple(replace(one, **known, on_shelf=2) for one in made.carry)
    return replace(made, visits=(replace(visit, printer="閲覧室プリンター", cards=cards),), carry=carry)


@pytest.fixture(scope="module")
def one_visit() -> Round:
    made = plan_round(morning(spot(printer(1), forecast(1, "toner:black", 0.3))), NOW)
    found = in_japanese(made)
    assert found.carry
    return found


def test_a_japanese_name_is_set_in_a_font_that_has_its_signs(one_visit, tmp_path):
    font = debian("fonts-droid-fallback", "/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf")
    path = written(tmp_path, one_visit, more=Path(font))
    text = "".join(text_of(path).split())
    for said in ("閲覧室プリンター", "黒トナーTN-40K", "標準容量の黒トナーカートリッジ", "一階の戸棚(2there)"):
        assert said in text
    assert "notprintable" not in text
    assert "\ufffd" not in text
    assert path.stat().st_size < 200_000, "only the signs that are used are in it"


def test_without_such_a_font_words_say_what_cannot_be_printed_and_the_part_number_stays(one_visit, tmp_path):
    text = " ".join(text_of(written(tmp_path, one_visit)).split())
    assert "\ufffd" not in text
    assert "(not printable here) TN-40K" in text
    assert "Bring 1 (not printable here) TN-40K from (not printable here)" in text
    assert "(not printable here) (2 there)" in text
    assert "For what is not printable here see the pages." in text
    assert "not printable" not in text_of(written(tmp_path, plan_round(large(3), NOW)))


def test_a_long_name_without_blanks_is_broken_and_not_cut(one_visit, tmp_path):
    font = debian("fonts-droid-fallback", "/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf")
    name = "".join(chr(0x4E00 + 7 * number) for number in range(120))
    made = replace(one_visit, carry=tuple(replace(one, part=name) for one in one_visit.carry))
    text = "".join(text_of(written(tmp_path, made, more=Path(font))).split())
    found = [text.find(sign) for sign in name]
    assert -1 not in found, "every sign is there"
