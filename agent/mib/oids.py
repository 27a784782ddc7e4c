"""The objects that are read: names, numbers and syntax, as the standards give them.

Sources: RFC 3805 (Printer-MIB), RFC 2790 (HOST-RESOURCES-MIB), RFC 3418 (system group), RFC 2863 (ifTable) and PWG
5106.3-2008 (imaging counters). Only columns that the decoder uses are listed. An instance OID is the column's OID, a
dot and the index; index columns themselves are not accessible and therefore never asked for.

The *syntax* of a column is one word that says how its value is to be understood:

``text``         PrtLocalizedDescriptionStringTC: the character set of prtGeneralCurrentLocalization
``consoleText``  PrtConsoleDescriptionStringTC: the character set of prtConsoleLocalization
``display``      DisplayString: NVT ASCII (RFC 2579)
``string``       OCTET STRING with words in it; no character set is laid down (ASCII or UTF-8 by good manners)
``hex``          OCTET STRING that is no text
``oid``          OBJECT IDENTIFIER
``integer``      a plain number; ``counter`` one that only grows; ``ticks`` hundredths of a second; ``ordinal`` the
                 index of a row elsewhere, 0 for none
``capacity``     -2 .. 2147483647, ``level`` -3 .. 2147483647 (RFC 3805 section 2.4)
``status``       PrtSubUnitStatusTC, a sum of bits
anything else    the name of an enumeration in ``enums``
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

TWO_31 = 2**31
TWO_32 = 2**32

MIB_2 = "1.3.6.1.2.1"
SYSTEM = f"{MIB_2}.1"
INTERFACES = f"{MIB_2}.2"
HOST = f"{MIB_2}.25"
PRINTER = f"{MIB_2}.43"
PWG_COUNTERS = "1.3.6.1.4.1.2699.1.3.1"

HR_DEVICE_PRINTER = f"{HOST}.3.1.5"


@dataclass(frozen=True, slots=True)
class Column:
    """One column (or scalar). ``oid`` has no leading dot and no index. ``fast`` columns are asked at every poll."""

    oid: str
    name: str
    syntax: str
    fast: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table: ``oid`` of its entry, the number of sub-identifiers in its index, and its columns by their number."""

    name: str
    oid: str
    index_length: int
    columns: Mapping[int, Column]

    def __getitem__(self, name: str) -> str:
        """The OID of the column of that name. Raises KeyError."""
        for column in self.columns.values():
            if column.name == name:
                return column.oid
        raise KeyError(name)


def _table(
    name: str, oid: str, index_length: int, columns: Mapping[int, tuple[str, str]], fast: frozenset[int]
) -> Table:
    return Table(
        name,
        oid,
        index_length,
        MappingProxyType({n: Column(f"{oid}.{n}", word, how, n in fast) for n, (word, how) in columns.items()}),
    )


# --- system group, RFC 3418 -------------------------------------------------------------------------------------

SYS_DESCR = Column(f"{SYSTEM}.1", "sysDescr", "display")
SYS_OBJECT_ID = Column(f"{SYSTEM}.2", "sysObjectID", "oid")
SYS_UP_TIME = Column(f"{SYSTEM}.3", "sysUpTime", "ticks", fast=True)
SYS_NAME = Column(f"{SYSTEM}.5", "sysName", "display")
SYS_LOCATION = Column(f"{SYSTEM}.6", "sysLocation", "display")
SCALARS = (SYS_DESCR, SYS_OBJECT_ID, SYS_UP_TIME, SYS_NAME, SYS_LOCATION)

# --- interfaces, RFC 2863: only for the hardware address --------------------------------------------------------

IF_TABLE = _table(
    "ifTable",
    f"{INTERFACES}.2.1",
    1,
    {3: ("ifType", "IANAifType"), 6: ("ifPhysAddress", "hex")},
    frozenset(),
)

# --- host resources, RFC 2790 -----------------------------------------------------------------------------------

HR_DEVICE = _table(
    "hrDeviceTable",
    f"{HOST}.3.2.1",
    1,
    {
        2: ("hrDeviceType", "oid"),
        3: ("hrDeviceDescr", "display"),
        5: ("hrDeviceStatus", "hrDeviceStatus"),
    },
    frozenset({5}),
)
HR_PRINTER = _table(
    "hrPrinterTable",
    f"{HOST}.3.5.1",
    1,
    {1: ("hrPrinterStatus", "hrPrinterStatus"), 2: ("hrPrinterDetectedErrorState", "hrPrinterDetectedErrorState")},
    frozenset({1, 2}),
)

