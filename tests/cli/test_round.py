"""lowmark round, from a store with a past to the terminal, JSON and paper."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from agent.cli import build
from agent.insight.rounds import plan_round
from agent.web.shapes_round import round_data
from tests.cli.stocked import AT, SETTINGS, furnish, settings_file
from tests.insight.walked import KIT, NOW, alarm, forecast, item, morning, printer, spot

DOCS = Path(__file__).parents[2] / "docs" / "json-round.md"
WALK = """\
rounds:
  days: [mon, tue, wed, thu, fri]
  sites:
    - {site: Depot, days: [mon], walk: 40m}
listen: {public_url: "https://lowmark.harrow-lane.example/"}
"""


@pytest.fixture(scope="module")
def furnished(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("library") / "history.sqlite"
    furnish(f"sqlite:///{path}")
    return path


@pytest.fixture
def lowmark(furnished, tmp_path, monkeypatch):
    monkeypatch.setenv("LOWMARK_STORE", f"sqlite:///{furnished}")
    monkeypatch.setenv("LOWMARK_SETTINGS", str(settings_file(tmp_path)))
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.chdir(tmp_path)

    def call(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(build(), ["round", *words])
        assert result.exit_code == status, result.output
        return result.output

    return call


def test_the_round_says_where_what_why_and_how_long(lowmark):
    text = lowmark("--at", AT)
    assert re.search(
        r"Round at all sites on Wed 11 Jun 2025: \d+ visits?, \d+ jobs?, about .* Next round: Thu 12 Jun", text
    )
    assert "Calibrate the colours" in text
    assert "but not proven" in text  # the drum whose counter nobody reset
    assert "Take care (common practice" in text
    assert "\x1b[" not in text


def test_explain_shows_the_sums(lowmark):
    text = lowmark("--at", AT, "--explain")
    for word in ("Chance", "= Risk", "= Now", "Later", "due by itself"):
        assert word in text


def test_one_site_alone(lowmark):
    found = json.loads(lowmark("--at", AT, "--site", "Depot", "--json"))
    assert found["site"] == "Depot"
    assert {one["place"]["site"] for one in (*found["visits"], *found["waits"])} == {"Depot"}


def test_a_site_with_days_of_its_own_is_visited_on_these(lowmark, tmp_path):
    settings_file(tmp_path, SETTINGS + WALK)
    found = json.loads(lowmark("--at", AT, "--json"))
    assert {one["place"]["site"] for one in found["visits"]} == {"Main library"}
    due = [one for one in found["waits"] if one["is_due"]]
    (why,) = [one["why"] for one in due]
    kept = "due, but no round is made at Depot that day; the next is on Mon 16 Jun"
    assert why == f"{kept}; due after the exchange of cyan toner (Sat 7 Jun)"
    found = json.loads(lowmark("--at", AT, "--json", "--day", "2025-06-16"))
    assert {one["place"]["site"] for one in found["visits"]} == {"Main library", "Depot"}
    assert {one["walk"] for one in found["visits"]} == {10, 40}
    found = json.loads(lowmark("--at", AT, "--json", "--site", "Depot"))
    assert (found["day"], found["next_day"]) == ("2025-06-16", "2025-06-23")


def test_the_paper_is_written_where_it_is_said(lowmark, tmp_path):
    assert "Written: round-depot-2025-06-11.pdf" in lowmark("--at", AT, "--site", "Depot", "--print")
    assert (tmp_path / "round-depot-2025-06-11.pdf").read_bytes().startswith(b"%PDF-")
    assert "Written: mine.pdf" in lowmark("--at", AT, "--to", "mine.pdf")
    assert "cannot be written" in lowmark("--at", AT, "--to", "nowhere/mine.pdf", status=2)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--site", "Depo"), "did you mean Depot?"),
        (("--day", "tomorrow"), "is no day; write it like 2026-03-02"),
        (("--day", "2025-06-10"), "2025-06-10 is over"),
    ],
)
def test_what_cannot_be_is_said(lowmark, words, said):
    assert said in re.sub(r"[\s│]+", " ", lowmark("--at", AT, *words, status=2))


def test_a_round_of_the_past_knows_nothing_later(lowmark):
    before = json.loads(lowmark("--json", "--at", "2025-05-20T08:00:00+02:00"))
    assert before["day"] == "2025-05-20"
    assert all(
        one["kind"] != "unproven" for visit in before["visits"] for card in visit["cards"] for one in card["why"]
    )


# --- the documented shape ---------------------------------------------------------------------------------------------


def example() -> dict:
    return json.loads(DOCS.read_text("utf-8").split("```json", 1)[1].split("```", 1)[0])


def everything() -> dict:
    """A round with something in every list."""
    made = plan_round(
        morning(
            spot(printer(1, "Quillon C720"), forecast(1, "toner:cyan", 0.5), forecast(1, "wasteToner", 3)),
            spot(printer(2), forecast(2, "toner:black", 0.4), items=[item(2, KIT, "overdue", left=-4)]),
            spot(printer(3), forecast(3, "toner:black", 12)),
            stock={("QU-C", "Cupboard 3"): 3, ("TG-40K", "Cupboard 3"): 0},
            alarms=[alarm(2, "supplyBelow", "toner:black")],
        ),
        NOW + timedelta(hours=1),
    )
    return {"format": "lowmark.round.v1", **round_data(made)}


def shape(value: object, path: str = "") -> dict[str, set[str]]:
    """Every object's keys by its path."""
    found: dict[str, set[str]] = {}
    if isinstance(value, list):
        for one in value:
            for where, keys in shape(one, f"{path}[]").items():
                found[where] = found.get(where, set()) | keys
    if isinstance(value, dict):
        found[path] = set(value)
        for key, inner in value.items():
            found |= shape(inner, f"{path}.{key}")
    return found


def test_the_example_of_the_documentation_has_the_shape_that_is_printed():
    assert shape(example()) == shape(everything())


def test_every_key_and_kind_is_documented():
    text = DOCS.read_text("utf-8").split("## Example", 1)[0]
    documented = set(re.findall(r"`([a-zA-Z0-9_]+)`", text))
    made = everything()
    assert set().union(*shape(made).values()) <= documented
    cards = [card for visit in made["visits"] for card in visit["cards"]]
    assert {one["kind"] for card in cards for one in card["why"]} <= documented
    assert {one["stage"] for card in cards for one in card["steps"]} <= documented
    assert {card["urgency"] for card in cards} <= documented


def test_money_is_text_and_everything_else_is_plain():
    made = everything()
    moneys = [one["money"] for one in made["weighings"] if one["money"] is not None]
    assert moneys
    assert all(re.fullmatch(r"\d+\.\d\d", one) for one in moneys)
