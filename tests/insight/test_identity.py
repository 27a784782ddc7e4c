"""Who is who, over sweeps in which printers move, are exchanged, share serial numbers or say none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.insight.evidence import models_differ, usable_mac, usable_serial
from agent.insight.identity import NOT_SAVED, Known, Recognition, recognise, recognise_all
from agent.model.fleet import LedgerEntry, Printer
from agent.model.reading import Counter, Reading, System

MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
MAC_A, MAC_B, MAC_C = "02:10:00:00:00:0a", "02:10:00:00:00:0b", "02:10:00:00:00:0c"


def met(
    address: str,
    serial: str = "",
    mac: str = "",
    *,
    device: int = 1,
    model: str = "Tallgrass M40",
    life: int | None = None,
    uptime: int | None = None,
    at: datetime = MONDAY,
) -> Reading:
    counters = () if life is None else (Counter("life", "impressions", life),)
    system = System(uptime=uptime)
    return Reading(at, address, device, system, model=model, serial=serial, mac=mac, counters=counters)


class House:
    """Keeps what a store would keep between sweeps: printers with ids, and the ledger."""

    def __init__(self) -> None:
        self.known = Known()
        self.ledger: list[LedgerEntry] = []

    def sweep(self, *readings: Reading) -> list[Recognition]:
        result = recognise_all(readings, self.known)
        self.known = result.known
        found = []
        for one in result.recognitions:
            if one.save and one.printer.id == NOT_SAVED:
                one = one.numbered(max(self.known.printers, default=0) + 1)  # noqa: PLW2901
                self.known = self.known.having([one.printer])
            assert all(entry.printer_id != NOT_SAVED for entry in one.ledger)
            self.ledger += one.ledger
            found.append(one)
        return found

    def events(self, *readings: Reading) -> list[tuple[int, str]]:
        return [(one.printer.id, one.event) for one in self.sweep(*readings)]

    def kinds(self) -> list[str]:
        return [entry.kind for entry in self.ledger]


@pytest.fixture
def house() -> House:
    return House()


# --- the plain cases ---------------------------------------------------------------------------------------------


def test_a_printer_never_met_is_new_and_takes_its_name_from_what_it_says(house: House):
    (found,) = house.sweep(replace(met("192.0.2.1", "TG4001"), name="Copy room"))
    assert (found.event, found.printer.name, found.printer.serial) == ("new", "Copy room", "TG4001")
    assert found.printer.first_seen == MONDAY
    assert house.kinds() == ["new"]


def test_a_printer_met_again_is_known_and_nothing_is_to_be_saved(house: House):
    house.sweep(met("192.0.2.1", "TG4001", MAC_A))
    before = house.known
    (found,) = house.sweep(met("192.0.2.1", "TG4001", MAC_A, at=MONDAY + timedelta(minutes=5)))
    assert (found.event, found.save, found.record, found.ledger) == ("known", False, True, ())
    assert house.known is before


def test_the_same_serial_number_at_a_new_address_is_the_same_printer_moved(house: House):
    house.sweep(met("192.0.2.1", "TG4001"))
    (found,) = house.sweep(met("192.0.2.9", "TG4001"))
    assert (found.printer.id, found.event, found.printer.address) == (1, "moved", "192.0.2.9")
    assert [one.kind for one in found.findings] == ["moved"]
    assert "192.0.2.1" in house.ledger[-1].text


def test_a_new_serial_number_at_an_old_address_is_another_printer(house: House):
    house.sweep(met("192.0.2.1", "TG4001"))
    (found,) = house.sweep(met("192.0.2.1", "TG4002"))
    assert (found.printer.id, found.event) == (2, "exchanged")
    (gone,) = found.displaced
    assert (gone.id, gone.retired) == (1, MONDAY)
    assert [(entry.kind, entry.printer_id) for entry in house.ledger] == [("new", 1), ("new", 2), ("exchanged", 1)]


def test_an_exchanged_printer_that_comes_back_elsewhere_has_its_history_again(house: House):
    house.sweep(met("192.0.2.1", "TG4001"))
    house.sweep(met("192.0.2.1", "TG4002"))
    assert house.events(met("192.0.2.1", "TG4002"), met("192.0.2.8", "TG4001")) == [(2, "known"), (1, "returned")]
    assert house.known.printers[1].retired is None
    assert house.kinds()[-2:] == ["moved", "returned"]


def test_without_a_serial_number_the_mac_address_tells(house: House):
    house.sweep(met("192.0.2.1", mac=MAC_A))
    assert house.events(met("192.0.2.5", mac="02-10-00-00-00-0A")) == [(1, "moved")]
    assert house.events(met("192.0.2.5", mac=MAC_B)) == [(2, "exchanged")]


def test_without_both_the_address_tells(house: House):
    house.sweep(met("192.0.2.1"), met("192.0.2.2"))
    assert house.events(met("192.0.2.2"), met("192.0.2.1"), met("192.0.2.3")) == [
        (2, "known"),
        (1, "known"),
        (3, "new"),
    ]


# --- serial numbers that are none --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "junk",
    ["", "   ", "0000000000", "N/A", "n.a.", "XXXXXXXX", "----", "Unknown", "123456789", "0123456789", "00", "?"],
)
def test_a_serial_number_that_is_none_names_nobody(house: House, junk: str):
    assert usable_serial(junk) == ""
    assert house.events(met("192.0.2.1", junk), met("192.0.2.2", junk)) == [(1, "new"), (2, "new")]
    assert house.events(met("192.0.2.2", junk), met("192.0.2.1", junk)) == [(2, "known"), (1, "known")]


def test_the_models_name_is_no_serial_number():
    assert usable_serial("Tallgrass M40", "tallgrass m40") == ""


@pytest.mark.parametrize("good", ["TG4001", "7", "VNB3J00123", "000123", "1002003004"])
def test_a_real_serial_number_is_kept_without_blanks_and_in_one_case(good: str):
    assert usable_serial(f" {good.lower()} ") == (good if len(good) >= 3 else "")


@pytest.mark.parametrize("junk", ["", "00:00:00:00:00:00", "ff:ff:ff:ff:ff:ff", "01:00:5e:00:00:01", "02:10:00", "zz"])
def test_a_mac_address_of_no_single_interface_names_nobody(junk: str):
    assert usable_mac(junk) == ""


def test_a_model_is_the_same_after_new_firmware_and_another_when_its_number_changes():
    assert not models_differ("Tallgrass M40 FW 1.2.3", "Tallgrass M40 FW 1.3.0")
    assert not models_differ("Tallgrass 2.0.1 M40", "Tallgrass M40")
    assert not models_differ("Tallgrass M40", "")
    assert not models_differ("Tallgrass", "Tallgrass M40")
    assert models_differ("Quillon C720", "Quillon C730")


# --- what becomes known later, and what is missing for a while ---------------------------------------------------


def test_a_printer_that_tells_its_serial_number_later_is_the_same_printer(house: House):
    house.sweep(met("192.0.2.1", "N/A"))
    assert house.events(met("192.0.2.1", "TG4001")) == [(1, "named")]
    assert house.events(met("192.0.2.6", "TG4001")) == [(1, "moved")]
    assert house.kinds() == ["new", "named", "moved"]


def test_a_printer_that_tells_no_serial_number_for_a_while_keeps_it(house: House):
    house.sweep(met("192.0.2.1", "TG4001", MAC_A))
    (found,) = house.sweep(met("192.0.2.1", "", "", model=""))
    assert (found.printer.id, found.printer.serial, found.printer.mac, found.event) == (1, "TG4001", MAC_A, "known")
    assert house.kinds() == ["new"]


def test_a_printer_from_the_settings_that_never_answered_is_named_at_first_contact(house: House):
    house.known = Known.of([Printer(id=7, name="Reading room", address="reading.example")])
    (found,) = house.sweep(met("reading.example", "TG4001", MAC_A))
    assert (found.printer.id, found.event, found.printer.name) == (7, "named", "Reading room")
    assert found.printer.first_seen == MONDAY


def test_another_mac_address_with_the_same_serial_number_is_another_board(house: House):
    house.sweep(met("192.0.2.1", "TG4001", MAC_A))
    (found,) = house.sweep(met("192.0.2.1", "TG4001", MAC_B))
    assert (found.printer.id, found.event, found.printer.mac) == (1, "known", MAC_B)
    assert [one.kind for one in found.findings] == ["boardChanged"]


def test_a_serial_number_outranks_the_mac_address(house: House):
    """An external print server was plugged into another printer."""
    house.sweep(met("192.0.2.1", "TG4001", MAC_A))
    assert house.events(met("192.0.2.1", "TG4002", MAC_A)) == [(2, "exchanged")]


def test_another_model_without_a_serial_number_is_another_printer(house: House):
    house.sweep(met("192.0.2.1", model="Tallgrass M40"))
    assert house.events(met("192.0.2.1", model="Quillon C720")) == [(2, "exchanged")]
    assert house.events(met("192.0.2.1", model="Quillon C720 2.11")) == [(2, "known")]


def test_another_model_name_with_the_same_mac_address_is_the_same_printer(house: House):
    house.sweep(met("192.0.2.1", mac=MAC_A, model="Tallgrass M40"))
    assert house.events(met("192.0.2.1", mac=MAC_A, model="Merle 9")) == [(1, "known")]
    assert house.known.printers[1].model == "Merle 9"


# --- many at once ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("backwards", [False, True])
def test_two_printers_that_change_places_keep_their_histories(house: House, backwards: bool):
    house.sweep(met("192.0.2.1", "TG4001"), met("192.0.2.2", "TG4002"))
    swapped = [met("192.0.2.1", "TG4002"), met("192.0.2.2", "TG4001")]
    found = house.sweep(*(reversed(swapped) if backwards else swapped))
    assert {(one.printer.id, one.event, one.printer.address) for one in found} == {
        (2, "moved", "192.0.2.1"),
        (1, "moved", "192.0.2.2"),
    }
    assert all(one.displaced == () for one in found)
    assert all(printer.retired is None for printer in house.known.printers.values())


@pytest.mark.parametrize("by", ["serial", "mac"])
def test_a_whole_range_dealt_out_afresh_is_a_hundred_moves_and_nothing_else(house: House, by: str):
    def fleet(shift: int) -> list[Reading]:
        return [
            met(
                f"192.0.2.{(number + shift) % 100}",
                f"TG4{number:03}" if by == "serial" else "",
                f"0210000000{number:02}",
            )
            for number in range(100)
        ]

    first = house.sweep(*fleet(0))
    second = house.sweep(*fleet(37))
    assert [one.printer.id for one in second] == [one.printer.id for one in first]
    assert {one.event for one in second} == {"moved"}
    assert not any(one.displaced for one in second)
    assert len(house.known.printers) == 100


def test_a_printer_moved_and_another_known_one_took_its_place(house: House):
    house.sweep(met("192.0.2.1", "TG4001"), met("192.0.2.2", "TG4002"))
    assert house.events(met("192.0.2.1", "TG4002"), met("192.0.2.3", "TG4001")) == [(2, "moved"), (1, "moved")]


def test_a_known_printer_took_the_place_of_one_that_is_seen_no_more(house: House):
    house.sweep(met("192.0.2.1", "TG4001"), met("192.0.2.2", "TG4002"))
    (found,) = house.sweep(met("192.0.2.1", "TG4002"))
    assert (found.event, [one.id for one in found.displaced]) == ("moved", [1])
    assert house.known.at(("192.0.2.1", 1)) == found.printer


# --- several printers behind one address -------------------------------------------------------------------------


@pytest.mark.parametrize("serials", [("", ""), ("TG4001", "TG4001"), ("TG4001", "TG4002")])
def test_two_printers_behind_one_address_and_one_mac_address_are_two(house: House, serials: tuple[str, str]):
    both = [met("192.0.2.1", serials[0], MAC_A, device=1), met("192.0.2.1", serials[1], MAC_A, device=2)]
    assert house.events(*both) == [(1, "new"), (2, "new")]
    assert house.events(*reversed(both)) == [(2, "known"), (1, "known")]
    moved = [replace(one, address="192.0.2.8") for one in both]
    assert house.events(*moved) == [(1, "moved"), (2, "moved")]
    assert "serialShared" not in house.kinds()


def test_a_device_index_that_changed_at_a_restart_is_no_other_printer(house: House):
    house.sweep(met("192.0.2.1", "TG4001", device=1))
    (found,) = house.sweep(met("192.0.2.1", "TG4001", device=3))
    assert (found.printer.id, found.event, found.printer.device_index, found.save) == (1, "known", 3, True)


# --- one serial number at two addresses --------------------------------------------------------------------------


def test_a_printer_with_two_interfaces_is_read_once_and_does_not_move_to_and_fro(house: House):
    wired, radio = met("192.0.2.1", "TG4001", MAC_A, life=900, uptime=50), met("192.0.2.66", "TG4001", MAC_B, life=900)
    house.sweep(wired)
    assert house.events(radio, wired) == [(1, "doubled"), (1, "known")]
    assert house.kinds() == ["new", "doubled"]
    for _ in range(3):
        found = house.sweep(radio, wired)
        assert [(one.event, one.record, one.ledger) for one in found] == [("doubled", False, ()), ("known", True, ())]
    # One lost answer: the history goes on through the other interface, and the printer has not moved.
    (alone,) = house.sweep(radio)
    assert (alone.printer.id, alone.event, alone.record, alone.printer.address) == (1, "elsewhere", True, "192.0.2.1")
    assert house.kinds() == ["new", "doubled"]


def test_readings_settled_one_by_one_still_show_who_answers_twice(house: House):
    wired, radio = met("192.0.2.1", "TG4001", MAC_A), met("192.0.2.66", "TG4001", MAC_B)
    house.sweep(wired)
    for _ in range(2):
        assert recognise(wired, house.known).event == "known"
        assert recognise(radio, house.known).event != "known"
        result = recognise_all([radio], house.known, settled=[wired])
        assert [(one.event, one.record) for one in result.recognitions] == [("doubled", False)]
        house.known = result.known


def test_a_printer_with_two_interfaces_met_at_both_at_first_is_one_printer(house: House):
    both = [met("192.0.2.1", "TG4001", MAC_A, life=900), met("192.0.2.66", "TG4001", MAC_B, life=900)]
    assert [one.event for one in house.sweep(*both)] == ["new", "doubled"]
    assert [one.event for one in house.sweep(*both)] == ["known", "doubled"]
    assert len(house.known.printers) == 1


def test_the_second_interface_is_remembered_through_the_ledger(house: House):
    both = [met("192.0.2.1", "TG4001", MAC_A), met("192.0.2.66", "TG4001", MAC_B)]
    house.sweep(both[0])
    house.sweep(*both)
    again = Known.of(house.known.printers.values(), house.ledger)
    assert recognise(both[1], again).event == "elsewhere"


def test_a_printer_whose_first_place_is_anothers_now_has_moved_to_its_second(house: House):
    house.sweep(met("192.0.2.1", "TG4001", MAC_A))
    house.sweep(met("192.0.2.1", "TG4001", MAC_A), met("192.0.2.66", "TG4001", MAC_B))
    assert house.events(met("192.0.2.1", "TG4005"), met("192.0.2.66", "TG4001", MAC_B)) == [(2, "new"), (1, "moved")]


@pytest.mark.parametrize(
    "other",
    [
        met("192.0.2.2", "TG4001", MAC_B, life=41_000),
        met("192.0.2.2", "TG4001", MAC_B, life=900, uptime=90_000_000),
        met("192.0.2.2", "TG4001", MAC_B, life=900, model="Bruma 12"),
    ],
    ids=["other count", "other start", "other model"],
)
def test_two_printers_with_one_serial_number_stay_two(house: House, other: Reading):
    one = met("192.0.2.1", "TG4001", MAC_A, life=900, uptime=1_000)
    assert house.events(one, other) == [(1, "new"), (2, "new")]
    assert house.kinds() == ["new", "new", "serialShared"]
    for _ in range(3):
        assert house.events(other, one) == [(2, "known"), (1, "known")]
    # They change places: the MAC addresses tell.
    swapped = [replace(one, address=other.address), replace(other, address=one.address)]
    assert house.events(*swapped) == [(1, "moved"), (2, "moved")]
    assert house.kinds().count("serialShared") == 1


def test_two_known_printers_that_turn_out_to_share_a_serial_number_stay_two(house: House):
    house.sweep(met("192.0.2.1"), met("192.0.2.2"))
    both = [met("192.0.2.1", "TG4001"), met("192.0.2.2", "TG4001")]
    assert house.events(*both) == [(1, "named"), (2, "named")]
    assert "serialShared" in house.kinds()
    assert house.events(*both) == [(1, "known"), (2, "known")]


def test_a_place_read_twice_in_one_sweep_is_recorded_once(house: House):
    for serial in ("TG4001", ""):
        house.sweep(met("192.0.2.1", serial))
        found = house.sweep(met("192.0.2.1", serial), met("192.0.2.1", serial))
        assert [(one.event, one.record) for one in found] == [("known", True), ("doubled", False)]
    assert house.kinds() == ["new"]


# --- what holds always -------------------------------------------------------------------------------------------

readings = st.builds(
    met,
    st.sampled_from([f"192.0.2.{host}" for host in range(4)]),
    st.sampled_from(["", "N/A", "TG4001", "TG4002", "TG4003"]),
    st.sampled_from(["", MAC_A, MAC_B, MAC_C]),
    device=st.sampled_from([1, 2]),
    model=st.sampled_from(["", "Tallgrass M40", "Quillon C720"]),
    life=st.sampled_from([None, 100, 90_000]),
)
sweeps = st.lists(readings, max_size=6, unique_by=lambda one: (one.address, one.device_index))


@settings(max_examples=150)
@given(st.lists(sweeps, max_size=4))
def test_no_printer_is_two_at_once_and_nothing_met_is_dropped(history: Sequence[Sequence[Reading]]):
    house = House()
    for sweep in history:
        found = house.sweep(*sweep)
        assert [one.reading for one in found] == list(sweep)
        recorded = [one.printer.id for one in found if one.record]
        assert len(set(recorded)) == len(recorded)
        for one in found:
            stored = house.known.printers.get(one.printer.id)
            assert stored is None or stored.retired is None or not one.record
            if one.save:
                assert one.ledger or one.event == "known"
            if recognise(one.reading, house.known).event == "known" and one.record:
                assert house.known.at((one.reading.address, one.reading.device_index)) is not None
        standing = [(one.address, one.device_index) for one in house.known.printers.values() if one.retired is None]
        assert len(set(standing)) == len(standing)


@settings(max_examples=150)
@given(st.lists(sweeps, max_size=3), sweeps)
def test_the_same_sweep_again_and_again_comes_to_rest(history: Sequence[Sequence[Reading]], last: Sequence[Reading]):
    house = House()
    for sweep in history:
        house.sweep(*sweep)
    for _ in range(4):  # Twins of twins are settled one after another.
        house.sweep(*last)
    before, ledger = house.known, len(house.ledger)
    for one in house.sweep(*last):
        assert one.event in {"known", "doubled", "elsewhere"}
    assert len(house.ledger) == ledger
    assert house.known is before
