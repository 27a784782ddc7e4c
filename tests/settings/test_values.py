"""What stands in the file, and what is made of it."""

from __future__ import annotations

import pickle
from datetime import timedelta
from ipaddress import ip_network
from zoneinfo import available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pydantic_core import PydanticCustomError

from agent.model.wire import Community
from agent.settings import Settings, diff, notices, parse
from agent.settings.units import read_duration, read_endpoint, read_fraction, write_duration


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("60s", 60),
        ("5m", 300),
        ("6h", 21600),
        ("1d", 86400),
        ("2w", 1209600),
        ("500ms", 0.5),
        ("1h30m", 5400),
        ("1.5h", 5400),
    ],
)
def test_durations(text: str, seconds: float) -> None:
    assert read_duration(text) == timedelta(seconds=seconds)


@given(st.integers(min_value=0, max_value=10**12))
def test_a_duration_reads_back_as_it_was_written(milliseconds: int) -> None:
    span = timedelta(milliseconds=milliseconds)
    assert read_duration(write_duration(span)) == span


@pytest.mark.parametrize("text", ["", "60", "s", "5 minutes", "-5m", "1e3s", "9" * 30 + "d", 60, True, None, ["5m"]])
def test_what_is_no_duration(text: object) -> None:
    with pytest.raises(PydanticCustomError):
        read_duration(text)


@pytest.mark.parametrize(("given", "share"), [("15%", 0.15), ("2.5 %", 0.025), (0.15, 0.15), (0, 0.0), ("100%", 1.0)])
def test_fractions(given: object, share: float) -> None:
    assert read_fraction(given) == pytest.approx(share)


@pytest.mark.parametrize("given", [15, 1, -0.1, 1.5, "101%", "15", True, float("nan"), float("inf"), None])
def test_what_is_no_fraction(given: object) -> None:
    with pytest.raises(PydanticCustomError):
        read_fraction(given)


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("printer-1.example.org", "printer-1.example.org", None),
        ("Printer_1", "printer_1", None),
        ("192.0.2.7", "192.0.2.7", None),
        ("192.0.2.7:1161", "192.0.2.7", 1161),
        ("2001:DB8::1", "2001:db8::1", None),
        ("[2001:db8::1]", "2001:db8::1", None),
        ("[2001:db8::1]:1161", "2001:db8::1", 1161),
        ("fe80::1%eth0", "fe80::1%eth0", None),
    ],
)
def test_addresses(text: str, host: str, port: int | None) -> None:
    found = read_endpoint(text)
    assert (found.host, found.port) == (host, port)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "192.0.2.256",
        "192.0.2",
        "a b",
        "-a",
        "a..b",
        "x:0",
        "x:65536",
        "x:",
        "x:1x",
        "[::1",
        "snmp://x",
        "1.2.3.4/24",
        "x" * 300,
    ],
)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(PydanticCustomError):
        read_endpoint(text)


def test_every_iana_zone_is_taken_and_nothing_else() -> None:
    for zone in sorted(available_timezones())[::20]:
        assert parse(f"zone: {zone}").zone == zone
    for other in ("GMT+25", "Narnia", "../etc/passwd", "/etc/localtime"):
        with pytest.raises(Exception, match="time zone of the IANA database"):
            parse(f"zone: {other}")


def test_numbers_are_taken_as_text_where_text_is_wanted_and_as_they_were_written() -> None:
    entry = parse("printers: [{address: a.example, room: 007, floor: 2.10, name: 0x1F}]").printers[0]
    assert (entry.room, entry.floor, entry.name) == ("007", "2.10", "0x1F")


def test_words_of_yaml_1_1_are_words() -> None:
    assert parse("printers: [{address: a.example, tags: [yes, no, on, 12:30:00]}]").printers[0].tags == (
        "yes",
        "no",
        "on",
        "12:30:00",
    )


def test_a_list_of_one_may_be_written_as_the_one() -> None:
    assert parse("printers: [{address: a.example, tags: colour}]").printers[0].tags == ("colour",)


def test_an_empty_file_is_the_usual_settings() -> None:
    made = parse("# nothing\n")
    assert made == Settings() == parse("printers:\nalarms:\nsites:\n")
    assert made.polling.status == timedelta(seconds=60)
    assert made.polling.inventory == timedelta(hours=6)
    assert str(made.listen.address) == "127.0.0.1:9633"
    assert made.credentials["public"].wire() == Community("2c", "public")


def test_no_alarms_is_not_the_same_as_no_key_alarms() -> None:
    assert parse("").rules()
    assert parse("alarms: []").rules() == ()


