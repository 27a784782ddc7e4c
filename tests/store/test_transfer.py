from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from agent.cli import csv_rows, history, transfer
from agent.model.reading import CONSUMED, RECEPTACLE, Mark
from agent.store import Store, StoreRefused
from tests.store.samples import (
    DAY,
    HOUR,
    MONDAY,
    contact,
    counts,
    everything,
    furnished,
    levels,
    silence,
    toner,
    waste,
)

HEADER = "at,printer,serial,model,site,supply,kind,colorant,unit,capacity,level,impressions"
ROWS = """\
2026-03-02T08:00:00+00:00,desk-1,TG00001,Tallgrass M40,Harrow Lane,toner:black,toner,black,percent,100,80,1000
2026-03-02T08:00:00+00:00,desk-1,TG00001,Tallgrass M40,Harrow Lane,wasteToner,wasteToner,,percent,,some,1000
2026-03-03T09:00:00+01:00,desk-1,TG00001,Tallgrass M40,Harrow Lane,toner:black,toner,black,percent,100,79,1050
2026-03-02T08:00:00Z,hall,,Quillon C720,Harrow Lane,,,,,,,20
"""


class Ran:
    def __init__(self, *arguments: str, given_input: bytes | None = None) -> None:
        app = typer.Typer()
        history.register(app)
        transfer.register(app)
        result = CliRunner().invoke(app, arguments, input=given_input)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        self.status, self.out, self.err = result.exit_code, result.stdout, result.stderr


@pytest.fixture
def place(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'lowmark.sqlite'}"


def csv_file(tmp_path: Path, rows: str, header: str = HEADER) -> str:
    file = tmp_path / "readings.csv"
    file.write_text(f"{header}\n{rows}", encoding="utf-8")
    return str(file)


def test_rows_from_elsewhere_become_a_history(tmp_path: Path, place: str) -> None:
    ran = Ran("import", csv_file(tmp_path, ROWS), "--store", place)
    assert (ran.status, ran.err) == (0, "")
    assert "4 rows taken in, 0 bad; 2 new printers" in ran.out
    with Store.open(place, create=False) as store:
        desk, hall = store.printers()
        assert (desk.serial, desk.model, desk.place.site, desk.first_seen) == (
            "TG00001",
            "Tallgrass M40",
            "Harrow Lane",
            MONDAY,
        )
        told = store.history(desk.id)
        assert levels(told) == [(MONDAY, 80), (MONDAY + DAY, 79)]
        assert levels(told, "wasteToner") == [(MONDAY, Mark.SOME)]
        assert counts(told) == [(MONDAY, 1000), (MONDAY + DAY, 1050)]
        assert {track.key: track.supply_class for track in told.supplies} == {
            "toner:black": CONSUMED,
            "wasteToner": RECEPTACLE,
        }
        assert counts(store.history(hall.id)) == [(MONDAY, 20)]


def test_same_rows_again_change_nothing(tmp_path: Path, place: str) -> None:
    file = csv_file(tmp_path, ROWS)
    Ran("import", file, "--store", place)
    before = everything(place)
    again = Ran("import", file, "--store", place)
    assert again.status == 0
    assert "0 new printers; nothing new to the store" in again.out
    backwards = csv_file(tmp_path, "\n".join(reversed(ROWS.splitlines())))
    assert "nothing new" in Ran("import", backwards, "--store", place).out
    assert everything(place) == before


def test_columns_in_any_order_and_only_those_that_are_there(tmp_path: Path, place: str) -> None:
    file = csv_file(tmp_path, "55,TG7,2026-03-02T08:00:00Z,toner\n", header="\ufeffLevel, serial ,at,kind")
    assert Ran("import", file, "--store", place).status == 0
    with Store.open(place) as store:
        (printer,) = store.printers()
        assert (printer.name, printer.serial) == ("TG7", "TG7")
        assert levels(store.history(printer.id), "toner") == [(MONDAY, 55)]


