"""What the commands print at the widths of terminals: nothing too long, nothing broken, nothing left out."""

from __future__ import annotations

import io
import re

import pytest
from rich.cells import cell_len
from rich.console import Console
from typer.testing import CliRunner

from agent.cli import PANELS, build
from agent.cli.listing import Listing
from agent.cli.round import show_lines
from agent.cli.show import plain, table
from agent.insight.rounds import plan_round
from agent.model.fleet import LedgerEntry
from agent.model.round import Rhythm, RoundTerms
from agent.store import Store
from tests.cli.stocked import AT, furnish, settings_file
from tests.insight.printed import START
from tests.insight.walked import DRUM, KIT, NOW, forecast, item, morning, printer, spot

WIDTHS = (80, 100, 140)
COMMANDS = (
    "round", "round --explain", "runout", "lives", "usage", "upkeep", "upkeep --all", "shelf", "yields", "proofs",
    "suggestions", "alarms --report",
)  # fmt: skip
NAMED = ("round", "runout", "lives", "usage", "upkeep --all")
KEYS = re.compile(r"\b(toner|opc|inkCartridge|wasteToner|transferUnit):[a-z]+|\btransferUnit\b|\bwasteToner\b")


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    directory = tmp_path_factory.mktemp("widths")
    url = f"sqlite:///{directory / 'history.sqlite'}"
    furnish(url)
    with Store.open(url) as store:
        store.append_ledger([LedgerEntry(START, "service", "drum done", 1, "toner:black, drum", "Night desk", {})])
    return url, str(settings_file(directory))


@pytest.fixture
def lowmark(library, monkeypatch):
    monkeypatch.setenv("LOWMARK_STORE", library[0])
    monkeypatch.setenv("LOWMARK_SETTINGS", library[1])

    def call(words: str, width: int) -> str:
        monkeypatch.setenv("COLUMNS", str(width))
        result = CliRunner().invoke(build(), [*words.split(), "--at", AT])
        assert result.exit_code in (0, 1), result.output
        return result.output

    return call


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("words", COMMANDS)
def test_no_line_is_longer_than_the_terminal_is_wide(lowmark, words, width):
    text = lowmark(words, width)
    assert [line for line in text.splitlines() if cell_len(line.rstrip()) > width] == []
    assert "…" not in text


@pytest.mark.parametrize("words", NAMED)
def test_every_printers_name_is_whole_at_80_columns(lowmark, words):
    text = lowmark(words, 80)
    assert "Reading room" in text
    wide = lowmark(words, 200)
    for name in ("[red]Desk", "Depot"):
        assert (name in text) == (name in wide)


@pytest.mark.parametrize("words", COMMANDS)
def test_no_key_of_a_supply_stands_where_a_person_reads(lowmark, words):
    # What is to be typed as it stands, such as --did toner:cyan, keeps its key; so does the id of a suggestion.
    lines = [
        line
        for line in lowmark(words, 140).splitlines()
        if "lowmark " not in line and not re.search(r"\d+-\d{8}T\d{6}-", line)
    ]
    assert [line for line in lines if KEYS.search(line)] == []


@pytest.mark.parametrize("words", ["round", "round --explain", "runout", "lives", "upkeep --all", "shelf"])
def test_days_have_one_form(lowmark, words):
    assert re.findall(r"\b20\d\d-\d\d-\d\d\b", lowmark(words, 140)) == []


def test_the_round_is_a_block_a_visit_where_there_is_no_room_for_columns(monkeypatch, capsys):
    made = plan_round(
        morning(
            spot(printer(1, "Quillon C720", room="Reading room"), forecast(1, "toner:cyan", 0.5)),
            spot(printer(2), forecast(2, "toner:black", 0.4), items=[item(2, KIT, "overdue", left=-4)]),
        ),
        NOW,
    )
    monkeypatch.setenv("COLUMNS", "80")
    show_lines(made)
    lines = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    at = lines.index(" 1  desk-2  30 min of work, 10 min to walk")
    assert lines[at + 1] == "    Main library, Old wing, 1, 2"
    assert lines[at + 2] == "    overdue: Fit the maintenance kit (25 min)"
    assert lines[at + 3] == "        counter 50,000 against 49,996: over by 4"
    assert lines[at + 4] == "        Bring 1 TG-KIT from Cupboard 3"
    assert lines[at + 5] == "    due: Exchange the black toner (5 min)"
    at = lines.index(" 2  desk-1  10 min of work, 10 min to walk")
    assert "        Then: calibration" in lines[at:]
    for width, told in (("109", False), ("110", True)):
        monkeypatch.setenv("COLUMNS", width)
        show_lines(made)
        assert ("Why now" in capsys.readouterr().out) is told


def test_work_that_is_worth_its_walk_before_it_is_due_says_when_it_is_due():
    rare = RoundTerms(Rhythm(days=(2,), walk=10.0))
    soon = item(1, DRUM, "soon", left=400, days=6)
    made = plan_round(morning(spot(printer(1), items=[soon]), terms=rare), NOW)
    (card,) = made.cards
    assert card.why[0].text.startswith("due about Tue 24 Mar")


def test_the_ledger_says_what_it_is_about_in_words(lowmark):
    assert "black toner, drum" in lowmark("ledger --limit 5000", 140)


# --- listings ---------------------------------------------------------------------------------------------------------


def shown(listing: Listing, width: int) -> list[str]:
    console = Console(width=width, color_system=None)
    with console.capture() as capture:
        console.print(listing)
    return [line.rstrip() for line in capture.get().splitlines()]