# --- Printer-MIB, RFC 3805 --------------------------------------------------------------------------------------

PRT_GENERAL = _table(
    "prtGeneralTable",
    f"{PRINTER}.5.1.1",
    1,
    {
        1: ("prtGeneralConfigChanges", "counter"),
        2: ("prtGeneralCurrentLocalization", "ordinal"),
        10: ("prtConsoleLocalization", "ordinal"),
        16: ("prtGeneralPrinterName", "string"),
        17: ("prtGeneralSerialNumber", "string"),
        18: ("prtAlertCriticalEvents", "counter"),
        19: ("prtAlertAllEvents", "counter"),
    },
    frozenset({1, 18, 19}),
)
PRT_COVER = _table(
    "prtCoverTable",
    f"{PRINTER}.6.1.1",
    2,
    {2: ("prtCoverDescription", "text"), 3: ("prtCoverStatus", "PrtCoverStatusTC")},
    frozenset({3}),
)
PRT_LOCALIZATION = _table(
    "prtLocalizationTable",
    f"{PRINTER}.7.1.1",
    2,
    {4: ("prtLocalizationCharacterSet", "IANACharset")},
    frozenset(),
)
PRT_INPUT = _table(
    "prtInputTable",
    f"{PRINTER}.8.2.1",
    2,
    {
        2: ("prtInputType", "PrtInputTypeTC"),
        8: ("prtInputCapacityUnit", "PrtCapacityUnitTC"),
        9: ("prtInputMaxCapacity", "capacity"),
        10: ("prtInputCurrentLevel", "level"),
        11: ("prtInputStatus", "status"),
        12: ("prtInputMediaName", "string"),
        13: ("prtInputName", "string"),
        18: ("prtInputDescription", "text"),
    },
    frozenset({10, 11}),
)
PRT_OUTPUT = _table(
    "prtOutputTable",
    f"{PRINTER}.9.2.1",
    2,
    {
        2: ("prtOutputType", "PrtOutputTypeTC"),
        3: ("prtOutputCapacityUnit", "PrtCapacityUnitTC"),
        4: ("prtOutputMaxCapacity", "capacity"),
        5: ("prtOutputRemainingCapacity", "level"),
        6: ("prtOutputStatus", "status"),
        7: ("prtOutputName", "string"),
        12: ("prtOutputDescription", "text"),
    },
    frozenset({5, 6}),
)
PRT_MARKER = _table(
    "prtMarkerTable",
    f"{PRINTER}.10.2.1",
    2,
    {
        2: ("prtMarkerMarkTech", "PrtMarkerMarkTechTC"),
        3: ("prtMarkerCounterUnit", "PrtMarkerCounterUnitTC"),
        4: ("prtMarkerLifeCount", "counter"),
        5: ("prtMarkerPowerOnCount", "counter"),
        15: ("prtMarkerStatus", "status"),
    },
    frozenset({4, 5, 15}),
)
PRT_SUPPLIES = _table(
    "prtMarkerSuppliesTable",
    f"{PRINTER}.11.1.1",
    2,
    {
        2: ("prtMarkerSuppliesMarkerIndex", "ordinal"),
        3: ("prtMarkerSuppliesColorantIndex", "ordinal"),
        4: ("prtMarkerSuppliesClass", "PrtMarkerSuppliesClassTC"),
        5: ("prtMarkerSuppliesType", "PrtMarkerSuppliesTypeTC"),
        6: ("prtMarkerSuppliesDescription", "text"),
        7: ("prtMarkerSuppliesSupplyUnit", "PrtMarkerSuppliesSupplyUnitTC"),
        8: ("prtMarkerSuppliesMaxCapacity", "capacity"),
        9: ("prtMarkerSuppliesLevel", "level"),
    },
    # The capacity too: a larger cartridge may go in without the printer counting that as a change of configuration.
    frozenset({8, 9}),
)
PRT_COLORANT = _table(
    "prtMarkerColorantTable",
    f"{PRINTER}.12.1.1",
    2,
    {4: ("prtMarkerColorantValue", "string")},
    frozenset(),
)
PRT_MEDIA_PATH = _table(
    "prtMediaPathTable",
    f"{PRINTER}.13.4.1",
    2,
    {
        2: ("prtMediaPathMaxSpeedPrintUnit", "PrtMediaPathMaxSpeedPrintUnitTC"),
        4: ("prtMediaPathMaxSpeed", "capacity"),
    },
    frozenset(),
)
PRT_CONSOLE = _table(
    "prtConsoleDisplayBufferTable",
    f"{PRINTER}.16.5.1",
    2,
    {2: ("prtConsoleDisplayBufferText", "consoleText")},
    frozenset({2}),
)
PRT_LIGHT = _table(
    "prtConsoleLightTable",
    f"{PRINTER}.17.6.1",
    2,
    {
        2: ("prtConsoleOnTime", "integer"),
        3: ("prtConsoleOffTime", "integer"),
        4: ("prtConsoleColor", "PrtConsoleColorTC"),
        5: ("prtConsoleDescription", "consoleText"),
    },
    frozenset({2, 3}),
)
PRT_ALERT = _table(
    "prtAlertTable",
    f"{PRINTER}.18.1.1",
    2,
    {
        2: ("prtAlertSeverityLevel", "PrtAlertSeverityLevelTC"),
        3: ("prtAlertTrainingLevel", "PrtAlertTrainingLevelTC"),
        4: ("prtAlertGroup", "PrtAlertGroupTC"),
        5: ("prtAlertGroupIndex", "integer"),
        6: ("prtAlertLocation", "integer"),
        7: ("prtAlertCode", "PrtAlertCodeTC"),
        8: ("prtAlertDescription", "text"),
        9: ("prtAlertTime", "ticks"),
    },
    frozenset({2, 3, 4, 5, 6, 7, 8, 9}),
)