def test_a_rule_without_tell_tells_every_channel() -> None:
    text = (
        "alarms: [{name: a, when: supplyEmpty}, {name: b, when: supplyEmpty, tell: []},"
        " {name: c, when: supplyEmpty, tell: y}]\n"
        "channels: [{name: x, kind: apprise, url: {env: X}}, {name: y, kind: apprise, url: {env: Y}}]\n"
    )
    assert [rule.tell for rule in parse(text).rules()] == [("x", "y"), (), ("y",)]


def test_rules_have_the_limits_that_the_example_names_as_usual() -> None:
    text = "alarms: [{name: a, when: receptacleNearlyFull}, {name: b, when: unreachable}]"
    waste, silent = parse(text).rules()
    assert waste.below == 0.10
    assert silent.for_ == timedelta(minutes=30)


def test_a_range_is_taken_apart_into_its_host_addresses() -> None:
    # Host addresses as the standard library's ipaddress counts them: network and broadcast address are none.
    made = parse("printers: [{range: 192.0.2.0/29, except: [192.0.2.3, 192.0.2.4/31], port: 1161}]")
    assert [(t.host, t.port, t.listed) for t in made.targets()] == [
        ("192.0.2.1", 1161, False),
        ("192.0.2.2", 1161, False),
        ("192.0.2.6", 1161, False),
    ]
    whole = parse("printers: [{range: '2001:db8::/124'}]").targets()
    assert [t.host for t in whole] == [str(host) for host in ip_network("2001:db8::/124").hosts()]


def test_a_listed_address_wins_over_a_range_and_an_earlier_range_over_a_later() -> None:
    text = """
sites: {A: {zone: Europe/London}, B: {zone: Europe/Dublin}}
printers:
  - {range: 192.0.2.0/30, site: A}
  - {range: 192.0.2.0/29, site: B}
  - {address: 192.0.2.2, name: Listed}
"""
    found = {target.host: (target.place.site, target.place.zone, target.name) for target in parse(text).targets()}
    assert found["192.0.2.1"] == ("A", "Europe/London", "")
    assert found["192.0.2.2"] == ("", "UTC", "Listed")
    assert found["192.0.2.5"] == ("B", "Europe/Dublin", "")
    assert len(parse(text).targets()) == len(found)


def test_one_address_may_have_several_printers_by_device() -> None:
    text = "printers: [{address: a.example, device: 1}, {address: a.example, device: 2}]"
    assert [target.device for target in parse(text).targets()] == [1, 2]


def test_settings_are_frozen_through_and_through() -> None:
    made = parse("sites: {A: {zone: UTC}}\nprinters: [{address: a.example}]")
    with pytest.raises(ValidationError):
        made.zone = "UTC"  # type: ignore[misc]
    with pytest.raises(ValidationError):
        made.printers[0].name = "x"  # type: ignore[misc]
    with pytest.raises(TypeError):
        made.sites["B"] = made.sites["A"]  # type: ignore[index]
    assert isinstance(made.printers, tuple)
    assert pickle.loads(pickle.dumps(made)) == made


def test_listening_on_the_network_takes_a_word_of_its_own() -> None:
    made = parse("listen: {address: '0.0.0.0:9633', allow_network: true}")
    assert str(made.listen.address) == "0.0.0.0:9633"
    assert parse("listen: {address: '[::1]:9633'}").listen.address.is_loopback


def test_what_a_new_file_changes_is_told_key_by_key() -> None:
    old = parse("listen: {address: 'localhost:9633'}\nprinters: [{address: a.example, room: 1}, {address: b.example}]")
    new = parse(
        "listen: {address: 'localhost:9634'}\npolling: {status: 2m}\n"
        "printers: [{address: b.example}, {address: a.example, room: 2}]"
    )
    found = diff(old, new)
    assert [str(change) for change in found] == [
        "listen.address: localhost:9633 -> localhost:9634",
        "polling.status: 1m -> 2m",
        "printers[a.example].room: 1 -> 2",
    ]
    assert [change.wants_restart for change in found] == [True, False, False]
    assert diff(old, old) == ()


def test_notices_name_what_is_no_error_and_still_wrong() -> None:
    text = """
store: {url: 'sqlite:///x.sqlite', password: {env: LOWMARK_TEST_UNSET}}
credentials: {spare: {version: 2c}}
printers: [{address: a.example, tags: colour}]
alarms: [{name: a, when: supplyEmpty, tags: [color], tell: []}]
channels:
  - name: m
    kind: mail
    host: mail.example.org
    security: none
    user: u
    password: {env: LOWMARK_TEST_UNSET}
    from: a@b.example
    to: a@b.example
"""
    found = "\n".join(notices(parse(text)))
    for part in (
        "LOWMARK_TEST_UNSET is not set",
        "SQLite has no password",
        "credentials.spare: no printer uses it",
        "no printer has the tag color",
        "nobody is told of a",
        "no rule tells m",
        "in the clear",
    ):
        assert part in found