ROWS = [
    ("desk-1", "Room 7", "1,000", "the first reason, which is said at some length, because it matters to somebody"),
    ("desk-22", "A room whose name is longer than most", "20,000,000", "short"),
]
HEADERS = ("Printer", "Room", "Pages printed so far", "Because")


def test_a_listing_is_a_table_where_there_is_room():
    lines = shown(table(HEADERS, ROWS, right=(2,)), 160)
    assert sum("desk-" in line for line in lines) == 2
    assert ROWS[0][3] in next(line for line in lines if "desk-1" in line)


@pytest.mark.parametrize("width", range(30, 121, 3))
def test_a_listing_keeps_every_word_whole_and_in_the_lines(width):
    lines = shown(table(HEADERS, ROWS, right=(2,)), width)
    assert all(len(line) <= width for line in lines)
    words = set(" ".join(lines).replace(":", " ").replace(";", " ").split())
    for row in ROWS:
        for cell in row:
            assert set(cell.replace(":", " ").split()) <= words, (width, cell)


def test_numbers_end_in_the_same_column():
    lines = shown(table(HEADERS, ROWS, right=(2,)), 80)
    ends = [re.search(r"[\d,]+$", line.split("  the")[0].rstrip()).end() for line in lines if "desk-" in line]  # type: ignore[union-attr]
    assert len(set(ends)) == 1


def test_what_goes_below_its_row_says_which_column_it_is():
    lines = shown(table(HEADERS, ROWS, right=(2,)), 60)
    assert any(line.startswith("     Because: the first reason") for line in lines)


def test_what_goes_below_its_row_keeps_the_order_of_the_columns_in_every_row():
    headers = ("Printer", "Where", "Since", "State", "Key")
    rows = [
        ("desk-1", "here", "Sat 28 Nov 21:25 GMT, 1 minute ago", "unacknowledged and not shelved", "short"),
        ("desk-2", "a place with a name of some length", "now", "fine", "a key that is longer than the other"),
    ]
    for width in (30, 44, 60):
        for block in "\n".join(shown(table(headers, rows, lead=1), width)).split("desk-")[1:]:
            order = [headers.index(word) for word in re.findall(r"\b(Where|Since|State|Key): ", block)]
            assert len(order) >= 2, block
            assert order == sorted(order), block


@pytest.mark.parametrize("width", range(24, 80))
def test_a_percent_sign_stays_with_its_number(width):
    rows = [("desk-1", "black toner: 9 % left (limit 15 %); chance under 1 % before the next round", "43 %")]
    lines = shown(table(("Printer", "What is said of it", "Left"), rows, right=(2,)), width)
    assert not [line for line in lines if line.lstrip().startswith("%")]
    assert "\n".join(lines).count(" %") == 4


def test_every_command_writes_a_percentage_in_one_way(lowmark):
    for words in (*COMMANDS, "yields --lives"):
        assert not re.search(r"[0-9]%", lowmark(words, 200)), words


def test_a_sentence_is_one_line_in_a_pipe_and_wrapped_at_words_on_a_terminal(monkeypatch, capsys):
    from agent.cli.show import console

    sentence = "word " * 40 + "end"
    monkeypatch.delenv("COLUMNS", raising=False)
    console.print(plain(sentence), soft_wrap=True)
    assert capsys.readouterr().out == sentence + "\n"
    monkeypatch.setenv("COLUMNS", "50")
    console.print(plain(f"    {sentence}"), soft_wrap=True)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 3
    assert all(line.startswith("    word") or line.strip() == "end" for line in lines)
    assert all(len(line) <= 50 for line in lines)
    long = "sqlite:////" + "a" * 90
    console.print(plain(f"export LOWMARK_STORE={long}"), soft_wrap=True)
    assert f"{long}\n" in capsys.readouterr().out


# --- help -------------------------------------------------------------------------------------------------------------


def test_the_help_lists_every_command_in_the_panel_of_what_one_wants():
    app = build()
    known = {one.name for one in (*app.registered_commands, *app.registered_groups)}
    assert known == {name for names in PANELS.values() for name in names}
    text = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "100"}).output
    places = [text.index(f"─ {panel} ─") for panel in PANELS]
    assert places == sorted(places)
    order = [match for match in re.findall(r"^│ (\w+) ", text, re.MULTILINE) if match in known]
    assert order == [name for names in PANELS.values() for name in names]


@pytest.mark.parametrize(("encoding", "rule"), [("utf-8", "\N{BOX DRAWINGS LIGHT HORIZONTAL}"), ("ascii", "-")])
def test_tables_that_fit_and_tables_that_do_not_are_ruled_alike(encoding: str, rule: str) -> None:
    """Several tables of one command stand below each other, and only the widest of them has no room."""
    row = ["desk-1", "Reading room", "a sentence that goes on for a while " * 4, "12"]
    listing = table(["printer", "room", "what", "count"], [row, row], title="Title", right=(3,))
    shapes = []
    for width in (200, 60):
        into = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
        Console(width=width, file=into).print(listing)
        into.seek(0)
        lines = [line.rstrip() for line in into.read().splitlines()]
        assert lines[0] == "Title"
        assert lines[1] == lines[-1] == ""
        (at,) = [number for number, line in enumerate(lines) if line and set(line.strip()) == {rule}]
        assert at > 1, "below the headers"
        assert {line[:1] for line in lines[2:-1]} == {" "}, "nothing stands at the very edge"
        shapes.append([line for line in lines if "desk-1" in line])
    assert len(shapes[0]) == len(shapes[1]) == 2
