"""Rules that make no sense say everything that is wrong with them."""

from __future__ import annotations

from datetime import timedelta

import pytest

from agent.alarms.rules import WHEN, Rule


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"when": "supplyBelow"}, ["below is missing"]),
        ({"when": "supplyBelow", "below": 10.0}, ["below must be a fraction"]),
        ({"when": "supplyBelow", "below": 0.0}, ["below must be a fraction"]),
        ({"when": "supplyBelow", "below": 0.95, "deadband": 0.1}, ["deadband"]),
        ({"when": "supplyEmpty", "below": 0.1}, ["below has no meaning"]),
        ({"when": "suplyBelow", "severity": "grave"}, ["when must be one of", "severity must be one of"]),
        ({"when": "supplyEmpty", "name": "a|b"}, ["name must be"]),
        ({"when": "supplyEmpty", "name": "a\nb"}, ["name must be"]),
        ({"when": "supplyEmpty", "for_": timedelta(1)}, ["for has no meaning"]),
        ({"when": "supplyEmpty", "on_delay": -timedelta(1)}, ["on_delay must not be negative"]),
        ({"when": "supplyEmpty", "repeat": timedelta(seconds=1)}, ["repeat must be a minute"]),
        ({"when": "supplyEmpty", "codes": ("jam",)}, ["codes and alert_severity have no meaning"]),
        ({"when": "printerAlert", "alert_severity": ("grave",)}, ["alert_severity must be among"]),
        ({"when": "unreachable", "kinds": ("toner",)}, ["kinds has no meaning"]),
        ({"when": "agentUnwell", "kinds": ("mood",), "sites": ("Depot",)}, ["kinds must be among", "sites, tags"]),
    ],
)
def test_a_senseless_rule_is_refused_with_every_fault(parts, words):
    with pytest.raises(ValueError) as caught:
        Rule(**{"name": "r", **parts})
    assert all(word in str(caught.value) for word in words)


def test_each_kind_of_condition_makes_a_rule():
    for when in WHEN:
        Rule("r", when, below=0.1 if when in ("supplyBelow", "receptacleNearlyFull") else None)
