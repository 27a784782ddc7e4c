"""``lowmark read``: one printer now, from the command line."""

from __future__ import annotations

import io
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from agent.cli import access
from agent.cli.reading import BAR_WIDTH, bar, show, supply_words
from agent.model.reading import Alert, Mark, Reading, Supply, System
from agent.model.status import status_words
from agent.rehearsal.serve import Rehearsal
from agent.web import shapes
from tests.cli import printers
from tests.cli.printers import address, cells, run
from tests.needs import debian

COLOUR, OLD, SECURE, TWO, OFTEN_SOME = "hl-02", "hl-07", "hl-08", "hl-11", "hl-06"
SUPPLY = "1.3.6.1.2.1.43.11.1.1"
LEVEL, CAPACITY = f"{SUPPLY}.9", f"{SUPPLY}.8"
SERIAL = "1.3.6.1.2.1.43.5.1.1.17"
QUICK = ("--timeout", "0.25", "--retries", "1")


@pytest.fixture(scope="module")
def street() -> Iterator[Rehearsal]:
    with printers.fleet() as running:
        yield running


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No settings file of the checkout is found by chance."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LOWMARK_SETTINGS", raising=False)


# --- what it shows ---------------------------------------------------------------------------------------------------


def test_it_shows_what_the_printer_says(street: Rehearsal):
    raw = cells(street, COLOUR)
    done = run("read", address(street, COLOUR))
    assert done.status == 0
    assert raw[f"{SERIAL}.1"].decode() in done.out
    rows = [oid for oid in raw if oid.startswith(LEVEL)]
    assert len(rows) > 8
    for oid in rows:
        index = oid.removeprefix(LEVEL)
        description = raw[f"{SUPPLY}.6{index}"].decode()
        line = next(line for line in done.out.splitlines() if description in line)
        assert f"{100 * raw[oid] / raw[CAPACITY + index]:.0f} %" in line
        assert f"{raw[oid]:,} of {raw[CAPACITY + index]:,}" in line
        assert "█" in line or raw[oid] == 0
    for word in ("Tray 1", "Front cover", "life", "Status", "requests"):
        assert word in done.out


def test_the_json_holds_the_same_and_says_its_format(street: Rehearsal):
    raw = cells(street, COLOUR)
    done = run("read", address(street, COLOUR), "--json")
    (printer,) = done.json["printers"]
    assert done.json["format"] == "lowmark.read.v1"
    assert done.json["traffic"]["requests"] > 0
    assert datetime.fromisoformat(done.json["at"]).tzinfo is not None
    assert printer["serial"] == raw[f"{SERIAL}.1"].decode()
    for supply in printer["supplies"]:
        index = f".1.{supply['index']}"
        assert supply["level"] == {"value": raw[LEVEL + index]}
        assert supply["fraction"] == pytest.approx(raw[LEVEL + index] / raw[CAPACITY + index])


def test_what_is_unknown_stays_unknown(street: Rehearsal):
    """RFC 3805 section 2.4: -2 is unknown, -3 is some; no share may be made of either."""
    seen = set()
    for host in street.hosts:
        name = host.printers[0].who.name
        raw = cells(street, name)
        if name in (OLD, SECURE, "hl-15") or not any(raw[oid] == -3 for oid in raw if oid.startswith(LEVEL)):
            continue
        (printer,) = run("read", address(street, name), "--json").json["printers"]
        for supply in printer["supplies"]:
            if raw[f"{LEVEL}.1.{supply['index']}"] == -3:
                seen.add(name)
                assert (supply["level"], supply["fraction"]) == ({"mark": "some"}, None)
        assert "some" in run("read", address(street, name)).out
    assert seen


def test_trouble_is_said_in_words(street: Rehearsal):
    street.jam(COLOUR)
    try:
        done = run("read", address(street, COLOUR))
        told = run("read", address(street, COLOUR), "--json").json["printers"][0]
        explained = run("read", address(street, COLOUR), "--explain").out
    finally:
        street.clear(COLOUR)
    assert "stopped: jammed" in done.out
    assert "Something is jammed in paper path 1." in explained
    assert "anyone can do this" in explained
    assert told["status"]["errors"] == ["jammed"]
    assert any("jam" in alert["code"].lower() for alert in told["alerts"])


def test_both_engines_show_the_same(street: Rehearsal):
    def shown(engine: str) -> object:
        (printer,) = run("read", address(street, COLOUR), "--engine", engine, "--json").json["printers"]
        printer["system"].pop("uptime_seconds")
        return printer

    assert shown("gufo") == shown("pysnmp")


