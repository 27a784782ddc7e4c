"""lowmark upkeep, service, shelf and yields, from the command line to the store and back."""

from __future__ import annotations

import json
import re
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from agent.cli import service, shelf, upkeep, yields
from agent.model.failure import Failure
from agent.store import Store
from tests.cli.shapes import keys_in
from tests.cli.stocked import AT, furnish, settings_file

DOCS = Path(__file__).parents[2] / "docs" / "json-upkeep.md"


@pytest.fixture(scope="module")
def furnished(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("library") / "history.sqlite"
    furnish(f"sqlite:///{path}")
    return path


@pytest.fixture
def url(furnished, tmp_path) -> str:
    """A copy of the library for each test."""
    copy = tmp_path / "history.sqlite"
    copy.write_bytes(furnished.read_bytes())
    return f"sqlite:///{copy}"


@pytest.fixture
def lowmark(url, tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "260")
    monkeypatch.setenv("LOWMARK_STORE", url)
    monkeypatch.setenv("LOWMARK_SETTINGS", str(settings_file(tmp_path)))
    program = typer.Typer(pretty_exceptions_enable=False)
    for area in (upkeep, service, shelf, yields):
        area.register(program)

    def run(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(program, list(words))
        if isinstance(result.exception, Failure):  # as the program's main says it
            assert result.exception.status == status, str(result.exception)
            return result.output + str(result.exception)
        assert result.exit_code == status, result.output
        return result.output

    return run


def data(lowmark, *words: str) -> dict:
    return json.loads(lowmark(*words, "--json", "--at", AT))


def plain(text: str) -> str:
    """Without the frames that stand around errors, on one line."""
    return re.sub(r"[│╭╮╰╯─\s]+", " ", text)


def entries(url: str, *kinds: str):
    with Store.open(url) as store:
        return store.ledger(kinds=set(kinds))


# --- upkeep -----------------------------------------------------------------------------------------------------------


def test_upkeep_shows_what_is_due_with_its_reasons_and_cautions(lowmark):
    text = lowmark("upkeep", "--at", AT)
    assert "Exchange the drum" not in text
    assert "Exchange the drum" in lowmark("upkeep", "--all", "--at", AT)
    assert "Reading room: drum was logged on Thu 22 May, but the printer still shows black drum at" in text
    assert "Calibrate the colours" in text
    assert "cyan toner (Sat 7 Jun)" in text
    assert "\x1b[" not in text


def test_names_of_printers_are_shown_as_they_are(lowmark):
    assert "[red]Desk" in lowmark("upkeep", "--all", "--at", AT)


def test_upkeep_as_json(lowmark):
    found = data(lowmark, "upkeep")
    assert found["format"] == "lowmark.upkeep.v1"
    assert found["as_of"] == AT
    items = {(one["printer"], one["plan"]): one for one in found["items"]}
    drum = items["Reading room", "drum"]
    begin = {"at": "2025-05-22T06:00:00+00:00", "count": 11_600, "who": "Night desk", "assumed": False}
    assert drum["begin"] == begin
    assert drum["due_count"] == drum["count"] + drum["left"]
    for name in ("p10", "p50", "p90"):
        date.fromisoformat(drum["expected"][name])
    assert drum["expected"]["p10"] <= drum["expected"]["p50"] <= drum["expected"]["p90"]
    assert "The kit weighs 6 kg" in items["Depot", "kit"]["cautions"]
    assert items["Depot", "calibration"]["state"] == "due"
    assert ("Depot", "drum") not in items
    assert ("Reading room", "calibration") not in items
    kinds = {(one["printer"], one["kind"]) for one in found["disagreements"]}
    assert kinds == {("Reading room", "counterNotReset"), ("[red]Desk", "serviceNotLogged")}


def test_one_printer_alone(lowmark):
    found = data(lowmark, "upkeep", "--printer", "depot")
    assert {one["printer"] for one in found["items"]} == {"Depot"}
    assert "There is no printer" in lowmark("upkeep", "--printer", "nowhere", status=2)


def test_a_suggestion_is_accepted_with_one_command(lowmark, url):
    said = lowmark("upkeep", "accept", "[red]Desk", "drum", "--by", "Night desk", "--at", AT)
    assert "drum accepted as done at 10," in said
    (entry,) = [one for one in entries(url, "service") if one.printer_id == 2]
    assert (entry.who, entry.data["accepted"], entry.subject) == ("Night desk", True, "drum")
    assert entry.at.date() == date(2025, 5, 12)
    assert entry.data["renews"] == "opc:black"
    kinds = {(one["printer"], one["kind"]) for one in data(lowmark, "upkeep")["disagreements"]}
    assert kinds == {("Reading room", "counterNotReset")}
    assert "waits to be accepted" in lowmark("upkeep", "accept", "[red]Desk", "drum", "--at", AT, status=2)


# --- service ----------------------------------------------------------------------------------------------------------


def test_a_service_closes_the_item_and_starts_the_next_interval(lowmark, url):
    # The drum's counter was at 0.3 and is not reset: the printer will be found to disagree, the plan starts anew.
    moment = "2025-06-11T07:00:00+02:00"
    said = lowmark(
        "service", "Reading room", "--did", "drum, kit", "--by", "Night desk", "--counter", "14400", "--at", moment
    )
    assert "drum, kit done at 14,400" in said
    assert "black drum as new" in said
    assert "Now due" not in said
    found = data(lowmark, "upkeep", "--printer", "Reading room")
    items = {one["plan"]: one for one in found["items"]}
    assert (items["drum"]["left"], items["kit"]["left"]) == (30_000, 20_000)
    assert items["kit"]["begin"]["count"] == 14_400
    (entry,) = [one for one in entries(url, "service") if one.subject == "drum, kit"]
    assert (entry.data["deed1"], entry.data["deed2"], entry.data["renews1"]) == ("drum", "kit", "opc:black")


def test_what_follows_is_said(lowmark):
    said = lowmark("service", "Depot", "--did", "toner:cyan", "--part", "QU-C", "--place", "Depot shelf", "--at", AT)
    assert "Now due: Calibrate the colours." in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--did", "drun"), "did you mean drum?"),
        (("--did", "dancing"), "known here: drum, kit"),
        (("--did", " , "), "--did says nothing"),
        (("--did", "drum", "--part", "TG-DX"), "no part 'TG-DX'"),
        (("--did", "drum", "--place", "Roof"), "no place 'Roof'"),
        (("--did", "drum", "--at", "2999-01-01T00:00:00Z"), "has not come yet"),
        (("--did", "drum", "--counter", "-5"), "greater than or equal to 0"),
        (("--did", "toner:cyan"), "did you mean toner:black?"),
    ],
)
def test_a_service_that_cannot_be_is_refused_and_nothing_is_written(lowmark, url, words, said):
    before = len(entries(url, "service"))
    assert said in plain(lowmark("service", "Reading room", *words, status=2))
    assert len(entries(url, "service")) == before


