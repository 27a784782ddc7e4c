"""``lowmark read`` against a real agent that none of us wrote: Debian's snmpd with a Printer-MIB (pass_persist)."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from typer.testing import CliRunner

from agent.cli import build
from tests.snmp import printer
from tests.snmp.snmpd import OTHER_PASSPHRASE, PASSPHRASE, Agent, serving

SECURE = ["--user", "sha256-aes", "--auth", "SHA-256", "--priv", "AES-128"]
WAYS = {"v1": ["--snmp", "1"], "v2c": [], "v3 authPriv": [*SECURE, "--auth-key-env", "AUTH", "--priv-key-env", "PRIV"]}


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Agent]:
    with serving(tmp_path_factory.mktemp("snmpd"), printer.colour_printer()) as agent:
        yield agent


@pytest.mark.parametrize("engine", ["gufo", "pysnmp"])
@pytest.mark.parametrize("way", WAYS)
def test_the_same_supplies_are_read_in_every_version(snmpd, way, engine):
    environ = {"AUTH": PASSPHRASE, "PRIV": OTHER_PASSPHRASE, "COLUMNS": "150"}
    words = ["read", f"127.0.0.1:{snmpd.port}", *WAYS[way], "--engine", engine, "--json"]
    done = CliRunner().invoke(build(), words, env=environ)
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["format"] == "lowmark.read.v1"
    (one,) = told["printers"]
    served = {
        int(oid.rsplit(".", 1)[1]): int.from_bytes(typed.octets, "big", signed=True)
        for oid, typed in printer.colour_printer().items()
        if oid.startswith(printer.LEVEL)
    }
    read = {supply["index"]: supply["level"] for supply in one["supplies"]}
    marks = {-1: "other", -2: "unknown", -3: "some"}  # RFC 3805 section 2.4
    assert read == {at: {"mark": marks[level]} if level < 0 else {"value": level} for at, level in served.items()}
    assert len(served) > 3
