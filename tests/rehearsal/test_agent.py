"""What a simulated printer answers, as Debian's SNMP tools, pysnmp and gufo-snmp see it; and that it obeys the MIBs."""

from __future__ import annotations

import asyncio
import re
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.model.wire import Community, Peer, Value
from agent.rehearsal import ber, face, kinds
from agent.rehearsal.agent import Image, Responder
from agent.rehearsal.serve import Host, Rehearsal
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.needs import debian
from tests.rehearsal.running import rehearsal, tool

UPTIME = "1.3.6.1.2.1.1.3.0"


@pytest.fixture(scope="module")
def running() -> Iterator[Rehearsal]:
    with rehearsal() as started:
        yield started


def host_of(running: Rehearsal, kind: kinds.Kind) -> Host:
    return next(host for host in running.hosts if host.printers[0].kind is kind)


def everything(running: Rehearsal, kind: kinds.Kind) -> dict[str, Value]:
    host = host_of(running, kind)
    return running.fleet.cells(host.printers[0], running.clock.now())


def said(output: str) -> dict[str, str]:
    """The lines of a tool: OID without its leading dot -> what follows the equals sign. No OID may come twice."""
    lines = re.findall(r"^\.([\d.]+) = (?!No more variables)(.*)$", output, re.MULTILINE)
    assert len(lines) == len(dict(lines))
    return dict(lines)


@pytest.mark.parametrize(
    ("program", "version", "community", "kind"),
    [
        ("snmpwalk", "2c", "public", kinds.FLOOR),
        ("snmpbulkwalk", "2c", "public", kinds.BIG),
        ("snmpwalk", "1", "public", kinds.INK),
        ("snmpwalk", "1", "harrow-old", kinds.OLD),
        ("snmpbulkwalk", "2c", "public", kinds.SERVER),
    ],
    ids=lambda part: part if isinstance(part, str) else part.name,
)
def test_net_snmp_walks_over_every_cell_once(
    running: Rehearsal, program: str, version: str, community: str, kind: kinds.Kind
) -> None:
    ran = tool(program, f"-v{version}", "-c", community, str(host_of(running, kind).address), ".1.3.6.1")
    walked = said(ran.stdout)
    cells = everything(running, kind)
    assert walked.keys() == cells.keys()
    numbers = {oid: int(value.split(": ")[1]) for oid, value in walked.items() if value.startswith("INTEGER: ")}
    assert len(numbers) > 30
    changing = {oid for oid in numbers if ".43.16." in oid or ".25.3." in oid or ".17.6." in oid}
    assert {oid: cells[oid] for oid in numbers if oid not in changing} == {
        oid: number for oid, number in numbers.items() if oid not in changing
    }


@pytest.mark.parametrize("engine", ["gufo", "pysnmp"])
@pytest.mark.parametrize("kind", [kinds.FLOOR, kinds.OLD, kinds.SECURE, kinds.SECURE_OLD], ids=lambda kind: kind.name)
def test_both_engines_read_what_the_printer_holds(running: Rehearsal, engine: str, kind: kinds.Kind) -> None:
    host = host_of(running, kind)
    peer = Peer(host.address.host, host.address.port, kind.credentials)

    async def read() -> dict[str, Value]:
        opened = open_engine(engine)
        try:
            return dict((await Reader(opened).read(peer, full=True)).cells)
        finally:
            await opened.close()

    found = asyncio.run(read())
    cells = everything(running, kind)
    assert len(found) > 50
    assert found[UPTIME] <= cells[UPTIME]  # type: ignore[operator]
    found.pop(UPTIME)
    assert {oid: value for oid, value in found.items() if cells.get(oid) != value} == {}


def test_version_1_names_the_cell_that_is_missing(running: Rehearsal) -> None:
    address = str(host_of(running, kinds.OLD).address)
    ran = tool("snmpget", "-v1", "-c", "harrow-old", address, "1.3.6.1.2.1.1.1.0", "1.3.6.1.2.1.43.99.1.0")
    assert "noSuchName" in ran.stderr
    assert "43.99.1.0" in ran.stderr


def test_version_2c_tells_a_missing_row_from_a_missing_table(running: Rehearsal) -> None:
    address = str(host_of(running, kinds.DESK).address)
    row, table = "1.3.6.1.2.1.43.11.1.1.9.1.77", "1.3.6.1.2.1.43.99.1.0"
    ran = said(tool("snmpget", "-v2c", "-c", "public", address, row, table).stdout)
    assert ran[row].startswith("No Such Instance")
    assert ran[table].startswith("No Such Object")