# --- shelf ------------------------------------------------------------------------------------------------------------


def test_the_shelf_from_empty_to_an_order_and_its_arrival(lowmark):
    assert "Now Cupboard 3: 4" in lowmark("shelf", "in", "TG-40K", "4", "--place", "Cupboard 3", "--by", "Night desk")
    assert "Now Cupboard 3: 3" in lowmark("shelf", "out", "TG-40K", "1", "--place", "Cupboard 3", "--remark", "damaged")
    assert "Now Cupboard 3: 7" in lowmark("shelf", "recount", "TG-40K", "7", "--place", "Cupboard 3")
    assert "3 on order" in lowmark("shelf", "order", "QU-C", "3")
    assert "2 on order" in lowmark("shelf", "withdraw", "QU-C", "1")
    assert "Now Depot shelf: 2" in lowmark("shelf", "arrived", "QU-C", "2", "--place", "Depot shelf")


def test_the_recount_keeps_what_the_books_said(lowmark, url):
    lowmark("shelf", "in", "TG-40K", "4", "--place", "Cupboard 3")
    lowmark("shelf", "recount", "TG-40K", "2", "--place", "Cupboard 3", "--by", "Night desk")
    (entry,) = entries(url, "shelfRecounted")
    assert dict(entry.data) == {"count": 2, "place": "Cupboard 3", "before": 4}
    assert (entry.who, entry.printer_id, entry.subject) == ("Night desk", None, "TG-40K")


