"""Plots of one printer: in the terminal as plain text, and as a file that its own format's readers accept."""

from __future__ import annotations

import re
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from agent.cli import plots
from agent.insight.kin import Fleet
from agent.insight.printer import look
from tests.insight.drawn import START, history, steady


@pytest.fixture(scope="module")
def desk():
    """A cartridge of fifty workdays, in its second life, with fifteen workdays left (see tests/insight)."""
    supply, counts = steady(120)
    made = history([supply], [counts], until=24 * 119)
    as_of = START + timedelta(days=119)
    return made, look(made, Fleet(), as_of), as_of


def test_the_fan_goes_from_the_level_now_to_the_days_that_are_forecast(desk):
    made, insight, as_of = desk
    (picture,) = plots.levels(made, insight, as_of)
    lines = {(line.label, line.sign): line for line in picture.lines}
    half = lines["P50", "#"]
    assert half.at[0] == as_of.timestamp()
    assert datetime.fromtimestamp(half.at[1], UTC) == insight.forecasts[0].empty.moment(0.5)
    assert half.value == (pytest.approx(30, abs=4), 0.0)
    ends = [line.at[1] for line in picture.lines if line.sign == "."]
    assert ends[0] <= half.at[1] <= ends[1]


def test_levels_are_drawn_as_steps_and_never_after_the_moment_asked_for(desk):
    made, insight, _ = desk
    earlier = START + timedelta(days=60)
    (picture,) = plots.levels(made, insight, earlier)
    shown = picture.lines[0]
    assert shown.at[-1] == earlier.timestamp()
    assert list(shown.at) == sorted(shown.at)
    # A step is a moment with the value before it and the value from then on.
    falls = [at for at in set(shown.at) if shown.at.count(at) == 2]
    assert len(falls) > 20


def test_pages_of_a_day_add_up_to_what_the_counter_moved(desk):
    made, insight, as_of = desk
    curve, week = plots.use(made, insight, as_of)
    points = made.counters[0].points
    moved = points[-1].value - next(point.value for point in points if point.at >= as_of - plots.BACK)
    assert sum(curve.lines[0].value) == pytest.approx(moved, abs=100)
    assert week.labels[0] == "Mon"
    assert week.values[0] == pytest.approx(100, rel=0.1)
    assert week.values[6] < 10


@pytest.mark.parametrize("width", [60, 80, 200])
def test_the_terminal_plot_is_plain_text_that_fits(desk, width):
    made, insight, as_of = desk
    pictures = [*plots.levels(made, insight, as_of), *plots.use(made, insight, as_of), *plots.lives(made, insight)]
    text = plots.as_text(pictures, width)
    assert "\x1b" not in text
    drawing = [row for row in text.splitlines() if "│" in row or "#" in row]
    assert drawing
    assert max(map(len, drawing)) <= min(width, 120)
    assert "# P50" in text
    assert ". P10 and P90" in text
    assert text.count("o") > 20
    plain = plots.as_text(pictures, width, ascii_only=True)
    assert plain.isascii()


def test_bars_are_as_long_as_their_numbers():
    text = plots.as_text([plots.Bars("t", "u", ("one", "two"), (50.0, 100.0))], 60)
    one, two = (row.count("#") for row in text.splitlines()[1:3])
    assert two == pytest.approx(2 * one, abs=1)
    assert "100" in text


def test_a_name_from_a_printer_cannot_steer_the_terminal():
    text = plots.as_text([plots.Bars(plots._clean("evil\x1b[2J\x07"), "u", ("one",), (1.0,))], 60)
    assert "\x1b" not in text
    assert "\x07" not in text


def test_an_image_is_what_its_ending_says(desk, tmp_path):
    made, insight, as_of = desk
    pictures = [*plots.levels(made, insight, as_of), *plots.use(made, insight, as_of), *plots.lives(made, insight)]
    for ending in plots.KINDS:
        plots.save(pictures, tmp_path / f"desk{ending}")
    png = (tmp_path / "desk.png").read_bytes()
    # Portable Network Graphics, W3C Recommendation (2003) 5.2 and 5.3: signature, IHDR, check sum over type and data.
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert png[12:16] == b"IHDR"
    assert int.from_bytes(png[29:33], "big") == zlib.crc32(png[12:29])
    root = ET.parse(tmp_path / "desk.svg").getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    # PDF, ISO 32000-1 7.5.2 and 7.5.5: header and end-of-file marker.
    pdf = (tmp_path / "desk.pdf").read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert pdf.rstrip().endswith(b"%%EOF")


def test_an_unknown_ending_says_which_there_are(desk, tmp_path):
    made, insight, _ = desk
    with pytest.raises(plots.PlotFailure, match=r"\.pdf, \.png, \.svg"):
        plots.save(plots.lives(made, insight), tmp_path / "desk.gif")


def test_a_folder_that_is_not_there_is_said_in_words(desk):
    made, insight, _ = desk
    with pytest.raises(plots.PlotFailure, match="could not be written"):
        plots.save(plots.lives(made, insight), Path("no") / "such" / "desk.png")


def test_nothing_seen_draws_nothing():
    made = history([], [], until=24)
    assert plots.as_text(plots.lives(made, look(made, Fleet(), START)), 80) == ""


def test_days_on_the_axis_are_those_of_people_with_the_year_where_it_is_another(desk, tmp_path):
    made, insight, as_of = desk
    row = next(one for one in plots.as_text(plots.levels(made, insight, as_of), 100).splitlines() if " Jan" in one)
    days = re.findall(r"[A-Z][a-z]{2} \d{1,2} [A-Z][a-z]{2}(?: \d{4})?", row)
    assert len(days) >= 4
    assert days[0] == "Mon 6 Jan"
    for later in (as_of + timedelta(days=280),):
        text = plots.as_text(plots.use(made, insight, later), 100)
        assert not re.search(r"\d{4}-\d\d", text)
    plots.save(plots.levels(made, insight, as_of), tmp_path / "levels.svg")
    words = [one.text for one in ET.parse(tmp_path / "levels.svg").iter("{http://www.w3.org/2000/svg}text")]
    assert sum(bool(re.fullmatch(r"[A-Z][a-z]{2} \d{1,2} [A-Z][a-z]{2}", word or "")) for word in words) >= 3
    assert not any(re.search(r"\d{4}-\d\d", word or "") for word in words)
