"""Status sums and error bits against RFC 3805 section 2.2.13.2 and RFC 2790."""

from __future__ import annotations

import pytest

from agent.mib import oids
from agent.mib.values import error_bits, status_of
from agent.model.reading import SubUnitStatus
from tests.mib.invented import read, row


def test_the_worked_example_of_a_jammed_tray_with_little_paper() -> None:
    """RFC 3805 section 2.2.13.2.2: broken (3), non-critical (8) and critical (16) alert make 27."""
    assert status_of(27) == SubUnitStatus(27, "broken", non_critical_alert=True, critical_alert=True)


@pytest.mark.parametrize(
    ("value", "availability"),
    [(0, "idle"), (2, "standby"), (4, "active"), (6, "busy"), (1, "onRequest"), (3, "broken"), (5, "unknown")],
)
def test_availability_is_in_the_low_bits(value: int, availability: str) -> None:
    """PrtSubUnitStatusTC, RFC 3805."""
    for more in (0, 8, 16, 32, 64, 120):
        assert status_of(value + more).availability == availability


def test_each_flag_has_its_bit() -> None:
    """PrtSubUnitStatusTC, RFC 3805: non-critical 8, critical 16, off-line 32, transitioning 64."""
    for total in range(127):
        status = status_of(total)
        flags = (status.non_critical_alert, status.critical_alert, status.offline, status.transitioning)
        low = total - sum(weight for weight, flag in zip((8, 16, 32, 64), flags, strict=True) if flag)
        assert 0 <= low <= 7
        assert status.raw == total


@pytest.mark.parametrize("value", [127, 128, -1, 2**31])
def test_a_sum_that_cannot_be_is_unknown_and_remarked_on(value: int) -> None:
    reading = read(row(oids.PRT_MARKER, 1, 1, Status=value))
    assert reading.markers[0].status is None
    assert reading.remarks[0].where == "prtMarkerStatus.1.1"


def test_an_undefined_availability_is_unknown_and_remarked_on() -> None:
    reading = read(row(oids.PRT_MARKER, 1, 1, Status=7))
    assert reading.markers[0].status == SubUnitStatus(7, "unknown")
    assert reading.remarks[0].what == "7 holds availability 7, which is not defined"


# RFC 2790, hrPrinterDetectedErrorState: condition and bit number, bit 0 the most significant bit of the first octet.
BITS = [
    ("lowPaper", 0),
    ("noPaper", 1),
    ("lowToner", 2),
    ("noToner", 3),
    ("doorOpen", 4),
    ("jammed", 5),
    ("offline", 6),
    ("serviceRequested", 7),
    ("inputTrayMissing", 8),
    ("outputTrayMissing", 9),
    ("markerSupplyMissing", 10),
    ("outputNearFull", 11),
    ("outputFull", 12),
    ("inputTrayEmpty", 13),
    ("overduePreventMaint", 14),
]


@pytest.mark.parametrize(("condition", "bit"), BITS)
def test_each_error_has_its_bit(condition: str, bit: int) -> None:
    octets = (1 << (15 - bit)).to_bytes(2, "big")
    assert error_bits(octets) == ({condition}, ())
    if bit < 8:
        assert error_bits(octets[:1]) == ({condition}, ())


@pytest.mark.parametrize(
    ("octets", "conditions"),
    [
        (b"", set()),
        (b"\x00", set()),
        (b"\x00\x00", set()),
        (b"\x84", {"lowPaper", "jammed"}),
        (b"\xff\xfe", {name for name, _ in BITS}),
        (b"\x00\x00\x00\x00", set()),
    ],
)
def test_none_one_or_two_octets_are_read(octets: bytes, conditions: set[str]) -> None:
    reading = read(row(oids.HR_PRINTER, 1, DetectedErrorState=octets))
    assert reading.errors == conditions
    assert reading.remarks == ()


def test_bits_that_are_not_assigned_are_remarked_on() -> None:
    reading = read(row(oids.HR_PRINTER, 1, DetectedErrorState=b"\x40\x01\x80"))
    assert reading.errors == {"noPaper"}
    assert [(r.where, r.what) for r in reading.remarks] == [
        ("hrPrinterDetectedErrorState.1", "bits that are not assigned are set: 15, 16")
    ]


# RFC 3805 section 2.2.13.2: state, hrDeviceStatus, hrPrinterStatus, an example of the error bits.
STATES = [
    ("idle", (2, "running"), (3, "idle"), b"\x00", set()),
    ("busy", (2, "running"), (4, "printing"), b"\x00", set()),
    ("non-critical alert", (3, "warning"), (3, "idle"), b"\x80", {"lowPaper"}),
    ("critical alert", (5, "down"), (1, "other"), b"\x04", {"jammed"}),
    ("unavailable", (5, "down"), (1, "other"), b"\x00", set()),
    ("moving off-line", (3, "warning"), (4, "printing"), b"\x02", {"offline"}),
    ("off-line", (5, "down"), (1, "other"), b"\x02", {"offline"}),
    ("moving on-line", (5, "down"), (5, "warmup"), b"\x00", set()),
    ("standby", (2, "running"), (1, "other"), b"\x00", set()),
]


@pytest.mark.parametrize(("state", "device", "printer", "octets", "errors"), STATES, ids=[s[0] for s in STATES])
def test_the_states_of_a_printer_read_as_the_table_has_them(
    state: str, device: tuple[int, str], printer: tuple[int, str], octets: bytes, errors: set[str]
) -> None:
    cells = row(oids.HR_DEVICE, 1, hrDeviceStatus=device[0])
    cells |= row(oids.HR_PRINTER, 1, hrPrinterStatus=printer[0], DetectedErrorState=octets)
    reading = read(cells)
    assert (reading.device_status, reading.printer_status, reading.errors) == (device[1], printer[1], errors)