BAD = [
    ("2026-03-02T08:00:00,d,,,,toner:black,toner,,percent,100,80,", "at", "offset"),
    ("yesterday,d,,,,toner:black,toner,,percent,100,80,", "at", "'yesterday'"),
    ("2026-03-02T08:00:00Z,,,,,toner:black,toner,,percent,100,80,", "printer", "name"),
    ("2026-03-02T08:00:00Z,d,,,,,,,percent,100,80,", "supply", "toner:black"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,tonner,,percent,100,80,", "kind", "'tonner'"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,grams,100,80,", "unit", "tenthsOfGrams"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,percent,some,80,", "capacity", "'some'"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,percent,100,eighty,", "level", "'eighty'"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,percent,100,-4,", "level", "some or -3"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,percent,100,99999999999999999999,", "level", "2147483647"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,percent,100,80,1.5", "impressions", "'1.5'"),
    ("2026-03-02T08:00:00Z,d,,,,toner:black,toner,,percent,100,80", "impressions", "12 cells"),
    ("2026-03-02T08:00:00Z,d,,,,,,,,,,", "level", "tells neither"),
    ("0001-01-01T00:00:00+14:00,d,,,,toner:black,toner,,percent,100,80,", "at", "ISO 8601"),
    ("1970-01-01T00:00:00Z,d,,,,toner:black,toner,,percent,100,80,", "at", "since 1990"),
    (f"2026-03-02T08:00:00Z,{'d' * 300},,,,toner:black,toner,,percent,100,80,", "printer", "at most 255"),
    ("2026-03-02T08:00:00Z,d", "serial", "12 cells, as in line 1"),
]


@pytest.mark.parametrize(("row", "column", "words"), BAD)
def test_bad_row_is_named_by_line_and_column_and_the_good_ones_go_in(
    tmp_path: Path, place: str, row: str, column: str, words: str
) -> None:
    ran = Ran("import", csv_file(tmp_path, f'{ROWS}"a\nb",d,,,,toner,,,,,5,\n{row}\n{ROWS}'), "--store", place)
    assert ran.status == 1
    assert f"line 8, column {column}: found" in ran.err
    assert words in ran.err
    assert "line 6, column at" in ran.err, "a cell may hold a line break; the row is named by its first line"
    assert "8 rows taken in, 2 bad" in ran.out
    with Store.open(place) as store:
        assert levels(store.history(store.printers()[0].id))[-1] == (MONDAY + DAY, 79)


def test_bad_rows_for_a_program_to_read(tmp_path: Path, place: str) -> None:
    ran = Ran("import", csv_file(tmp_path, f"{ROWS}{BAD[0][0]}\n"), "--store", place, "--json")
    told = json.loads(ran.out)
    assert (ran.status, told["format"], told["good"], told["bad"]) == (1, "lowmark.import.v1", 4, 1)
    assert [(error["line"], error["column"]) for error in told["errors"]] == [(6, "at")]


def test_bytes_that_are_no_text_and_cells_without_end_are_bad_rows(tmp_path: Path, place: str) -> None:
    file = tmp_path / "readings.csv"
    good = ROWS.encode()
    endless = b"2026-03-02T08:00:00Z," + b"x" * 200_000 + b",,,,toner,toner,,,,5,\n"
    file.write_bytes(HEADER.encode() + b"\n2026-03-02T08:00:00Z,B\xfccherei,,,,toner,toner,,,,5,\n" + endless + good)
    ran = Ran("import", str(file), "--store", place)
    assert ran.status == 1
    assert "line 2, column printer" in ran.err
    assert "UTF-8" in ran.err
    assert "line 3, this is no row of CSV" in ran.err
    assert "4 rows taken in, 2 bad" in ran.out


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("at,printer,levle", "did you mean level?"),
        ("at;printer;level", "commas"),
        ("At,Printer,Lvl 2", "'Lvl 2'"),
        ("at,level", "printer (or serial)"),
        ("at,printer,level,level", "stands there twice"),
        ("", "must be there"),
    ],
)
def test_header_that_is_wrong_stops_before_anything_is_written(
    tmp_path: Path, place: str, header: str, words: str
) -> None:
    ran = Ran("import", csv_file(tmp_path, ROWS, header), "--store", place)
    assert ran.status == 2
    assert words in ran.err
    with Store.open(place) as store:
        assert store.printers() == ()


