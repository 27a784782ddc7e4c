"""What is a printer and what is not."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest

from agent.mib import oids, plan
from agent.mib.decode import devices
from agent.model.wire import Value
from tests.mib.invented import colour_printer, read, row, system

TYPES = f"{oids.HOST}.3.1"


def queue(index: int) -> dict[str, Value]:
    cells = row(oids.HR_DEVICE, index, Type=oids.HR_DEVICE_PRINTER)
    return cells | row(oids.HR_PRINTER, index, hrPrinterStatus=3)


def test_whatever_speaks_the_printer_mib_is_a_printer() -> None:
    assert devices(colour_printer()) == (1,)
    for table in oids.PRINTER_TABLES:
        column = next(iter(table.columns.values()))
        assert devices({f"{column.oid}.3{'.1' * (table.index_length - 1)}": 1}) == (3,)


def test_an_early_printer_with_host_resources_alone_is_a_printer() -> None:
    """RFC 1514 had printers before there was a Printer-MIB (RFC 1759)."""
    assert devices(system(sysObjectID="1.3.6.1.4.1.32473.9") | queue(1)) == (1,)


def test_a_type_without_a_printer_row_is_not_enough() -> None:
    assert devices(row(oids.HR_DEVICE, 1, Type=oids.HR_DEVICE_PRINTER)) == ()


@pytest.mark.parametrize("type_", [12, 13, 15])
def test_a_computers_print_queue_is_no_printer(type_: int) -> None:
    assert devices(queue(1) | row(oids.HR_DEVICE, 2, Type=f"{TYPES}.{type_}")) == ()


@pytest.mark.parametrize("object_id", ["1.3.6.1.4.1.8072.3.2.10", "1.3.6.1.4.1.311.1.1.3.1.1"])
def test_the_print_queue_of_a_general_agent_is_no_printer_but_a_printer_behind_it_is(object_id: str) -> None:
    cells = system(sysObjectID=object_id) | queue(1)
    assert devices(cells) == ()
    assert devices(cells | row(oids.PRT_GENERAL, 2, ConfigChanges=1)) == (2,)


def test_nothing_is_no_printer() -> None:
    assert devices({}) == ()


def recordings() -> list[Path]:
    found = find_spec("snmpsim")
    assert found is not None
    assert found.origin is not None
    return sorted((Path(found.origin).parent / "data").rglob("*.snmprec"))


def test_there_are_recordings_of_print_queues_among_the_recordings() -> None:
    with_queues = [path for path in recordings() if f"|6|{oids.HR_DEVICE_PRINTER}\n" in path.read_text("latin-1")]
    assert len(with_queues) >= 3


@pytest.mark.parametrize("path", recordings(), ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_no_recording_of_another_device_is_taken_for_a_printer(path: Path) -> None:
    """Recordings of real devices from PyPI snmpsim-data 1.0.1; there is no printer among them."""
    cells: dict[str, Value] = {}
    for line in path.read_text("latin-1").splitlines():
        oid, tag, value = (*line.split("|", 2), "", "")[:3]
        if tag == "6":
            cells[oid] = value
        elif tag.isdecimal() and value.lstrip("-").isdecimal():
            cells[oid] = int(value)
        else:
            cells[oid] = value.encode("latin-1", "replace")
    assert devices(cells) == ()


# --- agents that number their tables apart ----------------------------------------------------------------------


def numbered_apart() -> dict[str, Value]:
    cells = row(oids.PRT_GENERAL, 1, SerialNumber=b"BR12")
    cells |= row(oids.HR_DEVICE, 1, Type=f"{TYPES}.3", Descr=b"processor", hrDeviceStatus=2)
    cells |= row(oids.HR_DEVICE, 4, Type=oids.HR_DEVICE_PRINTER, Descr=b"Bruma 12", hrDeviceStatus=5)
    return cells | row(oids.HR_PRINTER, 4, hrPrinterStatus=1, DetectedErrorState=b"\x04")


def test_a_printer_that_host_resources_have_under_another_index_is_one_printer() -> None:
    assert devices(numbered_apart()) == (1,)
    reading = read(numbered_apart())
    assert (reading.model, reading.device_status, reading.printer_status) == ("Bruma 12", "down", "other")
    assert reading.errors == {"jammed"}
    assert [r.where for r in reading.remarks] == ["hrPrinterStatus.4"]


def test_its_rows_are_kept_wherever_they_are() -> None:
    cells = numbered_apart()
    kept = {oid: cells[oid] for oid in plan.keep(cells)}
    assert read(kept) == read(cells)


def test_a_processor_of_the_same_index_does_not_name_the_printer() -> None:
    cells = {oid: value for oid, value in numbered_apart().items() if not oid.endswith(".4")}
    reading = read(system(sysDescr=b"Bruma print server") | cells)
    assert (reading.model, reading.device_status) == ("Bruma print server", None)


def test_which_of_two_printer_rows_is_meant_is_not_guessed() -> None:
    cells = numbered_apart() | row(oids.HR_PRINTER, 5, hrPrinterStatus=3)
    assert read(cells).printer_status is None