def test_every_printer_behind_an_address_is_shown_or_the_one_asked_for(street: Rehearsal):
    both = run("read", address(street, TWO), "--json").json["printers"]
    assert [one["device"] for one in both] == [1, 2]
    assert both[0]["serial"] != both[1]["serial"]
    second = run("read", address(street, TWO), "--device", "2", "--json").json["printers"]
    assert second[0]["serial"] == both[1]["serial"]
    none = run("read", address(street, TWO), "--device", "5")
    assert none.status == 1
    assert "hrDeviceIndex 5; there are: 1, 2" in none.err


def test_explain_shows_the_raw_cell_beside_its_meaning(street: Rehearsal):
    raw = cells(street, COLOUR)
    (printer,) = run("read", address(street, COLOUR), "--explain", "--json").json["printers"]
    told = {cell["oid"]: cell for cell in printer["cells"]}
    assert told[f"{LEVEL}.1.1"]["name"] == "prtMarkerSuppliesLevel.1.1"
    assert told[f"{LEVEL}.1.1"]["raw"] == str(raw[f"{LEVEL}.1.1"])
    assert told[f"{SUPPLY}.4.1.1"]["meaning"] == "supplyThatIsConsumed"
    assert "prtMarkerSuppliesLevel.1.1" in run("read", address(street, COLOUR), "--explain").out


# --- as whom ---------------------------------------------------------------------------------------------------------


def test_a_printer_that_speaks_version_1_only_is_read_with_it(street: Rehearsal):
    done = run("read", address(street, OLD), "--snmp", "1", "--community", "harrow-old", "--json")
    assert done.json["printers"][0]["supplies"]


def test_a_printer_with_a_user_is_read_with_pass_phrases_from_a_variable_and_a_file(street: Rehearsal, tmp_path: Path):
    key = tmp_path / "priv.key"
    key.write_text("harrow-lane-priv\n")
    who = ("--user", "rounds", "--auth", "SHA-256", "--auth-key-env", "KEY", "--priv", "AES-128")
    done = run("read", address(street, SECURE), *who, "--priv-key-file", str(key), env={"KEY": "harrow-lane-auth"})
    assert done.status == 0
    assert "Merle & Voss" in done.out
    assert "harrow-lane-" not in done.out + done.err


def test_a_wrong_pass_phrase_is_told_from_silence_and_never_shown(street: Rehearsal):
    who = ("--user", "rounds", "--auth", "SHA-256", "--auth-key-env", "KEY")
    done = run("read", address(street, SECURE), *who, *QUICK, "--json", env={"KEY": "quite-wrong-words"})
    assert done.status == 1
    assert done.json["error"]["reason"] == "denied"
    assert done.json["printers"] == []
    assert "quite-wrong-words" not in done.out + done.err


@pytest.mark.parametrize(
    ("options", "hint"),
    [
        (("--user", "rounds", "--auth", "SHA-256"), "--auth-key-env NAME or --auth-key-file PATH"),
        (("--user", "rounds", "--auth", "SHA-256", "--auth-key-env", "NOT_SET"), "NOT_SET is not set"),
        (("--user", "rounds", "--auth", "SHA-256", "--auth-key-env", "SHORT"), "shorter than 8"),
        (("--user", "rounds", "--priv", "AES-128"), "--priv needs --auth"),
        (("--user", "rounds", "--auth-key-env", "KEY"), "but not --auth itself"),
        (("--snmp", "3"), "--user NAME"),
        (("--snmp", "3", "--community", "x"), "leave out --community"),
        (("--snmp", "2c", "--user", "x"), "leave out --user"),
        (("--credentials", "floor"), "--settings FILE"),
        (("--auth-key", "never-on-a-command-line"), "No such option"),
    ],
)
def test_options_that_do_not_fit_are_answered_with_those_that_do(options: tuple[str, ...], hint: str):
    done = run("read", "127.0.0.1", *options, env={"SHORT": "short", "KEY": "long enough"})
    assert done.status == 2
    assert hint in done.err.replace("│ ", "").replace(" │", "")


def test_credentials_and_oddities_come_from_the_settings(street: Rehearsal, tmp_path: Path):
    file = tmp_path / "lowmark.yaml"
    file.write_text(
        "credentials:\n"
        "  old: {version: 1, community: {env: OLD_COMMUNITY}}\n"
        f"printers:\n  - {{address: '{address(street, OLD)}', credentials: old}}\n"
    )
    secret = {"OLD_COMMUNITY": "harrow-old"}
    by_address = run("read", address(street, OLD), "--settings", str(file), env=secret)
    found_there = run("read", address(street, OLD), env=secret)  # lowmark.yaml in this directory
    by_name = run("read", address(street, OLD), "-s", str(file), "--credentials", "old", env=secret)
    for done in (by_address, found_there, by_name):
        assert done.status == 0
        assert "harrow-old" not in done.out + done.err
    unknown = run("read", address(street, OLD), "-s", str(file), "--credentials", "odl", env=secret)
    assert unknown.status == 2
    assert "public, old" in unknown.err
    assert run("read", address(street, OLD), "-s", str(file)).status == 2  # the variable is not set


