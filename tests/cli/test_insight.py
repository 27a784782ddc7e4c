"""From a CSV of readings to run-outs, lives and use on the command line."""

from __future__ import annotations

import json
import re
from datetime import date, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tests.cli.mornings import mornings, program, taken_in

DOCS = Path(__file__).parents[2] / "docs" / "json-insight.md"
AT = "2025-07-07T08:00:00+02:00"
FIRST = datetime.fromisoformat("2025-03-03T07:00:00+01:00")
HEAD = (
    "at",
    "printer",
    "serial",
    "model",
    "site",
    "supply",
    "kind",
    "colorant",
    "unit",
    "capacity",
    "level",
    "impressions",
)


def _rows():
    """Three printers read every morning: one even, one that only says "some", one new."""
    for name, serial, lasts, start in (
        ("Even", "S1", 5_000, 0),
        ("Some", "S2", 4_000, 0),
        ("New [bold]", "S3", 5_000, 124),
    ):
        for at, count, left in mornings(FIRST, range(start, 126), lasts):
            level = -3 if name == "Some" and left > 0 else 0 if name == "Some" else round(100 * left / lasts)
            yield (
                at,
                name,
                serial,
                "Tallgrass M40" if name != "Some" else "Bruma 300",
                "Main",
                "toner:black",
                "toner",
                "black",
                "percent",
                100,
                level,
                count,
            )


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    return taken_in(tmp_path_factory.mktemp("insight"), [HEAD, *_rows()])


@pytest.fixture
def lowmark(filled, tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "260")
    monkeypatch.chdir(tmp_path)

    def run(*words, status=0):
        done = CliRunner().invoke(program(), [*words, "--store", filled])
        assert done.exit_code == status, done.output
        return done.output

    return run


def data(lowmark, *words):
    return json.loads(lowmark(*words, "--json", "--at", AT))


def test_a_csv_of_readings_gives_run_outs(lowmark):
    found = data(lowmark, "runout")
    assert found["format"] == "lowmark.runout.v1"
    items = {item["printer"]: item for item in found["items"]}
    even = items["Even"]
    # The second cartridge went in on 12 May and lasts fifty workdays: until Friday 18 July.
    assert even["as_of"] == AT
    assert abs((date.fromisoformat(even["p50"]) - date(2025, 7, 18)).days) <= 3
    assert even["p10"] <= even["p50"] <= even["p90"]
    assert even["reason"] is None
    assert 0 <= even["chance_7_days"] <= even["chance_14_days"] <= 1
    # Its last page comes on that Friday, and the fourteen days end on the Monday after: about as likely as not.
    assert 0.3 < even["chance_14_days"] < 0.9
    assert items["Some"]["p50"] is not None


def test_a_cold_start_has_a_reason_and_no_date(lowmark):
    new = next(item for item in data(lowmark, "runout")["items"] if item["printer"] == "New [bold]")
    assert new["p10"] is new["p50"] is new["p90"] is new["chance_7_days"] is None
    assert new["reason"].startswith("too early to tell")


def test_every_key_of_the_json_is_documented(lowmark):
    text = DOCS.read_text()
    for command in ("runout", "lives", "usage"):
        section = text.split(f"## lowmark {command}")[1].split("\n## ")[0]
        words = set(re.findall(r"`([a-z0-9_]+)`", section))
        found = data(lowmark, command)
        keys = set(found) | {
            key for part in ("items", "notes", "kinds") for item in found.get(part, []) for key in item
        }
        assert keys - words == set(), command


def test_lives_are_told_with_their_ends(lowmark):
    found = data(lowmark, "lives")
    even = [item for item in found["items"] if item["printer"] == "Even"]
    assert [item["ended"] for item in even] == ["ranDry", "stillIn"]
    assert even[0]["fitted"] is None
    assert even[1]["fitted"].startswith("2025-05-13")
    some = [item for item in found["items"] if item["printer"] == "Some"]
    assert [item["ended"] for item in some] == ["ranDry", "ranDry", "stillIn"]
    kinds = {item["model"]: item for item in found["kinds"]}
    assert kinds["Bruma 300"]["half_reach"] == pytest.approx(4_000, abs=150)


def test_use_is_told_by_workday_and_week(lowmark):
    even = data(lowmark, "usage")["items"][0]
    assert even["per_workday"] == pytest.approx(100, rel=0.03)
    assert even["per_week"] == pytest.approx(500, rel=0.03)


def test_as_of_an_earlier_moment_later_readings_do_not_exist(lowmark):
    early = json.loads(lowmark("lives", "--json", "--at", "2025-05-02T08:00:00+02:00"))
    assert [item["ended"] for item in early["items"] if item["printer"] == "Even"] == ["stillIn"]


@pytest.mark.parametrize("command", ["runout", "lives", "usage"])
def test_tables_take_what_a_printer_is_called_as_it_stands(lowmark, command):
    text = lowmark(command, "--at", AT)
    assert "Even" in text
    assert "New [bold]" in text


def test_tables_mark_what_is_urgent_without_colour(lowmark):
    line = next(line for line in lowmark("runout", "--at", "2025-07-16T08:00:00+02:00").splitlines() if "Even" in line)
    assert line.lstrip().startswith("!")
    assert " Jul " in line


def test_one_printer_or_one_site(lowmark):
    assert {item["printer"] for item in data(lowmark, "runout", "--printer", "S1")["items"]} == {"Even"}
    assert len(data(lowmark, "runout", "--site", "Main")["items"]) == 3
    assert "sites: Main" in lowmark("runout", "--site", "Elsewhere", status=2)


@pytest.mark.parametrize(("command", "words"), [("runout", "P50"), ("lives", "ran dry"), ("usage", "day of the week")])
def test_one_printer_is_drawn_in_the_terminal_and_as_an_image(lowmark, tmp_path, command, words):
    told = lowmark(command, "--printer", "Even", "--plot", "--image", "drawn.svg", "--at", AT)
    assert words in told
    assert "Written to drawn.svg." in told
    assert (tmp_path / "drawn.svg").read_text().startswith("<?xml")


def test_a_plot_of_a_whole_fleet_is_refused(lowmark):
    assert lowmark("runout", "--plot", status=2) is not None
    assert lowmark("runout", "--plot", "--json", "--printer", "Even", status=2) is not None