# --- PWG 5106.3 imaging counters; index: KeyIndex, WorkType, Persistence ----------------------------------------
# The numbers are the standard's; the columns' full names are written down from memory.

IC_WORK_TOTALS = 3  # IcWorkTypeTC
IC_LIFETIME = 3  # IcPersistenceTC

IC_IMPRESSION = _table(
    "icImpressionTable",
    f"{PWG_COUNTERS}.8.1.1",
    3,
    {
        4: ("icImpressionTotalImps", "counter"),
        5: ("icImpressionMonochromeImps", "counter"),
        7: ("icImpressionFullColorImps", "counter"),
    },
    frozenset({4, 5, 7}),
)
IC_TWO_SIDED = _table(
    "icTwoSidedTable", f"{PWG_COUNTERS}.9.1.1", 3, {4: ("icTwoSidedTotalImps", "counter")}, frozenset({4})
)
IC_SHEET = _table("icSheetTable", f"{PWG_COUNTERS}.10.1.1", 3, {4: ("icSheetTotalSheets", "counter")}, frozenset({4}))

PRINTER_TABLES = (
    PRT_GENERAL,
    PRT_COVER,
    PRT_LOCALIZATION,
    PRT_INPUT,
    PRT_OUTPUT,
    PRT_MARKER,
    PRT_SUPPLIES,
    PRT_COLORANT,
    PRT_MEDIA_PATH,
    PRT_CONSOLE,
    PRT_LIGHT,
    PRT_ALERT,
)
COUNTER_TABLES = (IC_IMPRESSION, IC_TWO_SIDED, IC_SHEET)
TABLES = (IF_TABLE, HR_DEVICE, HR_PRINTER, *PRINTER_TABLES, *COUNTER_TABLES)


def _by_oid() -> Mapping[str, tuple[Column, int]]:
    found = {column.oid: (column, 1) for column in SCALARS}
    found.update({column.oid: (column, table.index_length) for table in TABLES for column in table.columns.values()})
    return MappingProxyType(found)


_COLUMNS = _by_oid()


def find(oid: str) -> tuple[Column, str] | None:
    """The column and the index part of an instance OID, or None for an object that is not in these tables.

    The length of the index is checked: ``...11.1.1.9.1.3`` is a cell, ``...11.1.1.9.1`` and ``...9.1.3.7`` are not.
    """
    stem = oid
    for length in (1, 2, 3):
        stem = stem.rpartition(".")[0]
        hit = _COLUMNS.get(stem)
        if hit is not None and hit[1] == length:
            return hit[0], oid[len(stem) + 1 :]
    return None