def test_a_broken_settings_file_is_told_with_its_line(tmp_path: Path):
    (tmp_path / "broken.yaml").write_text("printers:\n  - adress: 192.0.2.7\n")
    done = run("read", "127.0.0.1", "-s", "broken.yaml")
    assert done.status == 2
    assert "broken.yaml:2" in done.err


# --- when nothing comes ----------------------------------------------------------------------------------------------


def test_the_wrong_version_is_found_out(street: Rehearsal):
    done = run("read", address(street, OLD), "--community", "harrow-old", *QUICK)
    assert done.status == 1
    assert "use --snmp 1" in done.err


def test_a_printer_that_speaks_version_3_only_is_told_from_silence(street: Rehearsal):
    done = run("read", address(street, SECURE), *QUICK)
    assert done.status == 1
    assert "answers SNMP version 3" in done.err


def test_plain_silence_names_what_to_check(street: Rehearsal):
    street.unplug(COLOUR)
    try:
        done = run("read", address(street, COLOUR), *QUICK, "--json")
    finally:
        street.plug(COLOUR)
    assert done.status == 1
    assert done.json["error"]["reason"] == "silent"
    assert "switched on" in done.json["error"]["text"]
    assert "community" in done.json["error"]["text"]


def test_a_host_without_snmp_is_told_from_silence():
    done = run("read", f"127.0.0.1:{printers.free_port()}", *QUICK, "--json")
    assert done.status == 1
    assert done.json["error"]["reason"] == "refused"
    assert "nothing listens" in done.json["error"]["text"]


def test_an_unknown_name_is_said_to_be_unknown():
    # RFC 6761 section 6.4: names under .invalid never resolve.
    done = run("read", "no-such-printer.invalid", *QUICK)
    assert done.status == 1
    assert "no address" in done.err or "not resolved" in done.err


@pytest.mark.parametrize(
    "wrong", ["192.0.2.300", "127.0.0.1:99999", "host:", "http://192.0.2.7", "192.0.2.0/24", "a b"]
)
def test_what_is_no_address_is_refused_before_anything_is_sent(wrong: str):
    assert run("read", wrong).status == 2


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("192.0.2.7", "192.0.2.7", 161),
        ("192.0.2.7:1161", "192.0.2.7", 1161),
        ("printer-1.example.org:1161", "printer-1.example.org", 1161),
        ("2001:db8::7", "2001:db8::7", 161),
        ("[2001:db8::7]", "2001:db8::7", 161),
        ("[::1]:1161", "::1", 1161),
    ],
)
def test_addresses_of_every_kind_are_understood(text: str, host: str, port: int):
    assert access.read_address(text) == (host, port)


# --- a real agent that is no printer ---------------------------------------------------------------------------------


@dataclass
class RealAgent:
    address: str


