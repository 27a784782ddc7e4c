"""A whole invented printer, decoded."""

from __future__ import annotations

import pytest

from agent.mib import oids
from agent.mib.decode import devices
from agent.model.reading import Alert, Counter, Cover, Light, Mark, Marker, Supply, System
from agent.model.wire import Value
from tests.mib.invented import ADDRESS, AT, colour_printer, read, row, supply, system


def test_a_colour_printer_is_read_whole() -> None:
    reading = read(colour_printer())
    assert (reading.at, reading.address, reading.device_index) == (AT, ADDRESS, 1)
    assert reading.system == System(
        "Quillon C720, system 4.1",
        "1.3.6.1.4.1.32473.2.720",
        8_640_000,
        "reading-room",
        "Harrow Lane Library, reading room",
    )
    assert (reading.name, reading.model, reading.serial) == ("Reading room", "Quillon C720", "QC7200042")
    assert reading.mac == "02:00:5e:10:00:01"
    assert (reading.device_status, reading.printer_status) == ("warning", "idle")
    assert reading.errors == {"lowToner", "overduePreventMaint"}
    assert (reading.config_changes, reading.critical_events, reading.all_events) == (5, 2, 9)
    assert reading.remarks == ()


def test_its_sub_units_are_read_in_order() -> None:
    reading = read(colour_printer())
    (marker,) = reading.markers
    assert (marker.index, marker.mark_tech, marker.unit) == (1, "electrophotographicLaser", "impressions")
    assert (marker.life_count, marker.power_on_count) == (123_456, 12)
    assert marker.status is not None
    assert marker.status.non_critical_alert
    assert [(tray.index, tray.name, tray.level) for tray in reading.trays] == [(1, "Tray 1", 120), (2, "Tray 2", 340)]
    tray = reading.trays[0]
    assert (tray.kind, tray.description, tray.media, tray.unit, tray.capacity) == (
        "sheetFeedAutoRemovableTray",
        "Cassette",
        "A4",
        "sheets",
        500,
    )
    (out,) = reading.bins
    assert (out.kind, out.capacity, out.remaining) == ("unRemovableBin", 250, Mark.SOME)
    assert reading.covers == (Cover(1, "Tür vorn", "coverClosed"),)
    assert reading.lights == (Light(1, "Ready", "green", 1000, 0),)
    assert reading.console == ("Bereit: Toner prüfen",)
    assert reading.alerts == (
        Alert(
            17,
            "warning",
            "untrained",
            "markerSupplies",
            1,
            -2,
            "markerTonerAlmostEmpty",
            1104,
            "Cyan is low",
            8_000_000,
        ),
    )
    assert reading.counters == (Counter("life", "impressions", 123_456, 2**32),)


def test_its_supplies_have_their_colours_and_keys() -> None:
    supplies = read(colour_printer()).supplies
    assert [s.key for s in supplies] == ["toner:cyan", "toner:magenta", "toner:yellow", "toner:black", "wasteToner"]
    assert supplies[0] == Supply(
        "toner:cyan", 1, 1, "supplyThatIsConsumed", "toner", "Toner T1", "cyan", "impressions", 6000, 1000
    )
    assert supplies[4].is_receptacle
    assert supplies[4].fraction == 0.5


def test_the_fastest_path_gives_the_pages_a_minute() -> None:
    assert read(colour_printer()).pages_per_minute == 35.0


@pytest.mark.parametrize(
    ("unit", "speed", "pages"),
    [(7, 1800, 30.0), (8, 600, 10.0), (5, 5000, None), (7, -1, None), (7, -2, None), (7, 0, None)],
)
def test_only_impressions_and_sheets_tell_pages_a_minute(unit: int, speed: int, pages: float | None) -> None:
    reading = read(row(oids.PRT_MEDIA_PATH, 1, 1, MaxSpeedPrintUnit=unit, MaxSpeed=speed))
    assert reading.pages_per_minute == pages
    assert reading.remarks == ()


