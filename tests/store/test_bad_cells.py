"""A bad row of an import is told whole: every cell that cannot be understood, by its column."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.cli import csv_rows
from tests.store.test_transfer import HEADER, ROWS, Ran, csv_file

AMOUNTS = ("percent", "some", "-4", "80", "1.5")
CELLS = st.sampled_from(("", " ", "2026-03-02T08:00:00Z", "yesterday", "desk-1", "toner:black", "x" * 300, *AMOUNTS))


@pytest.fixture
def place(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'lowmark.sqlite'}"


def test_every_bad_cell_of_a_row_is_named_and_the_row_is_one_bad_row(tmp_path: Path, place: str) -> None:
    row = "yesterday,,,,,toner:black,tonner,,grams,some,eighty,1.5"
    ran = Ran("import", csv_file(tmp_path, f"{ROWS}{row}\n"), "--store", place)
    assert ran.status == 1
    named = [line.partition(", line 6, column ")[2].partition(":")[0] for line in ran.err.splitlines()]
    assert named == ["at", "printer", "kind", "unit", "capacity", "level", "impressions"]
    assert "4 rows taken in, 1 bad" in ran.out
    told = json.loads(Ran("import", csv_file(tmp_path, f"{ROWS}{row}\n"), "--store", place, "--json").out)
    assert (told["bad"], [(one["line"], one["column"]) for one in told["errors"]]) == (1, [(6, one) for one in named])


def test_a_cell_that_is_no_text_is_named_beside_the_other_bad_ones(tmp_path: Path, place: str) -> None:
    file = tmp_path / "readings.csv"
    file.write_bytes(HEADER.encode() + b"\nyesterday,B\xfccherei,,,,toner,toner,,,,eighty,\n")
    ran = Ran("import", str(file), "--store", place)
    named = [line.partition(", line 2, column ")[2].partition(":")[0] for line in ran.err.splitlines()]
    assert named == ["at", "printer", "level"]


@given(st.fixed_dictionaries(dict.fromkeys(csv_rows.COLUMNS, CELLS)))
def test_a_row_has_faults_exactly_when_it_cannot_be_read_and_the_first_one_met_is_among_them(row):
    faults = csv_rows.faults(row)
    assert [one.column for one in faults] == sorted({one.column for one in faults}, key=csv_rows.COLUMNS.index)
    said = refused(row)
    # That a row tells nothing at all is said of it as a whole, when every cell by itself is well.
    assert (said in map(str, faults)) if faults else ("tells neither" in said or not said)


def refused(row: dict[str, str]) -> str:
    """Why the row cannot be read; "" where it can."""
    try:
        csv_rows.read(row)
    except csv_rows.Wrong as wrong:
        return str(wrong)
    return ""