@pytest.mark.parametrize("octets", [HEADER.encode("utf-16"), b"\x1f\x8b\x08\x00\x01\xffat,printer", b"at,B\xfcro\n"])
def test_file_that_is_no_text_in_utf_8_is_told_so_and_not_shown(tmp_path: Path, place: str, octets: bytes) -> None:
    file = tmp_path / "readings.csv"
    file.write_bytes(octets)
    ran = Ran("import", str(file), "--store", place)
    assert (ran.status, "\\ud" in ran.err) == (2, False)
    assert "no text in UTF-8" in ran.err


def test_what_a_terminal_could_trip_over_does_not_come_in(tmp_path: Path, place: str) -> None:
    name = "Hall\x1b[31m \u202e7\x00"
    rows = f"2026-03-02T08:00:00Z,{name},S\u202e1,M\x9b1,\x07Lane,toner\x1b,toner,bl\u2066ack,percent,100,80,\n"
    assert Ran("import", csv_file(tmp_path, rows), "--store", place).status == 0
    with Store.open(place) as store:
        (printer,) = store.printers()
        told = (printer.name, printer.serial, printer.model, printer.place.site)
        (seen,) = store.history(printer.id).supplies
        assert all(text.isprintable() for text in (*told, seen.key)), told


def test_rows_from_the_future_are_taken_in_and_noted(tmp_path: Path, place: str) -> None:
    rows = "2999-01-01T00:00:00Z,d,,,,toner:black,toner,,percent,100,80,\n"
    ran = Ran("import", csv_file(tmp_path, rows), "--store", place)
    assert ran.status == 0
    assert "1 row taken in, 0 bad; 1 new printer;" in ran.out
    assert "the latest row is of 2999-01-01T00:00:00+00:00, which has not come yet" in ran.err


def test_file_that_is_empty_or_missing_is_told(tmp_path: Path, place: str) -> None:
    (tmp_path / "empty.csv").touch()
    empty = Ran("import", str(tmp_path / "empty.csv"), "--store", place)
    assert (empty.status, "is empty" in empty.err) == (2, True)
    missing = Ran("import", str(tmp_path / "nowhere.csv"), "--store", place)
    assert (missing.status, "cannot be read" in missing.err) == (2, True)


def test_printer_is_known_by_its_serial_number_then_by_its_name(tmp_path: Path, place: str) -> None:
    with Store.open(place) as store:
        furnished(store, 2)
        store.record([contact(1, MONDAY + 9 * DAY)])
    rows = (
        "2026-03-02T08:00:00Z,renamed,TG00001,,,toner:black,,,percent,100,95,\n"  # the serial number counts
        "2026-03-02T08:00:00Z,desk-2,,,,toner:black,,,percent,100,94,\n"  # no serial number: the name does
        "2026-03-02T08:00:00Z,desk-2,TG99999,,,toner:black,,,percent,100,93,\n"  # exchanged: another printer
    )
    assert "1 new printer;" in Ran("import", csv_file(tmp_path, rows), "--store", place).out
    with Store.open(place) as store:
        assert [one.name for one in store.printers()] == ["desk-1", "desk-2", "desk-2"]
        assert levels(store.history(1)) == [(MONDAY, 95), (MONDAY + 9 * DAY, 80)]
        assert levels(store.history(2)) == [(MONDAY, 94)]
        assert levels(store.history(3)) == [(MONDAY, 93)]


