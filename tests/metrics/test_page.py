"""The page says what is known, nothing else, and every reader of the formats takes it."""

from __future__ import annotations

import subprocess
from collections import Counter

import pytest
from prometheus_client import CollectorRegistry
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families as parse_text

from agent.metrics import OPENMETRICS, TEXT, Metrics, StateCollector, catalogue
from agent.model.health import Snapshot
from agent.model.reading import Mark
from tests.metrics.fleet import HOSTILE, NOW, snapshot, supply, view
from tests.needs import debian

ACCEPT_OPENMETRICS = "application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.3,*/*;q=0.1"
"""As the Debian Prometheus 2.42 asks (seen on the wire in test_scrape)."""

Series = dict[tuple[str, frozenset[tuple[str, str]]], float]


def series(state: Snapshot, accept: str | None = None) -> Series:
    """Every sample of the page, by name and labels; fails when one stands there twice."""
    page, kind = Metrics(lambda: state).render(accept)
    parse = parse_openmetrics if kind == OPENMETRICS else parse_text
    found = [
        ((sample.name, frozenset(sample.labels.items())), sample.value)
        for family in parse(page.decode())
        for sample in family.samples
    ]
    assert [key for key, count in Counter(key for key, _ in found).items() if count > 1] == []
    return dict(found)


def value(found: Series, name: str, **labels: str) -> float | None:
    """The one sample of that name with (at least) those labels; None where there is none."""
    hits = [number for (given, own), number in found.items() if given == name and set(labels.items()) <= own]
    assert len(hits) <= 1, hits
    return hits[0] if hits else None


def test_supplies_show_what_the_printer_says() -> None:
    found = series(snapshot(view(7)))
    assert value(found, "lowmark_supply_remaining_ratio", supply="toner:black") == 0.25
    assert value(found, "lowmark_supply_remaining", supply="toner:black", unit="impressions") == 2000
    assert value(found, "lowmark_supply_capacity", supply="toner:black") == 8000
    assert value(found, "lowmark_supply_remaining_ratio", supply="toner:yellow") == 0.55
    # RFC 3805 prtMarkerSuppliesLevel: for a receptacle that is filled, the level is the space that remains.
    assert value(found, "lowmark_supply_remaining_ratio", supply="wasteToner") == 0.30


@pytest.mark.parametrize("level", list(Mark))
def test_a_supply_of_unknown_level_is_absent_and_not_zero(level: Mark) -> None:
    found = series(snapshot(view(7, supplies=(supply("toner:cyan", level),))))
    assert value(found, "lowmark_supply_remaining_ratio", supply="toner:cyan") is None
    assert value(found, "lowmark_supply_remaining", supply="toner:cyan") is None
    assert value(found, "lowmark_supply_level_known", supply="toner:cyan") == 0
    assert value(found, "lowmark_supply_capacity", supply="toner:cyan") == 8000


def test_capacities_that_say_nothing_give_no_share() -> None:
    supplies = (supply("toner:black", 5, 0), supply("opc", 5, Mark.OTHER), supply("fuser", 9000, 8000))
    found = series(snapshot(view(7, supplies=supplies)))
    assert value(found, "lowmark_supply_remaining_ratio", supply="toner:black") is None
    assert value(found, "lowmark_supply_remaining_ratio", supply="opc") is None
    assert value(found, "lowmark_supply_remaining_ratio", supply="fuser") == 1.0
    assert value(found, "lowmark_supply_remaining", supply="opc") == 5


def test_nothing_negative_is_ever_shown() -> None:
    assert [key for key, number in series(snapshot(view(7))).items() if number < 0] == []


def test_printers_show_contact_state_paper_and_counters() -> None:
    found = series(snapshot(view(7), view(8, "Bindery", reachable=False)))
    assert value(found, "lowmark_printer_reachable", printer="Reading room") == 1
    assert value(found, "lowmark_printer_reachable", printer="Bindery") == 0
    assert value(found, "lowmark_printers", contact="silent") == 1
    first = {"printer_id": "7"}
    assert value(found, "lowmark_printer_info", serial="QC00007", room="104", **first) == 1
    assert value(found, "lowmark_printer_impressions_total", counter="life", **first) == 123456
    assert value(found, "lowmark_printer_sheets_total", counter="sheets", **first) == 70000
    assert value(found, "lowmark_printer_units_total", unit="hours", **first) == 9
    assert value(found, "lowmark_printer_state", state="idle", **first) == 1
    assert value(found, "lowmark_printer_state", state="printing", **first) == 0
    assert value(found, "lowmark_printer_error", error="lowToner", **first) == 1
    assert value(found, "lowmark_printer_alerts", severity="warning", **first) == 1
    assert value(found, "lowmark_printer_alerts", severity="critical", **first) == 0
    assert value(found, "lowmark_printer_uptime_seconds", **first) == 3600  # sysUpTime counts hundredths (RFC 3418)
    assert value(found, "lowmark_tray_remaining_ratio", tray="1", **first) == 0.25
    assert value(found, "lowmark_tray_remaining_ratio", tray="2", **first) is None
    assert value(found, "lowmark_bin_space_ratio", bin="1", **first) == 0.8
    assert value(found, "lowmark_cover_open", cover="1", **first) == 1
    assert value(found, "lowmark_cover_open", cover="2", **first) == 0
    assert value(found, "lowmark_cover_open", cover="3", **first) is None
    assert value(found, "lowmark_printer_read_timestamp_seconds", **first) == NOW.timestamp()


