"""What is asked, what is kept, and when it is learnt afresh."""

from __future__ import annotations

import pytest

from agent.mib import oids, plan
from agent.model.wire import Value
from tests.mib.invented import colour_printer, read, row, supply

LEVEL = oids.PRT_SUPPLIES["prtMarkerSuppliesLevel"] + ".1.1"
CHANGES = oids.PRT_GENERAL["prtGeneralConfigChanges"] + ".1"
UP_TIME = oids.SYS_UP_TIME.oid + ".0"
ALERT_CODE = oids.PRT_ALERT["prtAlertCode"] + ".1.17"


def test_every_root_is_a_known_column_with_a_row_limit() -> None:
    listed = {column.oid for column in (*oids.SCALARS, *(c for t in oids.TABLES for c in t.columns.values()))}
    assert {root.oid for root in plan.ROOTS} == listed
    assert len(plan.ROOTS) == len(listed)
    assert all(1 <= root.rows <= 1024 for root in (*plan.ROOTS, *plan.PROBE))


def test_the_alert_table_is_walked_every_time() -> None:
    assert {root.oid for root in plan.VOLATILE} == {c.oid for c in oids.PRT_ALERT.columns.values()}
    assert plan.is_volatile(ALERT_CODE)
    assert not plan.is_volatile(LEVEL)


@pytest.mark.parametrize(
    ("name", "fast"),
    [
        ("sysUpTime.0", True),
        ("hrPrinterStatus.1", True),
        ("hrPrinterDetectedErrorState.1", True),
        ("prtGeneralConfigChanges.1", True),
        ("prtMarkerLifeCount.1.1", True),
        ("prtMarkerSuppliesLevel.1.1", True),
        ("prtMarkerSuppliesMaxCapacity.1.1", True),
        ("prtInputCurrentLevel.1.1", True),
        ("prtCoverStatus.1.1", True),
        ("prtConsoleDisplayBufferText.1.1", True),
        ("prtAlertCode.1.17", True),
        ("sysDescr.0", False),
        ("prtGeneralSerialNumber.1", False),
        ("prtMarkerSuppliesDescription.1.1", False),
        ("prtInputMaxCapacity.1.1", False),
        ("ifPhysAddress.2", False),
    ],
)
def test_status_levels_and_counters_are_fast_and_inventory_is_slow(name: str, fast: bool) -> None:
    by_name = {plan.describe(oid): oid for oid in colour_printer()}
    assert plan.is_fast(by_name[name]) is fast


def test_unknown_objects_are_not_fast() -> None:
    assert not plan.is_fast("1.3.6.1.4.1.32473.1.0")
    assert not plan.is_fast("")


def test_a_colour_printer_needs_about_a_hundred_cells_and_a_third_of_them_often() -> None:
    kept = plan.keep(colour_printer())
    assert 80 <= len(kept) <= 120
    assert sum(map(plan.is_fast, kept)) <= len(kept) / 2


def extras() -> dict[str, Value]:
    """What a first walk brings besides: other devices, interfaces, localisations, part counts."""
    cells: dict[str, Value] = {}
    for index in range(3, 20):
        cells |= row(oids.PRT_LOCALIZATION, 1, index, CharacterSet=106)
        cells |= row(oids.HR_DEVICE, index, Type=f"{oids.HOST}.3.1.3", Descr=b"processor", hrDeviceStatus=2)
        cells |= row(oids.IF_TABLE, index, ifType=6, ifPhysAddress=bytes([2, 0, 0, 0, 9, index]))
    for key in range(1, 6):
        for persistence in (3, 4, 5):
            cells |= row(oids.IC_IMPRESSION, key, 3, persistence, TotalImps=1000 // key, MonochromeImps=5)
    return cells


def test_only_what_is_decoded_is_kept() -> None:
    walked = colour_printer() | extras()
    kept = {oid: walked[oid] for oid in plan.keep(walked)}
    alerts = {oid: value for oid, value in walked.items() if plan.is_volatile(oid)}
    loopback, totals = 2, 2  # the cells of the interface that is not used, and of the one row of totals that is
    assert len(kept) + len(alerts) == len(colour_printer()) - loopback + totals
    assert read(kept | alerts) == read(walked)


def test_keeping_again_keeps_the_same() -> None:
    walked = colour_printer() | extras()
    kept = plan.keep(walked)
    assert plan.keep({oid: walked[oid] for oid in kept}) == kept


def test_nothing_is_kept_of_what_is_no_printer() -> None:
    assert plan.keep(row(oids.HR_DEVICE, 1, Descr=b"processor") | row(oids.IF_TABLE, 1, ifType=6)) == ()


def test_every_kept_cell_matters_to_the_reading() -> None:
    """Taking any one kept cell away changes what is read: nothing is asked in vain."""
    cells = colour_printer()
    whole = read(cells)
    # Which interface is meant, and that the device is a printer, shows only where there are several to choose from;
    # the slower of two media paths and an empty line of the display may not stay so; no colorant is told by a 0.
    excused = {
        "ifType.2",
        "hrDeviceType.1",
        "prtMediaPathMaxSpeedPrintUnit.1.2",
        "prtMediaPathMaxSpeed.1.2",
        "prtConsoleDisplayBufferText.1.2",
        "prtMarkerSuppliesColorantIndex.1.5",
    }
    idle = []
    for oid in plan.keep(cells):
        less = {key: value for key, value in cells.items() if key != oid}
        if read(less) == whole:
            idle.append(plan.describe(oid))
    assert set(idle) == excused


# --- learning afresh --------------------------------------------------------------------------------------------


def test_an_unchanged_printer_is_not_learnt_again() -> None:
    cells = colour_printer()
    later = cells | {UP_TIME: 8_646_000, LEVEL: 900}
    assert plan.must_learn_again(cells, later) is None


def test_a_moved_configuration_counter_asks_for_learning() -> None:
    reason = plan.must_learn_again(colour_printer(), colour_printer() | {CHANGES: 6})
    assert reason == "prtGeneralConfigChanges.1 moved from 5 to 6: the configuration was changed"


def test_a_restart_asks_for_learning() -> None:
    reason = plan.must_learn_again(colour_printer(), colour_printer() | {UP_TIME: 500})
    assert reason == "sysUpTime fell: the printer was restarted"


def test_a_vanished_cell_asks_for_learning_but_a_cleared_alert_does_not() -> None:
    cells = colour_printer()
    assert plan.must_learn_again(cells, {k: v for k, v in cells.items() if k != LEVEL}) == (
        "prtMarkerSuppliesLevel.1.1 vanished"
    )
    assert plan.must_learn_again(cells, {k: v for k, v in cells.items() if not plan.is_volatile(k)}) is None


def test_only_cells_that_were_asked_for_can_vanish() -> None:
    cells = colour_printer()
    fast = [oid for oid in cells if plan.is_fast(oid)]
    answered = {oid: cells[oid] for oid in fast}
    assert plan.must_learn_again(cells, answered, asked=fast) is None
    del answered[LEVEL]
    assert plan.must_learn_again(cells, answered, asked=fast) == "prtMarkerSuppliesLevel.1.1 vanished"


def test_a_new_cell_is_no_reason() -> None:
    assert plan.must_learn_again(colour_printer(), colour_printer() | supply(9)) is None
