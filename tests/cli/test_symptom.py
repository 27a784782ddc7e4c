"""lowmark symptom, from the command line to the store and back."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from agent.cli import symptom
from agent.model.failure import Failure
from agent.model.fleet import Printer
from agent.store import Store
from tests.cli.stocked import AT, SETTINGS, furnish, settings_file

DOCS = Path(__file__).parents[2] / "docs" / "json-symptom.md"
Lowmark = Callable[..., str]

ROLLERS = """
  - name: rollers
    models: [Tallgrass*]
    every: 900d
    rollers: {drum: 30mm, fuser_roller: 25mm, developing_roller: 42mm on paper}
"""


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    made = f"sqlite:///{tmp_path_factory.mktemp('library') / 'history.sqlite'}"
    furnish(made)
    with Store.open(made) as store:
        store.save_printer(Printer(0, "Never read", "192.0.2.99", model="Bruma 7"))
    return made


@pytest.fixture
def lowmark(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Lowmark:
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("LOWMARK_STORE", url)
    monkeypatch.setenv("LOWMARK_SETTINGS", str(settings_file(tmp_path, SETTINGS.rstrip() + ROLLERS)))
    program = typer.Typer(pretty_exceptions_enable=False)
    symptom.register(program)

    def run(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(program, list(words))
        if isinstance(result.exception, Failure):  # as agent.cli.main does it
            assert result.exception.status == status, result.exception
            return str(result.exception)
        assert result.exit_code == status, result.output
        return result.output

    return run


def data(lowmark: Lowmark, *words: str) -> dict:
    return json.loads(lowmark(*words, "--json", "--at", AT))


def plain(text: str) -> str:
    return " ".join(text.split())


def test_without_a_kind_the_kinds_are_listed(lowmark: Lowmark) -> None:
    text = lowmark("Reading room")
    for kind in ("repeating-mark", "wipes-off", "grey-background", "slow-complex"):
        assert kind in text
    assert "lowmark symptom PRINTER --seen KIND" in text


def test_a_repeating_mark_is_matched_with_the_rollers_of_the_settings(lowmark: Lowmark) -> None:
    told = data(lowmark, "Reading room", "--seen", "repeating-mark", "--every", "94")
    first = told["suspects"][0]
    assert first["part"] == "drum"
    match = first["rollers"][0]
    # 30 mm x pi = 94.2478 mm.
    assert (match["diameter"], match["around"], match["deviation"], match["fits"]) == (30.0, 94.25, -0.25, True)
    assert [one["roller"] for one in told["rollers"] if one["fits"]] == ["drum"]
    on_paper = next(one for one in told["rollers"] if one["roller"] == "developing roller")
    assert (on_paper["diameter"], on_paper["around"]) == (None, 42.0)
    text = plain(lowmark("Reading room", "--seen", "repeating-mark", "--every", "94", "--at", AT))
    assert "Reading room: A mark that comes again and again down the page, every 94 mm" in text
    assert "one turn is 94.2 mm, off by -0.2 mm (up to 1.7 mm may be)" in text
    assert "qualified service" in text
    assert "\x1b[" not in text


@pytest.mark.parametrize("written", ["94.2", "94,2", "94,2 mm", "9.42cm", '3.709"'])
def test_a_distance_may_be_written_as_people_write_it(lowmark: Lowmark, written: str) -> None:
    told = data(lowmark, "Reading room", "--seen", "repeating-mark", "--every", written)
    # An inch is 25.4 mm: 3.709 of them are 94.2086.
    assert told["seen"]["every"] == pytest.approx(94.2, abs=0.01)


def test_what_is_hardly_off_has_no_sign_and_broken_turns_are_fractions(lowmark: Lowmark) -> None:
    text = lowmark("Reading room", "--seen", "repeating-mark", "--every", "47.1", "--at", AT)
    assert "1/2" in text
    assert "-0.0" not in text
    assert "+0.0" not in text


def test_what_is_known_of_the_printer_decides_the_order(lowmark: Lowmark) -> None:
    told = data(lowmark, "Depot", "--seen", "wrong-colours")
    assert told["suspects"][0]["part"] == "calibration"
    assert told["suspects"][0]["reasons"][0]["kind"] == "uncalibrated"
    earlier = json.loads(lowmark("Depot", "--seen", "wrong-colours", "--json", "--at", "2025-03-20T08:00:00+01:00"))
    assert "uncalibrated" not in {one["kind"] for one in earlier["suspects"][0]["reasons"]}
    assert earlier["as_of"] == "2025-03-20T08:00:00+01:00"


def test_a_printer_that_was_never_read_still_gets_the_order_of_common_practice(lowmark: Lowmark) -> None:
    told = data(lowmark, "Never read", "--seen", "skew")
    assert told["suspects"][0]["part"] == "feeder"
    assert "common practice alone" in told["verdict"]
    assert told["notes"] == ["Nothing has been read from this printer by then."]


def test_a_name_that_looks_like_markup_stays_text(lowmark: Lowmark) -> None:
    assert lowmark("2", "--seen", "jam", "--at", AT).startswith("[red]Desk: Paper jams")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["Reading room", "--seen", "gost"], "did you mean ghost"),
        (["Reading room", "--seen", "ghost", "--every", "-5"], "-5 mm is no distance"),
        (["Reading room", "--seen", "ghost", "--every", "99999"], "from 1 to 1500"),
        (["Reading room", "--seen", "ghost", "--every", "1e9"], "this is no distance; write it in mm"),
        (["Reading room", "--seen", "ghost", "--every", "about a hand"], "94,2 mm and 9.4 cm will do"),
        (["Reading room", "--seen", "ghost", "--every", "1,200"], "this is no distance"),
        (["Reading room", "--seen", "streaks"], "did you mean light-stripe-along or dark-line-along"),
        (["Reading room", "--seen", "jam", "--every", "50"], "a distance says nothing about jam"),
        (["Reading room", "--seen", "jam", "--colour", "cyan"], "in one colour only"),
        (["Reading room", "--every", "50"], "add --seen KIND"),
        (["Reeding room", "--seen", "jam"], "did you mean Reading room?"),
    ],
)
def test_bad_input_is_said_with_what_would_do(lowmark: Lowmark, words: list[str], said: str) -> None:
    assert said in plain(lowmark(*words, status=2))


def test_the_document_names_every_key_and_nothing_else(lowmark: Lowmark) -> None:
    text = DOCS.read_text("utf-8")
    rows = re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", text, re.MULTILINE)
    documented = set(re.findall(r"`(\w+)`", " ".join(rows)))
    told = data(lowmark, "Reading room", "--seen", "repeating-mark", "--every", "94")
    keys = set(told) | set(told["suspects"][0]) | set(told["rollers"][0])
    assert documented == keys
    for word in {*told["kinds"][0], *told["seen"], *told["suspects"][0]["reasons"][0]}:
        assert f"`{word}`" in text
    assert told["format"] == "lowmark.symptom.v1"