def test_a_printer_that_was_never_read_shows_its_silence_only() -> None:
    one = view(7, reachable=False)
    never = type(one)(one.printer, None, False, NOW)
    names = {name for name, labels in series(snapshot(never)) if ("printer_id", "7") in labels}
    assert names == {
        "lowmark_printer_info",
        "lowmark_printer_reachable",
        "lowmark_printer_contact_since_timestamp_seconds",
    }


def test_the_agent_shows_how_it_does() -> None:
    found = series(snapshot(view(7)))
    assert value(found, "lowmark_build_info", version="0.1.0", engine="gufo") == 1
    assert value(found, "lowmark_sweep_duration_seconds_count") == 3
    assert value(found, "lowmark_sweep_duration_seconds_bucket", le="0.1") == 1
    assert value(found, "lowmark_sweep_duration_seconds_bucket", le="0.5") == 2
    assert value(found, "lowmark_sweep_duration_seconds_bucket", le="300.0") == 2
    assert value(found, "lowmark_sweep_duration_seconds_bucket", le="+Inf") == 3
    assert value(found, "lowmark_readings_total", outcome="silent") == 2
    assert value(found, "lowmark_readings_total", outcome="denied") == 0
    assert value(found, "lowmark_snmp_retries_total") == 4
    assert value(found, "lowmark_outbox_messages", state="dead") == 1
    assert value(found, "lowmark_alarms", severity="high") == 2


def test_two_printers_of_one_name_have_series_of_their_own() -> None:
    found = series(snapshot(view(7, "Copy"), view(8, "Copy")))
    assert value(found, "lowmark_printer_reachable", printer="Copy", printer_id="7") == 1
    assert value(found, "lowmark_printer_reachable", printer="Copy", printer_id="8") == 1


def test_a_printer_that_names_two_supplies_alike_cannot_spoil_the_page() -> None:
    twice = (supply("toner:black", 100), supply("toner:black", 200))
    found = series(snapshot(view(7, supplies=twice)), ACCEPT_OPENMETRICS)
    assert value(found, "lowmark_supply_remaining", supply="toner:black") == 100


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("accept", [None, ACCEPT_OPENMETRICS])
def test_hostile_text_of_a_printer_stays_inside_its_label(text: str, accept: str | None) -> None:
    plain = snapshot(view(7))
    spoilt = snapshot(
        view(7, text, supplies=(supply("toner:black", 2000, unit=text, description=text, colorant=text),))
    )
    found = series(spoilt, accept)
    assert {name for name, _ in found} <= {name for name, _ in series(plain, accept)}
    for _, labels in found:
        for _, shown in labels:
            assert len(shown) <= 200
            assert all(c.isprintable() or c == " " for c in shown)


def test_a_retired_printer_is_gone() -> None:
    from dataclasses import replace

    one = view(7)
    gone = replace(one, printer=replace(one.printer, retired=NOW))
    assert value(series(snapshot(gone)), "lowmark_printer_reachable", printer_id="7") is None


def test_only_what_the_catalogue_lists_is_shown_and_all_of_it() -> None:
    listed = {metric.name: metric for metric in catalogue()}
    shown: dict[str, set[frozenset[str]]] = {}
    for name, labels in series(snapshot(view(7))):
        family = name
        if name not in listed:
            family = name.removesuffix("_bucket").removesuffix("_count").removesuffix("_sum")
        shown.setdefault(family, set()).add(frozenset(label for label, _ in labels) - {"le"})
    assert shown == {name: {frozenset(metric.labels)} for name, metric in listed.items()}
    assert all(metric.help.endswith(".") for metric in catalogue())
    assert all(metric.name.startswith("lowmark_") for metric in catalogue())


def test_both_formats_say_the_same() -> None:
    state = snapshot(view(7), view(8))
    assert series(state, ACCEPT_OPENMETRICS) == series(state)


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        (None, TEXT),
        ("*/*", TEXT),
        ("text/plain", TEXT),
        ("application/openmetrics-text", OPENMETRICS),
        (ACCEPT_OPENMETRICS, OPENMETRICS),
        ("application/openmetrics-text;q=0.2, text/plain;q=0.9", TEXT),
        ("application/openmetrics-text; q=0", TEXT),
        ("application/openmetrics-text; version=banana", OPENMETRICS),
        ("application/openmetrics-text; q=banana", TEXT),
        ("text/html,application/xhtml+xml,*/*;q=0.8", TEXT),
        (",;=;q,,\xff" * 5000, TEXT),
    ],
)
def test_the_format_is_negotiated(accept: str | None, kind: str) -> None:
    assert Metrics(Snapshot).render(accept)[1] == kind


def test_the_collector_can_stand_in_a_registry() -> None:
    registry = CollectorRegistry()
    registry.register(StateCollector(lambda: snapshot(view(7))))
    labels = {"printer": "Reading room", "printer_id": "7", "site": "Main library"}
    assert registry.get_sample_value("lowmark_printer_reachable", labels) == 1


@pytest.mark.parametrize("views", [(), (view(7), view(8, "Bindery", reachable=False), view(9, HOSTILE[0]))])
def test_promtool_finds_nothing_to_say(views: tuple[object, ...]) -> None:
    # promtool of the Debian package prometheus: parser and linter of the Prometheus project.
    page, _ = Metrics(lambda: snapshot(*views)).render()  # type: ignore[arg-type]
    done = subprocess.run(
        [debian("prometheus", "promtool"), "check", "metrics"], input=page, capture_output=True, timeout=20
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
