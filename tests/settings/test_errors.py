"""A wrong file gives every error at once, each with its place, what was found and what was expected."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.settings import SettingsError, SettingsErrors, example, load, parse
from tests.settings.texts import errors_of, only_error_of, places_of

MANY = """\
zone: Europe/Lodnon
poling: {}
polling:
  status: 60
  engine: puro
sites:
  Depot: {}
printers:
  - address: 10.0.0.300
    site: Dept
    credentials: publik
  - name: 7
    room: true
alarms:
  - {name: a, when: supplyBelow}
  - {name: a, when: unreachabel, tell: desk}
channels:
  - {name: desks, kind: mail, host: mail.example.org, from: a@b.example, to: []}
"""


def test_every_error_is_given_at_once_with_its_place() -> None:
    assert places_of(MANY) == [
        (1, 7, "zone"),
        (2, 1, "poling"),
        (4, 11, "polling.status"),
        (5, 11, "polling.engine"),
        (7, 10, "sites.Depot.zone"),
        (9, 14, "printers[0].address"),
        (10, 11, "printers[0].site"),
        (11, 18, "printers[0].credentials"),
        (12, 5, "printers[1]"),
        (13, 11, "printers[1].room"),
        (15, 5, "alarms[0].below"),
        (16, 12, "alarms[1].name"),
        (16, 21, "alarms[1].when"),
        (16, 40, "alarms[1].tell[0]"),
        (18, 78, "channels[0].to"),
    ]


def test_an_error_reads_as_file_line_column_key_found_expected_and_hint() -> None:
    text = str(only_error_of("polling:\n  engine: gufu\n"))
    assert text == (
        'lowmark.yaml:2:11: polling.engine: found "gufu", expected one of auto, gufo, pysnmp; did you mean gufo?'
    )


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("poling: {}", "did you mean polling?"),
        ("polling: {time-out: 2s}", "did you mean timeout?"),
        ("zone: europe/london", "did you mean Europe/London?"),
        ("printers: [{address: a.example, credentials: Public}]", "did you mean public?"),
        ("sites: {Depot: {zone: UTC}}\nprinters: [{address: a.example, site: Depo}]", "did you mean Depot?"),
        ("alarms: [{name: a, when: supplyEmpty, kinds: [tonner]}]", "did you mean toner?"),
        ("alarms: [{name: a, when: printerAlert, codes: jamm}]", "did you mean jam?"),
        ("channels: [{name: a, kind: e-mail}]", "did you mean mail?"),
        ("credentials: {a: {version: 3, user: u, auth: SHA256, auth_key: {env: A}}}", "did you mean SHA-256?"),
        ("printers: [{range: 192.0.2.3/28}]", "did you mean 192.0.2.0/28?"),
        ("polling: {status: 60}", "say the unit: 60s, 60m, 60h ..."),
        ("alarms: [{name: a, when: supplyBelow, below: 15}]", "write 15%"),
        ("listen: {allow_network: yes}", "YAML 1.2 has true and false only"),
        ('polling: {retries: "2"}', "take the quotes away"),
        ("sites: {A: {<<: {}, zone: UTC}}", "merge keys are not known here; repeat the values"),
    ],
)
def test_the_hint_says_what_was_probably_meant(text: str, hint: str) -> None:
    assert only_error_of(text).hint == hint


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("channels: [{name: a, kind: mail, host: h, from: a@b.example}]", "the key to (Who gets the mail)"),
        ("maintenance: [{name: a, reason: r, weekly: [{to: '04:00'}]}]", "the key from (When it begins, like 20:00)"),
        ("sites: {A: {}}", "the key zone (IANA time zone; days and weekdays are reckoned in it)"),
        ("channels: [{name: a, kind: pigeon}]", "one of mail, webhook, alertmanager, apprise"),
        ("calendars: {a: {hours: [{from: '08:00', to: '17:00', day: mon}]}}", "one of from, to, days"),
        ("rounds: {minutes: 3}", "one of days, walk, standstill"),
    ],
)
def test_what_is_expected_is_that_of_the_very_place(text: str, words: str) -> None:
    assert only_error_of(text).expected.startswith(words)


def test_a_section_whose_lines_are_all_switched_off_is_not_there() -> None:
    assert errors_of("rounds:\n#  days: [mon]\nservicing:\nshelf:\nalarms:\n") == ()


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("zone: UTC\nzone: UTC\n", 2, 1, "the same key again"),
        ("printers:\n\t- address: a\n", 2, 1, "a tab"),
        ("zone: [UTC\n", 2, 1, "no comma, and no ] that ends it"),
        ("polling: {retries: 2\nzone: UTC\n", 2, 5, "no comma, and no } that ends it"),
        ("zone: UTC\n  sites: {}\n", 2, 8, "a second colon"),
        ("sites:\n    A: {zone: UTC}\n  B: {zone: UTC}\n", 3, 3, "a line that does not go with those above it"),
        ("printers:\n  - address: a\n  address: b\n", 3, 3, "a line that is no entry of the list above it"),
        ("zone: UTC\nsites\nmetrics: {}\n", 3, 1, "words without a colon"),
        ("printers: - address: a\n", 1, 11, "an entry of a list behind a key"),
        ("zone: @UTC\n", 1, 7, "a sign that begins no text"),
        ('zone: "a\\quote"\n', 1, 9, "a backslash that means nothing"),
        ("zone: UTC: x\n", 1, 10, "a second colon"),
        ("zone: 'UTC\n", 2, 1, "the end of the file inside quotes"),
        ("zone: !python/name:os.system UTC\n", 1, 7, "a YAML tag"),
        ("zone: *nowhere\n", 1, 7, "an alias of nothing"),
        ("zone: UTC\n---\nzone: UTC\n", 2, 1, "a second document"),
        ("zone: U\x00TC\n", 1, 8, "a character that YAML does not allow"),
        ("[" * 500, 1, 18, "more than 16 levels"),
        ("? {a: b}\n: c\n", 1, 3, "a key that is no plain word"),
        ("- a\n- b\n", 1, 1, "a list"),
        ("just words\n", 1, 1, "text (not shown)"),
    ],
)
def test_bad_yaml_is_refused_with_its_place(text: str, line: int, column: int, words: str) -> None:
    error = errors_of(text)[0]
    assert (error.line, error.column) == (line, column)
    assert words in error.found


def test_an_address_in_brackets_without_quotes_is_explained() -> None:
    assert "in quotes" in only_error_of("printers:\n  - address: [2001:db8::1]:161\n").hint


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("polling: {timeout: 20s}", ["polling.timeout"]),
        ("polling: {deadline: 1s}", ["polling.deadline"]),
        ("polling: {status: 5m, inventory: 2m}", ["polling.inventory"]),
        ("retention: {raw: 3y}", ["retention.raw"]),
        ("retention: {raw: 30d, hours: 20d}", ["retention.hours"]),
        ("listen: {address: '0.0.0.0:9633'}", ["listen.address"]),
        ("listen: {notifications: '[::]:162'}", ["listen.notifications"]),
        ("printers: [{address: a.example, range: 192.0.2.0/28}]", ["printers[0].range"]),
        ("printers: [{address: a.example, port: 162}]", ["printers[0].port"]),
        ("printers: [{range: 192.0.2.0/28, name: x}]", ["printers[0].name"]),
        ("printers: [{range: 192.0.2.0/28, except: 192.0.3.1}]", ["printers[0].except[0]"]),
        ("printers: [{range: 192.0.2.0/28, except: 192.0.2.0/24}]", ["printers[0].range"]),
        ("printers: [{range: 10.0.0.0/8}]", ["printers[0].range"]),
        ("printers: [{range: '2001:db8::/64'}]", ["printers[0].range"]),
        ("printers: [{address: a.example}, {address: 'A.example:161'}]", ["printers[1].address"]),
        ("printers: [{address: a.example, name: x}, {address: b.example, name: x}]", ["printers[1].name"]),
        ("credentials: {a: {version: 2c, user: joe}}", ["credentials.a.user"]),
        ("credentials: {a: {version: 3}}", ["credentials.a.user"]),
        ("credentials: {a: {version: 3, user: u, auth: MD5}}", ["credentials.a.auth"]),
        ("credentials: {a: {version: 3, user: u, priv: DES, priv_key: {env: A}}}", ["credentials.a.priv"]),
        ("alarms: [{name: a, when: supplyEmpty, for: 3m}]", ["alarms[0].for"]),
        ("alarms: [{name: a, when: agentUnwell, sites: x}]", ["alarms[0].sites", "alarms[0].sites[0]"]),
        ("alarms: [{name: 'a|b', when: agentUnwell}]", ["alarms[0].name"]),
        ("alarms: [{name: a, when: supplyBelow, below: 99%, deadband: 5%}]", ["alarms[0]"]),
        ("channels: [{name: a, kind: mail, host: h, user: u, from: a@b, to: a@b}]", ["channels[0].user"]),
        ("sites: {A: {zone: UTC, holidays: no}}", ["sites.A.holidays"]),
    ],
)
def test_what_does_not_fit_together_is_refused(text: str, keys: list[str]) -> None:
    assert [error.key for error in errors_of(text)] == keys


def test_aliases_that_would_grow_without_end_are_refused() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    assert "aliases that stand for more" in errors_of("\n".join(lines))[0].found


def test_aliases_that_nest_without_end_are_refused() -> None:
    lines = ["a0: &a0 [x]", *(f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 2000))]
    assert "nest more than" in errors_of("\n".join(lines))[0].found


def test_aliases_may_be_used_in_measure() -> None:
    made = parse(
        "alarms:\n  - {name: a, when: supplyEmpty, kinds: &k [toner, ink]}\n"
        "  - {name: b, when: supplyEmpty, kinds: *k}\n"
    )
    assert made.alarms[0].kinds == made.alarms[1].kinds == ("toner", "ink")


def test_a_file_that_is_not_there_says_how_to_begin_one(tmp_path: Path) -> None:
    with pytest.raises(SettingsErrors, match="lowmark settings example"):
        load(tmp_path / "none.yaml")


def test_a_file_that_is_no_text_or_no_file_or_too_long_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "lowmark.yaml"
    with pytest.raises(SettingsErrors, match="no file"):
        load(tmp_path)
    other.write_bytes(b"zone: UTC\nsites: {Caf\xe9: {zone: UTC}}\n")
    with pytest.raises(SettingsErrors, match=r"lowmark.yaml:2:12: found octets that are no UTF-8"):
        load(other)
    other.write_bytes(b"#" * (9 * 1024 * 1024))
    with pytest.raises(SettingsErrors, match="is it the right file"):
        load(other)


def test_a_file_saved_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    (tmp_path / "lowmark.yaml").write_bytes(b"\xef\xbb\xbfzone: Europe/London\r\n")
    assert load(tmp_path / "lowmark.yaml").zone == "Europe/London"


def quietly(text: str) -> tuple[SettingsError, ...]:
    """The errors; any other exception than SettingsErrors comes through and fails the test."""
    found = errors_of(text)
    assert all(error.found and error.expected for error in found)
    return found


@settings(max_examples=150)
@given(st.text(max_size=200))
def test_whatever_the_text_only_settings_errors_come_out(text: str) -> None:
    quietly(text)


def test_whatever_line_is_damaged_only_settings_errors_come_out() -> None:
    chance = random.Random(20260302)
    lines = example().splitlines()
    damages = ["[", "x: {", "\t", ": :", "- -", "null", "&a *a", '"', "true", "1e400", "{env: A}", "9" * 20]
    refused = 0
    for _ in range(250):
        damaged = list(lines)
        at = chance.randrange(len(damaged))
        head, colon, _ = damaged[at].partition(":")
        damaged[at] = f"{head}{colon} {chance.choice(damages)}" if chance.random() < 0.7 else chance.choice(damages)
        refused += bool(quietly("\n".join(damaged)))
    assert refused > 100