@pytest.mark.parametrize("speed", [40, 2_000_000_000])
def test_a_speed_no_printer_has_is_remarked_on(speed: int) -> None:
    reading = read(row(oids.PRT_MEDIA_PATH, 1, 1, MaxSpeedPrintUnit=7, MaxSpeed=speed))
    assert reading.pages_per_minute is None
    assert reading.remarks[0].where == "prtMediaPathMaxSpeed.1.1"


def test_further_markers_have_life_counts_of_their_own() -> None:
    cells = {
        **row(oids.PRT_MARKER, 1, 1, CounterUnit=7, LifeCount=10),
        **row(oids.PRT_MARKER, 1, 3, CounterUnit=8, LifeCount=20),
        **row(oids.PRT_MARKER, 1, 4, CounterUnit=8),
    }
    assert read(cells).counters == (Counter("life", "impressions", 10), Counter("life:3", "sheets", 20))


def test_a_marker_that_answers_nothing_more_is_still_a_marker() -> None:
    assert read(row(oids.PRT_MARKER, 1, 2, MarkTech=12)).markers == (
        Marker(2, "inkjetAqueous", None, None, None, None),
    )


# --- several printers, and half-answering ones ------------------------------------------------------------------


def test_each_device_behind_an_address_is_a_printer_of_its_own() -> None:
    cells = {**colour_printer(2), **supply(1, device=1, Level=100), **row(oids.PRT_GENERAL, 1, SerialNumber=b"A1")}
    assert devices(cells) == (1, 2)
    first, second = read(cells, device_index=1), read(cells, device_index=2)
    assert (first.serial, second.serial) == ("A1", "QC7200042")
    assert (len(first.supplies), len(second.supplies)) == (1, 5)
    assert first.system == second.system


def test_the_hardware_address_belongs_to_the_first_of_several_printers() -> None:
    cells = {**colour_printer(2), **row(oids.PRT_GENERAL, 5, SerialNumber=b"B5")}
    assert read(cells, device_index=2).mac == "02:00:5e:10:00:01"
    assert read(cells, device_index=5).mac == ""


def test_a_printer_without_host_resources_rows_is_a_printer() -> None:
    cells: dict[str, Value] = {**system(sysDescr=b"Bruma 12"), **row(oids.PRT_GENERAL, 1, ConfigChanges=1)}
    assert devices(cells) == (1,)
    reading = read(cells)
    assert (reading.model, reading.device_status, reading.printer_status) == ("Bruma 12", None, None)
    assert (reading.supplies, reading.config_changes) == ((), 1)


def test_a_device_that_is_not_there_reads_as_nothing() -> None:
    reading = read(colour_printer(), device_index=9)
    assert (reading.supplies, reading.serial, reading.mac) == ((), "", "")


@pytest.mark.parametrize(
    ("interfaces", "mac"),
    [
        ([(71, "0200 0000 0001"), (6, "0200 0000 0002")], "02:00:00:00:00:02"),  # ethernet before wireless
        ([(24, "0200 0000 0003"), (71, "0200 0000 0004")], "02:00:00:00:00:04"),
        ([(6, "0000 0000 0000"), (6, "0200 0000 0005")], "02:00:00:00:00:05"),
        ([(6, "ffff ffff ffff"), (6, "0100 5e00 0001")], ""),  # broadcast, group
        ([(6, ""), (6, "0200 0000 0000 0001")], ""),
    ],
)
def test_the_hardware_address_is_the_ethernet_ports(interfaces: list[tuple[int, str]], mac: str) -> None:
    cells = row(oids.PRT_GENERAL, 1, ConfigChanges=1)
    for index, (kind, octets) in enumerate(interfaces, start=1):
        cells |= row(oids.IF_TABLE, index, ifType=kind, ifPhysAddress=bytes.fromhex(octets))
    assert read(cells).mac == mac


