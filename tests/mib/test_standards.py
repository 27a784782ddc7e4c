"""OIDs and enumerations against the compiled MIB modules of Debian's python3-pysnmp4-mibs."""

from __future__ import annotations

import hashlib
import warnings
from pathlib import Path
from typing import Any

import pytest

from agent.mib import enums, oids
from agent.mib.alert_codes import ALERT_CODE, RFC_3805
from tests.needs import debian

MODULES = ("Printer-MIB", "IANA-PRINTER-MIB", "HOST-RESOURCES-MIB", "IANAifType-MIB", "IF-MIB", "SNMPv2-MIB")

# Labels that IANA added to the registry after the package's copy of it (IANA-PRINTER-MIB, 2016-08-17).
ADDED_LATER = {
    "PrtInputTypeTC": {8: "sheetFeedPull"},
    "PrtMarkerSuppliesTypeTC": {35: "matteToner", 36: "matteInk"},
}


@pytest.fixture(scope="module")
def symbols() -> dict[str, Any]:
    """Every symbol of the modules by name."""
    from pysnmp.smi import builder

    printer_mib = Path(debian("python3-pysnmp4-mibs", "/usr/lib/python3/dist-packages/pysnmp_mibs/Printer-MIB.py"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the modules are written for an earlier pysnmp
        mibs = builder.MibBuilder()
        # Only these two places: an installed pysnmp_mibs package would otherwise shadow Debian's.
        mibs.set_mib_sources(mibs.get_mib_sources()[0], builder.DirMibSource(str(printer_mib.parent)))
        mibs.load_modules(*MODULES)
    return {name: symbol for module in MODULES for name, symbol in mibs.mibSymbols[module].items()}


def columns() -> list[oids.Column]:
    standard = [table for table in oids.TABLES if table not in oids.COUNTER_TABLES]
    return [*oids.SCALARS, *(column for table in standard for column in table.columns.values())]


def labels(syntax: Any) -> dict[int, str]:
    return {int(number): name for name, number in syntax.namedValues.items()}


@pytest.mark.parametrize("column", columns(), ids=lambda column: column.name)
def test_every_object_has_the_standards_oid(symbols: dict[str, Any], column: oids.Column) -> None:
    assert ".".join(map(str, symbols[column.name].name)) == column.oid


@pytest.mark.parametrize(
    "table", [t for t in oids.TABLES if t not in oids.COUNTER_TABLES], ids=lambda table: table.name
)
def test_every_index_has_the_standards_length(symbols: dict[str, Any], table: oids.Table) -> None:
    entry = next(
        symbol
        for symbol in symbols.values()
        if symbol.__class__.__name__ == "MibTableRow" and ".".join(map(str, symbol.name)) == table.oid
    )
    assert len(entry.getIndexNames()) == table.index_length


@pytest.mark.parametrize("name", [n for n in enums.ENUMS if n.startswith("Prt")])
def test_every_enumeration_of_the_printer_mib_equals_the_standards(symbols: dict[str, Any], name: str) -> None:
    ours = dict(enums.ENUMS[name])
    if name == "PrtAlertCodeTC":
        ours = dict(RFC_3805)
    assert ours == {**labels(symbols[name]), **ADDED_LATER.get(name, {})}


@pytest.mark.parametrize(
    ("name", "ours"), [("hrDeviceStatus", enums.DEVICE_STATUS), ("hrPrinterStatus", enums.PRINTER_STATUS)]
)
def test_the_host_resources_enumerations_equal_the_standards(
    symbols: dict[str, Any], name: str, ours: enums.Labels
) -> None:
    assert dict(ours) == labels(symbols[name].syntax)


def test_the_interface_types_are_the_registrys(symbols: dict[str, Any]) -> None:
    registered = labels(symbols["IANAifType"])
    assert dict(enums.INTERFACE_TYPE) == {number: registered[number] for number in enums.INTERFACE_TYPE}


@pytest.mark.parametrize("column", [c for c in columns() if c.name.startswith("prt")], ids=lambda column: column.name)
def test_columns_are_understood_as_the_standard_types_them(symbols: dict[str, Any], column: oids.Column) -> None:
    syntax = symbols[column.name].syntax
    kinds = {kind.__name__ for kind in type(syntax).__mro__}
    if column.syntax in enums.ENUMS:
        assert column.syntax in kinds
        return
    expected = {
        "text": "PrtLocalizedDescriptionStringTC",
        "consoleText": "PrtConsoleDescriptionStringTC",
        "string": "OctetString",
        "status": "PrtSubUnitStatusTC",
        "ticks": "TimeTicks",
        "counter": "Counter32",
        "IANACharset": "IANACharset",
    }.get(column.syntax, "Integer32")
    assert expected in kinds
    if column.syntax == "string":
        assert not kinds & {"PrtLocalizedDescriptionStringTC", "PrtConsoleDescriptionStringTC"}


@pytest.mark.parametrize(
    ("name", "lowest"),
    [
        ("prtMarkerSuppliesLevel", -3),
        ("prtMarkerSuppliesMaxCapacity", -2),
        ("prtInputCurrentLevel", -3),
        ("prtInputMaxCapacity", -2),
        ("prtOutputRemainingCapacity", -3),
        ("prtOutputMaxCapacity", -2),
    ],
)
def test_levels_and_capacities_have_the_standards_range(symbols: dict[str, Any], name: str, lowest: int) -> None:
    ranges = [str(constraint) for constraint in symbols[name].syntax.subtypeSpec]
    assert any(f"consts {lowest}, 2147483647" in text for text in ranges)


def test_ianas_finisher_codes_are_all_there() -> None:
    """The 707 labels of IANA-PRINTER-MIB (rev. 2011-11-04; the codes are those of 2016-08-17) as PyPI pysnmp-mibs 0.1.6
    has them, written ``number=label`` line by line in order of number. That package cannot be installed beside the
    tests, as it shadows Debian's modules; so its digest stands here."""
    lines = "\n".join(f"{number}={ALERT_CODE[number]}" for number in sorted(ALERT_CODE))
    assert len(ALERT_CODE) == 707
    assert (
        hashlib.sha256(lines.encode()).hexdigest() == "41e9f6328fe5ccbd3b8cce96505b8d62830c766f1ade2ee3ebf79e9cef210cc8"
    )


def test_no_object_is_listed_twice() -> None:
    every = [column.oid for column in (*oids.SCALARS, *(c for t in oids.TABLES for c in t.columns.values()))]
    assert len(every) == len(set(every))