def test_a_service_takes_a_part_off_the_shelf(lowmark):
    began = (datetime.now(UTC) - timedelta(minutes=9)).isoformat()
    lowmark("shelf", "in", "TG-DR", "2", "--place", "Cupboard 3", "--at", began)
    lowmark("shelf", "in", "TG-40K", "2", "--place", "Cupboard 3", "--at", began)
    lowmark("service", "Reading room", "--did", "drum,toner:black")
    stock = {one["part"]: one["count"] for one in json.loads(lowmark("shelf", "--json"))["stock"]}
    assert stock == {"TG-DR": 1, "TG-40K": 1}
    # A second entry soon after corrects the first: the cartridge came from elsewhere.
    lowmark("service", "Reading room", "--did", "toner:black", "--no-part")
    assert {one["part"]: one["count"] for one in json.loads(lowmark("shelf", "--json"))["stock"]}["TG-40K"] == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("in", "TG-40", "1", "--place", "Cupboard 3"), "did you mean TG-40K?"),
        (("in", "TG-40K", "1"), "say where"),
        (("in", "TG-40K", "1", "--place", "Cupbord 3"), "did you mean Cupboard 3?"),
        (("in", "TG-40K", "0", "--place", "Cupboard 3"), "greater than or equal to 1"),
        (("in", "TG-40K", "many", "--place", "Cupboard 3"), "valid integer"),
        (("out", "TG-40K", "1", "--place", "Cupboard 3"), "a shelf holds no less than nothing"),
        (("arrived", "TG-40K", "1", "--place", "Cupboard 3"), "none is on order"),
        (("withdraw", "TG-40K", "1"), "only 0 on order"),
        (("order", "TG-40K", "1", "--at", "2999-01-01T00:00:00Z"), "has not come yet"),
        (("recount", "TG-40K", "1", "--place", "Cupboard 3", "--at", "yesterday"), "no ISO 8601 moment"),
    ],
)
def test_what_a_shelf_cannot_do_is_said_and_not_written(lowmark, url, words, said):
    assert said in plain(lowmark("shelf", *words, status=2))
    assert entries(url, "shelfCountedIn", "shelfCountedOut", "ordered", "orderArrived", "shelfRecounted") == ()


def test_an_order_that_the_maker_does_not_pack_is_written_with_a_word(lowmark):
    assert "comes in packs of 2" in lowmark("shelf", "order", "QU-C", "3")


def test_the_shelf_as_json(lowmark):
    found = json.loads(lowmark("shelf", "--json", "--at", "2025-06-05T08:00:00+02:00"))
    assert found["format"] == "lowmark.shelf.v1"
    assert (found["currency"], found["service_level"]) == ("EUR", 0.95)
    parts = {one["part"]: one for one in found["parts"]}
    assert parts["TG-40K"]["price"] == "89.50"
    assert {one["printer"] for one in parts["TG-40K"]["fits"]} == {"Reading room", "[red]Desk"}
    assert parts["TG-40K"]["fits"][0]["supplies"] == ["toner:black"]
    advice = {one["part"]: one for one in found["advice"]}
    cyan = advice["QU-C"]
    assert cyan["method"] == "forecasts"
    assert (cyan["order"], cyan["by"]) == (2, "2025-06-05")  # one is needed, and they come in packs of two
    assert set(cyan["demand"]) == {"mean", "p10", "p50", "p90"}
    assert 0 <= cyan["stock_out"] <= 1
    assert Decimal(cyan["cost"]) == 120 * cyan["order"]
    assert cyan["because"][0]["printer"] == "Depot"


def test_the_shelf_as_a_table(lowmark):
    lowmark("shelf", "in", "TG-40K", "4", "--place", "Cupboard 3")
    text = lowmark("shelf")
    assert "Cupboard 3 4" in text
    assert "never counted" in text
    assert "Orders (enough with a chance of 95 %)" in text


