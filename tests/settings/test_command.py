"""``lowmark settings``: what it prints and with which exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from agent.cli.settings import register
from agent.settings import example, json_schema


@pytest.fixture
def app() -> typer.Typer:
    made = typer.Typer()
    register(made)
    return made


def test_a_right_file_is_summed_up(app: typer.Typer, tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    file.write_text(example())
    result = CliRunner().invoke(app, ["settings", "check", str(file)])
    assert result.exit_code == 0
    assert "is fine" in result.stdout
    assert "2 listed, 9 addresses in ranges" in result.stdout
    assert "LOWMARK_COMMUNITY is not set" in result.stdout


def test_a_wrong_file_gives_every_error_and_status_2(app: typer.Typer, tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    file.write_text("zone: [bold]Narnia[/bold]\n")
    result = CliRunner().invoke(app, ["settings", "check", str(file)])
    assert result.exit_code == 2
    file.write_text("zone: Narnia\npoling: 3\n")
    result = CliRunner().invoke(app, ["settings", "check", str(file)])
    assert result.exit_code == 2
    assert f"{file}:1:7: zone: found " in result.stderr
    assert f"{file}:2:1: poling: found an unknown key" in result.stderr
    assert "2 things to mend" in result.stderr


def test_what_only_things_beside_the_file_can_tell_is_said_with_its_place_too(app: typer.Typer, tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    (tmp_path / "broken.toml").write_text("[[oddity]]\n")
    file.write_text(
        "sites: {A: {zone: UTC, holidays: QQ}, B: {zone: UTC, holidays: GB-EN}, C: {zone: UTC, holidays: GB}}\n"
        "calendars: {office: {holidays: XX}}\n"
        "oddity_tables: [nowhere.toml, broken.toml]\n"
        "poling: 3\n"
    )
    result = CliRunner().invoke(app, ["settings", "check", str(file)])
    assert result.exit_code == 2
    lines = [line.removeprefix(f"{file}:") for line in result.stderr.splitlines()]
    assert [line.split(": found")[0] for line in lines[:-1]] == [
        "1:34: sites.A.holidays",
        "1:64: sites.B.holidays",
        "2:32: calendars.office.holidays",
        "3:17: oddity_tables[0]",
        "3:31: oddity_tables[1]",
        "4:1: poling",
    ]
    assert "did you mean GB-ENG?" in result.stderr
    assert "6 things to mend" in result.stderr


def test_an_oddity_that_nobody_knows_is_an_error_of_its_printer(app: typer.Typer, tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    (tmp_path / "ours.toml").write_text("")
    file.write_text("oddity_tables: ours.toml\nprinters: [{address: 192.0.2.1, oddities: [nosuch]}]\n")
    result = CliRunner().invoke(app, ["settings", "check", str(file)])
    assert result.exit_code == 2
    assert f'{file}:2:44: printers[0].oddities[0]: found "nosuch", expected one of the oddities: ' in result.stderr


def test_json_has_the_same(app: typer.Typer, tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    file.write_text("poling: 3\n")
    result = CliRunner().invoke(app, ["settings", "check", str(file), "--json"])
    found = json.loads(result.stdout)
    assert result.exit_code == 2
    assert found["format"] == "lowmark.settings-check.v1"
    assert found["errors"][0]["key"] == "poling"
    assert found["errors"][0]["line"] == 1
    file.write_text("printers: [{range: 192.0.2.0/30}]\n")
    found = json.loads(CliRunner().invoke(app, ["settings", "check", str(file), "--json"]).stdout)
    assert found["valid"] is True
    counts = found["counts"]
    assert counts["addresses_from_ranges"] == 2
    assert set(counts) == {
        "addresses_listed",
        "addresses_from_ranges",
        "sites",
        "credentials",
        "alarms",
        "channels",
    }


def test_the_file_may_come_from_the_environment(app: typer.Typer, tmp_path: Path) -> None:
    file = tmp_path / "lowmark.yaml"
    file.write_text("zone: UTC\n")
    assert CliRunner().invoke(app, ["settings", "check"], env={"LOWMARK_SETTINGS": str(file)}).exit_code == 0
    assert CliRunner().invoke(app, ["settings", "check"]).exit_code == 2


def test_example_and_schema_are_printed_whole(app: typer.Typer) -> None:
    assert CliRunner().invoke(app, ["settings", "example"]).stdout == example()
    assert json.loads(CliRunner().invoke(app, ["settings", "schema"]).stdout) == json_schema()