# --- PWG 5106.3 -------------------------------------------------------------------------------------------------


def imaging(key: int, work: int, persistence: int, **counts: int) -> dict[str, Value]:
    cells = row(
        oids.IC_IMPRESSION,
        key,
        work,
        persistence,
        TotalImps=counts["total"],
        MonochromeImps=counts["mono"],
        FullColorImps=counts["colour"],
    )
    return (
        cells
        | row(oids.IC_TWO_SIDED, key, work, persistence, TotalImps=counts["two_sided"])
        | row(oids.IC_SHEET, key, work, persistence, TotalSheets=counts["sheets"])
    )


def test_imaging_counters_are_the_systems_lifetime_totals() -> None:
    cells = row(oids.PRT_GENERAL, 1, ConfigChanges=1)
    cells |= imaging(1, 3, 3, total=900, mono=600, colour=300, two_sided=200, sheets=700)  # whole system, lifetime
    cells |= imaging(2, 3, 3, total=500, mono=400, colour=100, two_sided=50, sheets=450)  # one service of it
    cells |= imaging(1, 3, 4, total=5000, mono=1, colour=1, two_sided=1, sheets=5000)  # since power on
    cells |= imaging(1, 5, 3, total=6000, mono=1, colour=1, two_sided=1, sheets=6000)  # auxiliary work
    assert {(c.name, c.unit): c.value for c in read(cells).counters} == {
        ("total", "impressions"): 900,
        ("mono", "impressions"): 600,
        ("colour", "impressions"): 300,
        ("twoSided", "impressions"): 200,
        ("sheets", "sheets"): 700,
    }


def test_imaging_counters_wrap_at_two_to_the_31st() -> None:
    """PWG 5106.3-2008: IcCounter32 is Integer32 (0..2147483647)."""
    cells = row(oids.PRT_GENERAL, 1, ConfigChanges=1)
    cells |= imaging(1, 3, 3, total=2**31 - 1, mono=0, colour=2**31, two_sided=0, sheets=0)
    reading = read(cells)
    counts = {counter.name: counter for counter in reading.counters}
    assert (counts["total"].value, counts["total"].wraps_at) == (2**31 - 1, 2**31)
    assert "colour" not in counts
    assert reading.remarks[0].where == "icImpressionFullColorImps.1.3.3"


def test_an_absurd_total_is_not_the_greatest() -> None:
    cells = row(oids.PRT_GENERAL, 1, ConfigChanges=1)
    cells |= imaging(1, 3, 3, total=2**31, mono=1, colour=1, two_sided=1, sheets=1)
    cells |= imaging(2, 3, 3, total=77, mono=1, colour=1, two_sided=1, sheets=1)
    assert [counter.value for counter in read(cells).counters if counter.name == "total"] == [77]


@pytest.mark.parametrize("index", ["01", "1.0", "x", "-1", "4294967296", ""])
def test_a_row_is_named_in_one_way_only(index: str) -> None:
    assert read({f"{oids.PRT_SUPPLIES['prtMarkerSuppliesLevel']}.1.{index}": 5}).supplies == ()


def test_an_alert_with_cells_missing_claims_nothing() -> None:
    """RFC 3805: prtAlertLocation -2 is unknown, prtAlertGroupIndex -1 not applicable."""
    (alert,) = read(row(oids.PRT_ALERT, 1, 3, SeverityLevel=3)).alerts
    assert alert == Alert(3, "critical", "unknown", "unknown", -1, -2, "unknown", 2, "", None)


def test_a_makers_own_alert_code_is_shown_by_its_number() -> None:
    reading = read(row(oids.PRT_ALERT, 1, 3, Code=40_000) | row(oids.PRT_ALERT, 1, 4, Code=30_208))
    assert [(alert.code, alert.code_number) for alert in reading.alerts] == [
        ("unlisted(40000)", 40_000),
        ("staplerJam", 30_208),
    ]
    assert reading.remarks == ()
