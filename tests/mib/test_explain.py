"""Raw cells in words."""

from __future__ import annotations

import pytest

from agent.mib import oids
from agent.mib.explain import Explained, explain
from agent.model.wire import Value
from tests.mib.invented import colour_printer, row, supply, system


def said(cells: dict[str, Value], device: int = 1) -> dict[str, tuple[str, str]]:
    return {line.name: (line.raw, line.meaning) for line in explain(cells, device)}


@pytest.mark.parametrize(
    ("name", "raw", "meaning"),
    [
        ("sysUpTime.0", "8640000", "1 d 00:00:00.00"),
        ("sysName.0", '"reading-room"', "reading-room"),
        ("ifPhysAddress.2", "0x02005e100001", "02:00:5e:10:00:01"),
        ("hrDeviceType.1", "1.3.6.1.2.1.25.3.1.5", "a printer"),
        ("hrPrinterStatus.1", "3", "idle"),
        ("hrPrinterDetectedErrorState.1", "0x2002", "lowToner, overduePreventMaint"),
        ("prtLocalizationCharacterSet.1.2", "106", "utf_8"),
        ("prtMarkerStatus.1.1", "8", "idle, non-critical alert"),
        ("prtMarkerLifeCount.1.1", "123456", "123456"),
        ("prtMarkerSuppliesLevel.1.1", "1000", "1000 of 6000 impressions left"),
        ("prtMarkerSuppliesLevel.1.5", "3000", "room for 3000 of 6000 tenthsOfGrams left"),
        ("prtMarkerSuppliesColorantIndex.1.5", "0", "none"),
        ("prtOutputRemainingCapacity.1.1", "-3", "some remains, how much is not known"),
        ("prtCoverDescription.1.1", "0x54cf7220766f726e", "Tür vorn"),
        ("prtAlertCode.1.17", "1104", "markerTonerAlmostEmpty"),
    ],
)
def test_a_cell_is_told_by_name_value_and_meaning(name: str, raw: str, meaning: str) -> None:
    assert said(colour_printer())[name] == (raw, meaning)


def test_every_cell_of_the_printer_is_told_in_order_of_its_oid() -> None:
    cells = colour_printer()
    lines = explain(cells, 1)
    assert {line.oid for line in lines} == cells.keys()
    assert [line.oid for line in lines] == sorted(cells, key=lambda oid: [int(part) for part in oid.split(".")])


def test_cells_of_other_printers_are_left_out() -> None:
    cells = colour_printer() | supply(1, device=2)
    assert len(explain(cells, 1)) == len(colour_printer())
    assert explain(supply(1, device=2), 2)[0].name == "prtMarkerSuppliesMarkerIndex.2.1"


@pytest.mark.parametrize(
    ("cells", "name", "meaning"),
    [
        (supply(1, Level=-7), "prtMarkerSuppliesLevel.1.1", "unknown; -7 is outside -3 .. 2147483647"),
        (supply(1, Type=99), "prtMarkerSuppliesType.1.1", "unlisted(99); 99 is listed in no standard"),
        (supply(1, Level=b"x"), "prtMarkerSuppliesLevel.1.1", "unknown; the octets 78 in place of a number"),
        (system(sysUpTime=b"x"), "sysUpTime.0", "the octets 78 in place of a number"),
        (row(oids.PRT_MARKER, 1, 1, Status=27), "prtMarkerStatus.1.1", "broken, non-critical alert, critical alert"),
    ],
)
def test_what_is_wrong_with_a_cell_is_told(cells: dict[str, Value], name: str, meaning: str) -> None:
    assert said(cells)[name][1] == meaning


def test_an_unknown_object_is_shown_without_a_meaning() -> None:
    assert explain({"1.3.6.1.4.1.32473.5.0": b"\x1b[2J"}, 1) == [
        Explained("1.3.6.1.4.1.32473.5.0", "1.3.6.1.4.1.32473.5.0", "0x1b5b324a", "")
    ]


def test_host_resources_rows_under_another_index_are_told_too() -> None:
    cells = row(oids.PRT_GENERAL, 1, ConfigChanges=1) | row(oids.HR_PRINTER, 4, hrPrinterStatus=3)
    cells |= row(oids.HR_DEVICE, 1, Type=f"{oids.HOST}.3.1.3")
    assert list(said(cells)) == ["hrPrinterStatus.4", "prtGeneralConfigChanges.1"]
