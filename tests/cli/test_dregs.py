"""A supply that shows 0 in coarse steps: its alarm and its forecast say what goes together, wherever they are read.

RFC 3805, prtMarkerSuppliesLevel: 0 is no more left, -3 is some left; how a printer rounds it does not say.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from agent.alarms.rules import Rule
from agent.insight.jobs import gather
from agent.model.dregs import dregs_words
from agent.model.reading import CONSUMED, Supply
from agent.model.round import EMPTY
from agent.web.sheet import outlook_of
from tests.alarms.scene import Agent, seen, toner
from tests.cli.mornings import mornings, program, taken_in
from tests.insight.walked import NOW, TODAY, forecast, morning, printer, spot

FIRST = datetime.fromisoformat("2025-03-03T07:00:00+01:00")
HEAD = ["at", "printer", "serial", "model", "supply", "kind", "colorant", "unit", "capacity", "level", "impressions"]
COARSE, FINE = ("Coarse", 10), ("Fine", 1)


def rows(name: str, step: int, days: int):
    """A printer that shows its toner in such steps, rounded down, and takes a new one when the last page is printed."""
    for at, count, left in mornings(FIRST, range(days), 5_000):
        level = int(100 * left / 5_000) // step * step
        yield (
            at,
            name,
            name,
            f"Bruma {name}",
            "toner:black",
            "toner",
            "black",
            "percent",
            100,
            level,
            count,
        )


@pytest.fixture
def runout(tmp_path: Path):
    days = 3 * 70 + 63 + 3  # three have lasted 50 workdays each, of the fourth 47 are gone: 6 % is left
    url = taken_in(tmp_path, [HEAD, *rows(*COARSE, days), *rows(*FINE, days)])

    def run(*words: str) -> str:
        at = (FIRST + timedelta(days=days - 1, hours=1)).isoformat()
        done = CliRunner().invoke(program(), ["runout", "--at", at, "--store", url, *words], env={"COLUMNS": "260"})
        assert done.exit_code == 0, done.output
        return done.output

    return run


def test_the_run_out_says_that_it_shows_0_and_what_may_be_left_and_of_fine_steps_nothing(runout):
    lines = {line.split()[1]: line for line in runout().splitlines() if "black toner" in line}
    (shown,) = re.findall(r"it shows 0 and counts in steps, so about (\d+) % may be left;", lines["Coarse"])
    assert int(shown) == pytest.approx(6, abs=3), "300 of 5,000 pages are left"
    assert f" {shown} % " in lines["Coarse"].partition("it shows")[0], "the column says the same"
    assert "shows 0" not in lines["Fine"]
    assert all(0 < one["level"] < 0.1 for one in json.loads(runout("--json"))["items"])


def test_the_page_of_a_printer_says_how_its_empty_and_its_pages_left_go_together():
    doubtful = replace(forecast(1, "toner:black", 3), level=0.06)
    told = outlook_of(doubtful, supply(0), TODAY).more
    assert re.search(r"; about 300 pages left; it shows 0 and counts in steps, so about 6\s?% may be left$", told)
    assert "shows 0" not in outlook_of(doubtful, supply(6), TODAY).more
    assert "shows 0" not in outlook_of(replace(doubtful, level=0.004), supply(0), TODAY).more


STEPS = "it shows 0 and counts in steps, so about 6 %"


@pytest.mark.parametrize(
    ("key", "level", "words"),
    [
        ("toner:black", 0.06, f"the printer shows nothing left of the black toner; {STEPS} may be left"),
        ("toner:black", 0.0, "nothing is left of the black toner"),
        (
            "wasteToner",
            0.06,
            f"the printer shows no space left in the waste toner box; {STEPS} of its space may be left",
        ),
        ("wasteToner", 0.0, "the waste toner box is full"),
    ],
)
def test_a_card_takes_the_printer_at_its_word_and_says_what_may_be_left(key, level, words):
    at = spot(printer(1), replace(forecast(1, key, 3), level=level), empty=[key])
    (job,) = gather(at, morning(at), NOW).values()
    assert [one.text for one in job.reasons if one.kind == EMPTY] == [words]


def test_the_alarm_takes_the_printer_at_its_word():
    agent = Agent([Rule("out", "supplyEmpty", tell=("mail",))])
    (message,) = agent.sweep(seen(toner(0)))
    assert message.text == "cyan toner is empty"


def test_where_nothing_is_foretold_nothing_is_said_of_what_may_be_left():
    assert dregs_words(None) == ""
    assert dregs_words(replace(forecast(1, "toner:black", 3), reason="it is new", level=0.06)) == ""


def supply(level: int) -> Supply:
    return Supply("toner:black", 1, 1, CONSUMED, "toner", "Black Toner", "black", "percent", 100, level)
