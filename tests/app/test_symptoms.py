"""What the running agent knows of a printer when somebody asks about a symptom."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from agent.app.service import Clocks, Service
from agent.app.symptoms import case_of
from agent.insight.process import packaged
from agent.insight.rollers import rollers_of
from agent.insight.symptoms import rank
from agent.model.symptom import Seen
from agent.settings import load
from agent.store import Store
from tests.cli.stocked import AT, SETTINGS, furnish, settings_file

NOW = datetime.fromisoformat(AT)
MORE = SETTINGS.rstrip() + "\n  - {name: wipe, models: [Quillon*], every: 90d, rollers: {drum: 24mm}}\n"


@pytest.fixture
def service(tmp_path: Path):
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    furnish(url)
    path = settings_file(tmp_path, MORE)
    with Store.open(url) as store:
        yield Service(load(path), path, store, Clocks(lambda: NOW, time.monotonic))


def test_the_house_knows_history_upkeep_and_rollers_as_of_any_moment(service: Service) -> None:
    house = service.pages.house
    now = house.case(3, None)
    assert now is not None
    assert now.as_of == NOW
    assert [one.name for one in rollers_of(now.history.printer.model, now.plans)] == ["drum"]
    first = rank(packaged(), now, Seen("wrong-colours")).suspects[0]
    assert first.part == "calibration"
    assert "due after the exchange of cyan toner" in first.reasons[0].text
    early = house.case(3, NOW - timedelta(days=90))
    assert early is not None
    assert max(point.at for track in early.history.supplies for point in track.points) <= early.as_of


def test_a_printer_that_nobody_knows_has_no_case(service: Service) -> None:
    assert service.pages.house.case(77, None) is None


def test_with_what_was_reckoned_already_the_ranking_is_the_same(service: Service) -> None:
    whole = case_of(service.store, service.settings, 3, NOW)
    assert whole.insight is not None
    assert whole.upkeep is not None
    short = case_of(service.store, service.settings, 3, NOW, (whole.insight, whole.upkeep))
    assert len(short.history.counters[0].points) < len(whole.history.counters[0].points)
    for kind in packaged().symptoms:
        assert rank(packaged(), short, Seen(kind)) == rank(packaged(), whole, Seen(kind))