def test_without_settings_parts_are_what_is_counted(url, monkeypatch, tmp_path, lowmark):
    monkeypatch.delenv("LOWMARK_SETTINGS")
    monkeypatch.chdir(tmp_path / "..")
    assert "no part is known" in lowmark("shelf")
    assert "Now shelf: 2" in lowmark("shelf", "in", "Anything", "2")
    assert "Anything" in lowmark("shelf")


# --- yields -----------------------------------------------------------------------------------------------------------


def test_yields_as_json(lowmark):
    found = data(lowmark, "yields")
    assert found["format"] == "lowmark.yields.v1"
    black = next(one for one in found["models"] if one["supply"] == "toner:black")
    assert (black["part"], black["declared"]) == ("TG-40K", 6000)
    assert black["figure"] is None
    assert black["reason"].startswith("n too small")
    costs = {one["name"]: one for one in found["printers"]}
    assert Decimal(costs["Reading room"]["per_page"]) > Decimal("0.0149")
    assert costs["Reading room"]["site"] == "Main library"
    assert {one["name"] for one in found["by_site"]} == {"Main library", "Depot"}
    assert {one["name"] for one in found["by_model"]} == {"Tallgrass M40", "Quillon C720"}
    assert found["fleet"]["impressions"] == sum(one["impressions"] for one in found["printers"])
    lost = [Decimal(one["money_lost"]) for one in found["lives"] if one["money_lost"] is not None]
    assert sum(lost) == Decimal(found["fleet"]["lost"])


def test_yields_as_tables(lowmark):
    text = lowmark("yields", "--lives", "--at", AT)
    assert "Yields in pages" in text
    assert "n too small" in text
    assert "EUR a page" in text
    assert "[red]Desk" in text
    assert "swapped early" in text


# --- the documented shapes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["upkeep", "shelf", "yields"])
def test_every_key_of_the_json_is_documented(lowmark, command):
    section = DOCS.read_text("utf-8").split(f"## lowmark {command}", 1)[1].split("\n## ", 1)[0]
    documented = set(re.findall(r"`([a-z0-9_]+)`", section))
    lowmark("shelf", "in", "TG-40K", "4", "--place", "Cupboard 3", "--at", AT)
    lowmark("shelf", "order", "TG-40K", "4", "--at", AT)
    assert keys_in(data(lowmark, command)) - documented == set()


# --- from a file of readings ---------------------------------------------------------------------------------------


def test_an_import_of_readings_is_all_that_the_commands_need(tmp_path, monkeypatch):
    import csv

    from agent.cli import build
    from tests.cli.stocked import pasts

    rows = tmp_path / "readings.csv"
    with rows.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(
            ["at", "printer", "model", "site", "supply", "kind", "colorant", "unit", "capacity", "level", "impressions"]
        )
        for past in pasts():
            told = past.history()
            printer = told.printer
            who = (printer.name, printer.model, printer.place.site)
            for point in told.counters[0].points:
                out.writerow([point.at.isoformat(), *who, "", "", "", "", "", "", point.value])
            for track in told.supplies:
                for level in track.points:
                    what = (track.key, track.kind, track.colorant, "percent", 100, level.level, "")
                    out.writerow([level.at.isoformat(), *who, *what])
    monkeypatch.setenv("LOWMARK_STORE", f"sqlite:///{tmp_path / 'imported.sqlite'}")
    monkeypatch.setenv("LOWMARK_SETTINGS", str(settings_file(tmp_path)))

    def lowmark(*words: str) -> dict:
        result = CliRunner().invoke(build(), list(words))
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)

    lowmark("import", str(rows), "--json")
    found = lowmark("upkeep", "--json", "--at", AT)
    assert {(one["printer"], one["plan"]) for one in found["disagreements"]} == {("[red]Desk", "drum")}
    kit = next(one for one in found["items"] if (one["printer"], one["plan"]) == ("Depot", "kit"))
    assert (kit["count"], kit["left"]) == (11_520, 8_480)
    advice = lowmark("shelf", "--json", "--at", "2025-06-05T08:00:00+02:00")["advice"]
    assert [one["order"] for one in advice if one["part"] == "QU-C"] == [2]
    fleet = lowmark("yields", "--json", "--at", AT)["fleet"]
    assert fleet["impressions"] == 40_320
