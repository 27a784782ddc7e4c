"""A service that the printer does not show is an alarm, as long as it does not show it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from agent.alarms.engine import judge
from agent.alarms.rules import Rule
from agent.model.alarm import AlarmState
from agent.model.fleet import Finding, Printer, PrinterView
from agent.model.reading import Reading, System

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
RULE = Rule("not-proven", "serviceUnproven", tell=("mail",))
READING = Reading(NOW, "127.0.0.1", 1, System())
VIEW = PrinterView(Printer(1, "desk-1", "127.0.0.1"), READING, True, NOW)
FINDING = Finding("serviceUnproven", NOW, "kit", "kit of Night desk is not proven: fuser shows 3%", {"service": 812})


def test_it_is_raised_told_and_over_when_the_printer_shows_it():
    raised = judge([RULE], [replace(VIEW, findings=(FINDING,))], {}, NOW)
    (record,) = raised.records
    assert record.key == "not-proven|1|serviceUnproven:812"
    assert record.state is AlarmState.UNACKNOWLEDGED
    (message,) = raised.messages
    assert message.text == "kit of Night desk is not proven: fuser shows 3%"
    still = judge([RULE], [replace(VIEW, findings=(FINDING,))], {record.key: record}, NOW + timedelta(minutes=1))
    assert not still.messages
    over = judge([RULE], [VIEW], {record.key: record}, NOW + timedelta(minutes=2))
    assert [one.kind for one in over.messages] == ["returned"]


def test_other_findings_are_not_its_matter():
    odd = replace(FINDING, kind="counterReset")
    assert not judge([RULE], [replace(VIEW, findings=(odd,))], {}, NOW).records
