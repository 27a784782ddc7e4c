"""``lowmark rehearse``: the table, the settings it writes, and its end."""

from __future__ import annotations

import json
import signal
import stat
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from agent.model.wire import Community, UsmUser
from agent.rehearsal import kinds
from agent.rehearsal.fleet import Fleet
from agent.rehearsal.paper import NotOurs, settings, write_settings
from agent.settings import load
from tests.rehearsal.running import free_port, tool

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
PROGRAM = """
import sys, typer
from agent.cli import rehearse
app = typer.Typer()
app.callback()(lambda: None)
rehearse.register(app)
app(sys.argv[1:])
"""


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return Fleet(3, 20, start=START)


def test_settings_load_and_name_every_printer(fleet: Fleet, tmp_path: Path) -> None:
    path = tmp_path / "rehearsal.yaml"
    write_settings(fleet, path)
    loaded = load(path)
    assert [entry.name for entry in loaded.printers] == [worn.who.name for worn in fleet.printers]
    for entry, worn in zip(loaded.printers, fleet.printers, strict=True):
        assert entry.address is not None
        assert (entry.address.host, entry.address.port) == (worn.who.host, worn.who.port)
        given = Community() if entry.credentials == "public" else loaded.credentials[entry.credentials].wire()
        assert given == worn.kind.credentials
        assert entry.device == (worn.who.device_index if worn.kind is kinds.SERVER else None)
        assert loaded.sites[entry.site or ""].zone == worn.who.place.zone


def test_secrets_stand_in_files_of_their_own_that_only_the_owner_reads(fleet: Fleet, tmp_path: Path) -> None:
    text, secrets = settings(fleet)
    known = [kinds.SECURE_256, kinds.SECURE_1, kinds.OLD.credentials]
    for one in known:
        words = [one.community] if isinstance(one, Community) else [one.auth_key, one.priv_key]
        for word in words:
            assert word in secrets.values()
            assert str(word) not in text
    assert isinstance(kinds.SECURE_256, UsmUser)
    written = write_settings(fleet, tmp_path / "made" / "rehearsal.yaml")
    assert {stat.S_IMODE(path.stat().st_mode) for path in written[1:]} == {0o600}


def test_a_file_of_somebody_else_is_left_alone(fleet: Fleet, tmp_path: Path) -> None:
    path = tmp_path / "lowmark.yaml"
    path.write_text("zone: UTC\n")
    with pytest.raises(NotOurs, match="was not written by a rehearsal"):
        write_settings(fleet, path)
    assert path.read_text() == "zone: UTC\n"
    assert list(tmp_path.iterdir()) == [path]


def test_settings_of_an_earlier_rehearsal_are_replaced(fleet: Fleet, tmp_path: Path) -> None:
    path = tmp_path / "rehearsal.yaml"
    write_settings(Fleet(3, 2, start=START), path)
    write_settings(fleet, path)
    assert len(load(path).printers) == 20


def test_the_command_serves_until_ctrl_c(tmp_path: Path) -> None:
    port, path = free_port(), tmp_path / "rehearsal.yaml"
    words = ["rehearse", "--printers", "4", "--port", str(port), "--write-settings", str(path), "--seconds", "60"]
    with subprocess.Popen([sys.executable, "-c", PROGRAM, *words], stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        heard = ""
        for line in running.stdout:
            heard += line
            if "Ctrl-C" in line:
                break
        for number, kind in enumerate(kinds.KINDS[:4], 1):
            assert f"hl-{number:02}" in heard
            assert kind.name in heard
            assert f"127.77.0.{number}:{port}" in heard
        ran = tool("snmpget", "-v2c", "-c", "public", f"127.77.0.2:{port}", "1.3.6.1.2.1.1.1.0")
        assert "Quillon C720" in ran.stdout
        running.send_signal(signal.SIGINT)
        assert running.wait(10) == 0
    assert len(load(path).printers) == 4


def test_the_command_prints_json_and_ends_by_itself() -> None:
    words = ["rehearse", "--printers", "2", "--port", str(free_port()), "--seconds", "0.2", "--json"]
    ran = subprocess.run([sys.executable, "-c", PROGRAM, *words], capture_output=True, text=True, timeout=30)
    told = json.loads(ran.stdout)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert told["format"] == "lowmark.rehearse.v1"
    assert [printer["snmp"] for printer in told["printers"]] == ["v2c", "v2c"]