@pytest.fixture(scope="module")
def net_snmp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealAgent]:
    """Net-SNMP's snmpd (Debian snmpd), which describes this machine and has no printer."""
    program = debian("snmpd", "snmpd")
    folder = tmp_path_factory.mktemp("snmpd")
    port = printers.free_port()
    (folder / "snmpd.conf").write_text(
        "rocommunity library 127.0.0.1\n"
        "sysdescr Catalogue server of the library\n"
        "createUser warden SHA-256 wardens-auth-words AES wardens-priv-words\nrouser warden authPriv\n"
    )
    running = subprocess.Popen(
        [program, "-f", "-Lo", "-C", "-c", folder / "snmpd.conf", "-I", "-vacm_context", f"udp:127.0.0.1:{port}"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={"SNMP_PERSISTENT_DIR": str(folder), "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"},
    )
    try:
        deadline = time.monotonic() + 20
        while (
            run("read", f"127.0.0.1:{port}", "-c", "library", *QUICK, "--json").json["error"]["reason"] != "noPrinter"
        ):
            assert time.monotonic() < deadline
            time.sleep(0.2)
        yield RealAgent(f"127.0.0.1:{port}")
    finally:
        running.terminate()
        running.wait(10)


def test_what_answers_but_is_no_printer_is_named_so(net_snmp: RealAgent):
    done = run("read", net_snmp.address, "--community", "library")
    assert done.status == 1
    assert "is no printer" in done.err
    assert "Catalogue server of the library" in done.err


def test_a_wrong_community_is_told_from_silence_by_a_real_agent(net_snmp: RealAgent):
    done = run("read", net_snmp.address, "--community", "libary", *QUICK)
    assert done.status == 1
    assert "It is there, for it answers SNMP version 3: the community is wrong" in done.err
    assert "libary" not in done.err


@pytest.mark.parametrize("engine", ["gufo", "pysnmp"])
def test_an_unknown_user_and_a_wrong_digest_are_told_apart_by_a_real_agent(net_snmp: RealAgent, engine: str):
    keys = ("--auth", "SHA-256", "--auth-key-env", "KEY", "--engine", engine, *QUICK)
    nobody = run("read", net_snmp.address, "--user", "nobody", *keys, env={"KEY": "wardens-auth-words"})
    wrong = run("read", net_snmp.address, "--user", "warden", *keys, env={"KEY": "not-the-right-words"})
    assert (nobody.status, wrong.status) == (1, 1)
    assert "does not know the user 'nobody'" in nobody.err
    assert "digest" in wrong.err or "pass phrase" in wrong.err


# --- words and bars --------------------------------------------------------------------------------------------------


def reading(**parts: object) -> Reading:
    return Reading(datetime(2026, 3, 2, tzinfo=UTC), "192.0.2.7", 1, System(), **parts)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("device", "printer", "errors", "words"),
    [
        # RFC 3805 section 2.2.13.2, the table of device states
        ("running", "idle", (), "idle"),
        ("running", "printing", (), "printing"),
        ("warning", "idle", ("lowPaper",), "idle, with a warning: low paper"),
        ("warning", "printing", ("lowToner",), "printing, with a warning: low toner"),
        ("down", "other", ("jammed",), "stopped: jammed"),
        ("down", "other", (), "stopped"),
        ("warning", "idle", ("offline",), "going off line"),
        ("warning", "printing", ("offline",), "going off line"),
        ("down", "other", ("offline",), "off line"),
        ("down", "warmup", (), "coming on line"),
        ("running", "other", (), "standby"),
        # and what else is heard
        ("running", "warmup", (), "warming up"),
        (None, None, (), "it does not tell its status"),
        (None, None, ("noPaper", "doorOpen"), "it does not tell its status: door open, no paper"),
    ],
)
def test_the_status_is_said_as_the_standard_means_it(device, printer, errors, words):
    assert status_words(reading(device_status=device, printer_status=printer, errors=frozenset(errors))) == words


def supply(level: object, capacity: object = 1000, unit: str = "impressions") -> Supply:
    return Supply("toner", 1, 1, "supplyThatIsConsumed", "toner", "Toner", None, unit, capacity, level)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (supply(450), "45 %"),
        (supply(0), "0 %"),
        (supply(4), "< 1 %"),
        (supply(1200), "100 %"),
        (supply(Mark.SOME), "some"),
        (supply(Mark.UNKNOWN), "unknown"),
        (supply(Mark.OTHER), "no limit"),
        (supply(450, Mark.UNKNOWN), "unknown"),
        (supply(45, Mark.UNKNOWN, "percent"), "45 %"),
        (supply(5, 0), "unknown"),
    ],
)
def test_a_share_is_shown_only_where_it_is_known(one: Supply, words: str):
    assert supply_words(one) == words


@given(st.floats(0, 1), st.booleans())
def test_a_bar_is_always_as_wide_and_only_the_empty_one_looks_empty(fraction: float, ascii_only: bool):
    drawn = bar(fraction, ascii_only=ascii_only)
    assert len(drawn) == BAR_WIDTH
    assert drawn.isascii() == ascii_only
    assert (set(drawn) <= set("░-")) == (fraction == 0)


def test_an_unknown_share_does_not_look_like_an_empty_one():
    assert bar(None) != bar(0.0)
    assert bar(None, ascii_only=True) != bar(0.0, ascii_only=True)


@given(st.text(max_size=40))
def test_whatever_a_printer_says_is_shown_and_never_obeyed(text: str):
    said = f"[red]{text}[/] [link=https://x.invalid]"
    one = reading(
        model=said,
        name=said,
        serial=said,
        console=(said,),
        supplies=(Supply(said, 1, 1, said, said, said, said, said, Mark.SOME, 5),),
        alerts=(Alert(1, said, said, said, 1, 1, said, 1, said, 5),),
    )
    console = Console(width=400, record=True, force_terminal=True, file=io.StringIO())
    show(one, console)
    shown = console.export_text()
    assert "[red]" in shown
    assert "[link=https://x.invalid]" in shown
    assert shapes.reading(one)["name"] == said


def test_a_terminal_without_unicode_gets_plain_bars(tmp_path: Path):
    with (tmp_path / "out").open("w", encoding="ascii", errors="strict") as file:
        show(reading(supplies=(supply(450), supply(Mark.SOME))), Console(file=file, width=120))
    assert "#####-------" in (tmp_path / "out").read_text()