def test_a_printer_of_484_octets_says_too_big(running: Rehearsal) -> None:
    host = host_of(running, kinds.OLD)
    many = [oid for oid in everything(running, kinds.OLD) if oid.startswith("1.3.6.1.2.1.43.8.")]
    assert len(many) > 15
    ran = tool("snmpget", "-v1", "-c", "harrow-old", "-Cf", str(host.address), *many)
    assert "tooBig" in ran.stderr


@pytest.mark.parametrize(
    ("version", "community", "kind"),
    [("2c", "wrong", kinds.DESK), ("2c", "harrow-old", kinds.OLD), ("2c", "public", kinds.SECURE)],
    ids=["community", "version 1 only", "version 3 only"],
)
def test_who_may_not_ask_gets_no_answer(running: Rehearsal, version: str, community: str, kind: kinds.Kind) -> None:
    address = str(host_of(running, kind).address)
    ran = tool("snmpget", f"-v{version}", "-c", community, "-r", "0", "-t", "0.5", address, UPTIME)
    assert ran.returncode != 0
    assert "Timeout" in ran.stderr


@pytest.mark.parametrize(("version", "words"), [("1", "readOnly"), ("2c", "noAccess")])
def test_a_set_is_refused_and_counted(running: Rehearsal, version: str, words: str) -> None:
    host = host_of(running, kinds.DESK)
    before, name = running.sets, host.printers[0].who.name
    ran = tool("snmpset", f"-v{version}", "-c", "public", str(host.address), "1.3.6.1.2.1.1.5.0", "s", "changed")
    assert words in ran.stderr
    assert running.sets == before + 1
    assert everything(running, kinds.DESK)["1.3.6.1.2.1.1.5.0"] == name.encode()


def test_a_bulk_answer_stops_where_it_would_be_too_long() -> None:
    cells: dict[str, Value] = {f"1.3.6.1.2.1.43.8.2.1.18.1.{n}": bytes(100) for n in range(1, 60)}
    image = Image(cells, face.tag_of)
    printer = Responder(lambda: image, Community(), largest=700)
    asked = ber.message(
        1, b"public", ber.pdu(ber.GET_BULK, 1, 0, 50, ber.binding(ber.oid_content("1.3.6.1.2"), b"\x05\x00"))
    )
    made = printer.handle(asked)
    assert made is not None
    assert 500 < len(made) <= 700


# --- the standard's modules --------------------------------------------------------------------------------------

MODULES = ("Printer-MIB", "IANA-PRINTER-MIB", "HOST-RESOURCES-MIB", "IF-MIB", "SNMPv2-MIB")


@pytest.fixture(scope="module")
def columns() -> dict[str, Any]:
    """Every column and scalar of Debian's compiled modules (python3-pysnmp4-mibs) by its OID."""
    from pysnmp.smi import builder

    place = Path(debian("python3-pysnmp4-mibs", "/usr/lib/python3/dist-packages/pysnmp_mibs/Printer-MIB.py"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the modules are written for an earlier pysnmp
        mibs = builder.MibBuilder()
        mibs.set_mib_sources(mibs.get_mib_sources()[0], builder.DirMibSource(str(place.parent)))
        mibs.load_modules(*MODULES)
    symbols = [symbol for module in MODULES for symbol in mibs.mibSymbols[module].values()]
    return {
        ".".join(map(str, symbol.name)): symbol
        for symbol in symbols
        if symbol.__class__.__name__ in ("MibTableColumn", "MibScalar")
    }


TAGS = {
    "Counter32": ber.COUNTER32,
    "Gauge32": ber.GAUGE32,
    "TimeTicks": ber.TIME_TICKS,
    "ObjectIdentifier": ber.OID,
    "OctetString": ber.OCTETS,
    "Integer32": ber.INTEGER,
    "Integer": ber.INTEGER,
}


@pytest.mark.parametrize("kind", kinds.KINDS, ids=lambda kind: kind.name)
def test_every_cell_is_an_object_of_the_standards_and_of_its_type(
    running: Rehearsal, columns: dict[str, Any], kind: kinds.Kind
) -> None:
    checked = 0
    for oid, value in everything(running, kind).items():
        if oid.startswith(face.COUNTERS):  # PWG 5106.3 is in none of these modules
            continue
        arcs = oid.split(".")
        column = next(
            (columns[".".join(arcs[:n])] for n in range(len(arcs), 6, -1) if ".".join(arcs[:n]) in columns), None
        )
        assert column is not None, oid
        assert column.maxAccess in ("read-only", "read-write", "readonly", "readwrite"), oid
        bases = [base.__name__ for base in type(column.syntax).__mro__]
        tag = next(TAGS[base] for base in bases if base in TAGS)
        assert face.tag_of(oid, value) == tag, (oid, column.label)
        allowed = getattr(column.syntax, "namedValues", None)
        if allowed and isinstance(value, int):
            assert value in [int(number) for number in allowed.values()], (oid, column.label, value)
        checked += 1
    assert checked > 80
