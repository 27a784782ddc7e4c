"""Cells of invented printers, put together table by table."""

from __future__ import annotations

from datetime import UTC, datetime

from agent.mib import oids
from agent.mib.decode import decode
from agent.mib.oids import Table
from agent.model.reading import Reading
from agent.model.wire import Value

AT = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
ADDRESS = "192.0.2.7"


def row(table: Table, *index: int, **cells: Value) -> dict[str, Value]:
    """Cells of one row; the columns by name without the table's prefix where that is clear."""
    suffix = ".".join(map(str, index))
    found = {}
    for name, value in cells.items():
        matching = [column for column in table.columns.values() if column.name == name or column.name.endswith(name)]
        assert len(matching) == 1, f"{name} is no one column of {table.name}"
        found[f"{matching[0].oid}.{suffix}"] = value
    return found


def system(**cells: Value) -> dict[str, Value]:
    by_name = {column.name: column for column in oids.SCALARS}
    return {f"{by_name[name].oid}.0": value for name, value in cells.items()}


def supply(index: int, device: int = 1, **changes: Value) -> dict[str, Value]:
    """A black toner of 6,000 impressions, half used, without a colorant."""
    cells: dict[str, Value] = {
        "MarkerIndex": 1,
        "ColorantIndex": 0,
        "Class": 3,
        "Type": 3,
        "Description": b"Toner",
        "SupplyUnit": 7,
        "MaxCapacity": 6000,
        "Level": 3000,
    }
    cells.update(changes)
    return row(oids.PRT_SUPPLIES, device, index, **cells)


def colour_printer(device: int = 1) -> dict[str, Value]:
    """A Quillon C720: four toners, waste bin, two trays, one bin, one cover, a panel, a lamp and an alert."""
    cells: dict[str, Value] = {
        **system(
            sysDescr=b"Quillon C720, system 4.1",
            sysObjectID="1.3.6.1.4.1.32473.2.720",
            sysUpTime=8_640_000,
            sysName=b"reading-room",
            sysLocation=b"Harrow Lane Library, reading room",
        ),
        **row(oids.IF_TABLE, 1, ifType=24, ifPhysAddress=b""),
        **row(oids.IF_TABLE, 2, ifType=6, ifPhysAddress=bytes.fromhex("02005e100001")),
        **row(oids.HR_DEVICE, device, Type=oids.HR_DEVICE_PRINTER, Descr=b"Quillon C720", hrDeviceStatus=3),
        **row(oids.HR_PRINTER, device, hrPrinterStatus=3, DetectedErrorState=b"\x20\x02"),
        **row(
            oids.PRT_GENERAL,
            device,
            ConfigChanges=5,
            CurrentLocalization=1,
            ConsoleLocalization=2,
            PrinterName=b"Reading room",
            SerialNumber=b"QC7200042",
            CriticalEvents=2,
            AllEvents=9,
        ),
        **row(oids.PRT_LOCALIZATION, device, 1, CharacterSet=2004),
        **row(oids.PRT_LOCALIZATION, device, 2, CharacterSet=106),
        **row(oids.PRT_COVER, device, 1, Description=b"T\xcfr vorn", Status=4),
        **row(oids.PRT_OUTPUT, device, 1, Type=4, CapacityUnit=8, MaxCapacity=250, RemainingCapacity=-3, Status=0),
        **row(oids.PRT_MARKER, device, 1, MarkTech=4, CounterUnit=7, LifeCount=123_456, PowerOnCount=12, Status=8),
        **row(oids.PRT_MEDIA_PATH, device, 1, MaxSpeedPrintUnit=7, MaxSpeed=2100),
        **row(oids.PRT_MEDIA_PATH, device, 2, MaxSpeedPrintUnit=8, MaxSpeed=1200),
        **row(oids.PRT_CONSOLE, device, 1, Text="Bereit: Toner prüfen".encode()),
        **row(oids.PRT_CONSOLE, device, 2, Text=b""),
        **row(oids.PRT_LIGHT, device, 1, OnTime=1000, OffTime=0, Color=5, Description=b"Ready"),
        **row(
            oids.PRT_ALERT,
            device,
            17,
            SeverityLevel=4,
            TrainingLevel=3,
            Group=11,
            GroupIndex=1,
            Location=-2,
            Code=1104,
            Description=b"Cyan is low",
            Time=8_000_000,
        ),
    }
    for index, level in ((1, 120), (2, 340)):
        cells |= row(
            oids.PRT_INPUT,
            device,
            index,
            Type=3,
            CapacityUnit=8,
            MaxCapacity=500,
            CurrentLevel=level,
            Status=0,
            MediaName=b"A4",
            prtInputName=b"Tray %d" % index,
            Description=b"Cassette",
        )
    for index, colour in enumerate((b"cyan", b"magenta", b"yellow", b"black"), start=1):
        cells |= row(oids.PRT_COLORANT, device, index, Value=colour)
        cells |= supply(index, device, ColorantIndex=index, Level=index * 1000, Description=b"Toner T%d" % index)
    return cells | supply(5, device, Class=4, Type=4, Description=b"Waste toner bottle", SupplyUnit=13)


def read(cells: dict[str, Value], **arguments: object) -> Reading:
    given: dict[str, object] = {"at": AT, "address": ADDRESS, "device_index": 1, **arguments}
    return decode(cells, **given)  # type: ignore[arg-type]