def lived(store: Store) -> None:
    """A fleet with a history of all sorts."""
    ids = furnished(store, 3)
    for n in range(40):
        at = MONDAY + n * 7 * HOUR
        store.record(
            [
                contact(ids[0], at, 80 - n // 3, 1000 + n // 2),
                silence(ids[1], at)
                if 10 < n < 25
                else contact(ids[1], at, supplies=(toner(Mark.SOME), waste(5))[: n % 3]),
                contact(ids[2], at),
            ]
        )


def test_export_imported_elsewhere_is_the_same_history(store: Store, url: str, tmp_path: Path) -> None:
    lived(store)
    file, elsewhere = str(tmp_path / "all.csv"), f"sqlite:///{tmp_path / 'elsewhere.sqlite'}"
    assert Ran("export", "--csv", file, "--store", url).status == 0
    assert Ran("import", file, "--store", elsewhere).status == 0
    with Store.open(elsewhere) as copy:
        for mine, theirs in zip(store.printers(), copy.printers(), strict=True):
            assert (mine.name, mine.serial, mine.place.site) == (theirs.name, theirs.serial, theirs.place.site)
            original, copied = store.history(mine.id), copy.history(theirs.id)
            for key in ("toner:black", "wasteToner"):
                assert levels(copied, key) == levels(original, key)
            assert counts(copied) == counts(original)
            assert [run for run in original.contacts if run.reachable][-1].last == copied.contacts[-1].last
            last = {one.key: one.level for one in copy.latest()[theirs.id].supplies}
            assert last == {one.key: one.level for one in store.latest()[mine.id].supplies}
    before = everything(url)
    assert "nothing new" in Ran("import", file, "--store", url).out, "the store knows all that it said itself"
    assert everything(url) == before
    assert Ran("export", "--store", elsewhere).out == Path(file).read_text(encoding="utf-8")


def test_idle_printer_is_exported_once_a_day_so_that_its_contact_stays_whole(place: str) -> None:
    with Store.open(place) as store:
        (desk,) = furnished(store)
        store.record([contact(desk, MONDAY + n * HOUR) for n in range(24 * 10)])
    rows = list(csv.DictReader(io.StringIO(Ran("export", "--store", place).out)))
    days = {row["at"][:10] for row in rows}
    assert len(days) >= 10
    assert len(rows) <= 15


def test_export_between_two_moments_and_of_one_printer(place: str) -> None:
    with Store.open(place) as store:
        lived(store)
    ran = Ran(
        "export",
        "--store",
        place,
        "--since",
        "2026-03-04T00:00:00Z",
        "--at",
        "2026-03-06T00:00:00Z",
        "--printer",
        "desk-1",
    )
    rows = list(csv.DictReader(io.StringIO(ran.out)))
    assert {row["printer"] for row in rows} == {"desk-1"}
    assert min(row["at"] for row in rows) >= "2026-03-04T00:00:00"
    assert max(row["at"] for row in rows) <= "2026-03-06T00:00:00+00:00"


def test_json_lines_hold_one_reading_each(place: str) -> None:
    with Store.open(place) as store:
        lived(store)
    lines = [json.loads(line) for line in Ran("export", "--jsonl", "-", "--store", place).out.splitlines()]
    assert {line["printer"] for line in lines} == {"desk-1", "desk-2", "desk-3"}
    first = lines[0]
    assert first["at"] == "2026-03-02T08:00:00+00:00"
    assert {one["supply"]: one["level"] for one in first["supplies"]} == {"toner:black": 80, "wasteToner": "some"}


def test_names_that_look_like_formulas_are_harmless_in_a_spreadsheet_and_come_back(tmp_path: Path, place: str) -> None:
    nasty = '=HYPERLINK("http://127.0.0.1/","x")'
    with Store.open(place) as store:
        import dataclasses

        from tests.store.samples import printer

        one = store.save_printer(dataclasses.replace(printer(), name=nasty, serial="'+49", model="@SUM(A1)"))
        store.record([contact(one.id, MONDAY)])
    file = str(tmp_path / "all.csv")
    Ran("export", "--csv", file, "--store", place)
    with Path(file).open(newline="", encoding="utf-8") as source:
        cells = [cell for row in csv.reader(source) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    elsewhere = f"sqlite:///{tmp_path / 'elsewhere.sqlite'}"
    Ran("import", file, "--store", elsewhere)
    with Store.open(elsewhere) as copy:
        (back,) = copy.printers()
        assert (back.name, back.serial, back.model) == (nasty, "'+49", "@SUM(A1)")


@given(st.text())
def test_guard_is_undone_exactly(text: str) -> None:
    assert csv_rows.unguard(csv_rows.guard(text)) == text
    assert not csv_rows.guard(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_export_without_a_store_says_where_to_look(tmp_path: Path, place: str) -> None:
    with pytest.raises(StoreRefused, match="there is no store at"):
        Ran("export", "--store", place)
    assert list(tmp_path.iterdir()) == []


def test_import_from_standard_input(place: str) -> None:
    ran = Ran("import", "-", "--store", place, given_input=f"{HEADER}\n{ROWS}".encode())
    assert (ran.status, "4 rows taken in" in ran.out) == (0, True)


# --- history and ledger -----------------------------------------------------------------------------------------


def shown(*arguments: str) -> Sequence[str]:
    ran = Ran(*arguments)
    assert ran.status == 0, ran.err
    return [line.strip() for line in ran.out.splitlines()]


def test_history_shows_first_last_and_a_plot(place: str) -> None:
    with Store.open(place) as store:
        (desk,) = furnished(store)
        store.record([contact(desk, MONDAY + n * HOUR, 100 - n, 1000 + 10 * n) for n in range(101)])
        store.record([silence(desk, MONDAY + 101 * HOUR)])
    lines = shown("history", "desk-1", "--store", place, "--at", "2026-03-08T00:00:00Z")
    assert "desk-1, Tallgrass M40, Harrow Lane Library, Main, 1, 1.1" in lines[0]
    assert lines[1].startswith("Silent since Fri 6 Mar 13:00, answered last at Fri 6 Mar 12:00")
    toner_line = next(line for line in lines if line.startswith("black toner"))
    assert "100 %" in toner_line
    assert " 0 %" in toner_line
    plot = toner_line.split()[-1]
    assert 10 <= len(plot) <= 40
    order = history._BARS if plot[-1] in history._BARS else history._DIGITS
    heights = [order.index(bar) for bar in plot]
    assert heights == sorted(heights, reverse=True)
    assert (heights[0], heights[-1]) == (7, 0)
    life = next(line for line in lines if line.startswith("life"))
    assert "1,000" in life
    assert "2,000" in life
    assert "~" * len(plot) in next(line for line in lines if line.startswith("waste toner box"))


def test_history_as_json_has_every_point(place: str) -> None:
    with Store.open(place) as store:
        (desk,) = furnished(store)
        store.record([contact(desk, MONDAY + n * HOUR, 100 - n // 5) for n in range(20)])
    told = json.loads(Ran("history", "TG00001", "--json", "--store", place, "--since", "2026-03-02T10:30:00Z").out)
    assert told["format"] == "lowmark.history.v1"
    assert told["printer"]["name"] == "desk-1"
    (black,) = [one for one in told["supplies"] if one["supply"] == "toner:black"]
    assert [(point["at"], point["level"]) for point in black["points"]] == [
        ("2026-03-02T08:00:00+00:00", 100),
        ("2026-03-02T13:00:00+00:00", 99),
        ("2026-03-02T18:00:00+00:00", 98),
        ("2026-03-02T23:00:00+00:00", 97),
    ]
