"""The keys of alarm rules and of channels that belong together, and what is worth knowing about them."""

from __future__ import annotations

from datetime import timedelta

import pytest

from agent.alarms.rules import WHEN
from agent.settings import notices, parse
from tests.settings.texts import errors_of

SITE = "  - {name: site, when: siteSilent%s}\n"


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("alarms: [{name: a, when: supplyEmpty, share: 50%}]", ["alarms[0].share"]),
        ("alarms: [{name: a, when: siteSilent, within: 3d}]", ["alarms[0].within"]),
        ("alarms: [{name: a, when: siteSilent, fewest: 1}]", ["alarms[0].fewest"]),
        ("alarms: [{name: a, when: runOut, kinds: tonor}]", ["alarms[0].kinds[0]"]),
        ("alarms: [{name: a, when: runOut, within: 500d}]", ["alarms[0].within"]),
        ("alarms: [{name: a, when: supplyEmpty, escalate_after: 1h}]", ["alarms[0].escalate_after"]),
        (
            "alarms: [{name: a, when: supplyEmpty, escalate_after: 1h, escalate_to: nobody}]",
            ["alarms[0].escalate_to[0]"],
        ),
        (
            "channels: [{name: c, kind: webhook, url: http://127.0.0.1:9/, sites: Nowhere}]",
            ["channels[0].sites[0]"],
        ),
        (
            "channels: [{name: c, kind: webhook, url: http://127.0.0.1:9/, quiet: [{from: 25:00, to: '07:00'}]}]",
            ["channels[0].quiet[0].from"],
        ),
    ],
)
def test_what_does_not_fit_is_named_by_its_key(text, keys):
    assert [error.key for error in errors_of(text)] == keys


def test_a_site_waits_less_long_than_a_printer_unless_told_otherwise():
    rules = parse("alarms:\n  - {name: one, when: unreachable}\n" + SITE % "").rules()
    assert [rule.for_ for rule in rules] == [timedelta(minutes=30), timedelta(minutes=5)]


def test_a_site_rule_that_comes_too_late_to_stand_for_its_printers_is_noticed():
    def said(length: str) -> list[str]:
        text = "alarms:\n  - {name: one, when: unreachable, for: 10m}\n" + SITE % f", for: {length}"
        return [notice for notice in notices(parse(text)) if "alarms[1].for" in notice]

    assert said("9m") == []
    assert len(said("10m")) == 1


def test_the_usual_rules_say_what_to_do_and_what_happens_otherwise():
    for rule in parse("").rules():
        assert rule.action, rule.name
        assert rule.consequence, rule.name
        assert rule.time_to_act is not None, rule.name


def test_times_of_day_may_stand_without_quotes():
    channel = "{name: c, kind: webhook, url: http://127.0.0.1:9/, quiet: [{from: 20:00, to: 07:30}]}"
    (quiet,) = parse(f"channels: [{channel}]").channels[0].route().quiet
    assert (quiet.hours.begin.isoformat(), quiet.hours.end.isoformat(), quiet.unless) == (
        "20:00:00",
        "07:30:00",
        "urgent",
    )


@pytest.mark.parametrize("when", WHEN)
def test_every_rule_says_what_happens_what_to_do_and_how_long_there_is(when):
    needed = ", below: 15%" if when == "supplyBelow" else ""
    (rule,) = parse(f"alarms: [{{name: one, when: {when}{needed}}}]").rules()
    assert rule.consequence.endswith(".")
    assert rule.action.endswith(".")
    assert rule.time_to_act
    own = "consequence: The reading room waits., action: Run., time_to_act: 5m"
    (rule,) = parse(f"alarms: [{{name: one, when: {when}{needed}, {own}}}]").rules()
    assert (rule.consequence, rule.action) == ("The reading room waits.", "Run.")
    assert rule.time_to_act == timedelta(minutes=5)


def test_what_a_warning_leads_to_is_not_what_a_standstill_leads_to():
    text = "alarms: [{{name: one, when: printerAlert, alert_severity: [{0}]}}]"
    (critical,), (warned,) = (parse(text.format(grave)).rules() for grave in ("critical", "warning"))
    assert critical.consequence == "Nothing is printed until somebody goes there."
    assert warned.consequence != critical.consequence
    assert warned.time_to_act > critical.time_to_act
