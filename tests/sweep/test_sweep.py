"""One pass over the fleet, with printers of the rehearsal behind the seam."""

import asyncio
from datetime import timedelta

from agent.alarms.rules import Rule
from agent.model.wire import Peer
from agent.sweep.station import Station, Stop
from tests.sweep.seam import START, Scene

SERIAL = "1.3.6.1.2.1.43.5.1.1.17.1"
LIFE = "1.3.6.1.2.1.43.10.2.1.4.1.1"


def sweep(scene: Scene, **options):
    return asyncio.run(scene.sweep.run(**options))


def test_first_sweep_enlists_every_printer_and_records_it():
    scene = Scene()
    report = sweep(scene)
    assert report.printers == len(scene.simulated.printers) == len(scene.records.printers)
    assert {one.printer_id for one in scene.records.contacts} == set(scene.records.printers)
    assert all(one.reachable and one.reading for one in scene.records.contacts)
    assert sum(entry.kind == "new" for entry in scene.records.ledger) == len(scene.simulated.printers)


def test_second_sweep_knows_them_all_and_asks_only_for_status():
    scene = Scene()
    sweep(scene)
    scene.wire.asked.clear()
    scene.records.works.clear()
    scene.later(minutes=1)
    scene.answer_all()
    report = sweep(scene)
    assert not any(full for _, full in scene.wire.asked)
    assert report.printers == len(scene.records.printers)
    assert not [entry for entry in scene.records.ledger if entry.kind in {"new", "moved", "exchanged"}]


def test_the_whole_reading_is_taken_again_after_the_inventory_interval():
    scene = Scene()
    sweep(scene)
    scene.wire.asked.clear()
    scene.later(hours=6, minutes=1)
    scene.answer_all()
    sweep(scene)
    assert all(full for _, full in scene.wire.asked)


def test_printers_that_trade_addresses_keep_their_histories():
    scene = Scene()
    sweep(scene)
    first, second = scene.addresses[0], scene.addresses[1]
    ids = {one.serial: one.id for one in scene.records.printers.values()}
    scene.later(minutes=1)
    scene.answer_all()
    scene.wire.cells[first], scene.wire.cells[second] = scene.wire.cells[second], scene.wire.cells[first]
    scene.records.works.clear()
    sweep(scene)
    kinds = [entry.kind for entry in scene.records.ledger if entry.kind in {"moved", "new", "exchanged"}]
    assert kinds == ["moved", "moved"]
    for contact in scene.records.contacts:
        if contact.reading.serial:
            assert ids[contact.reading.serial] == contact.printer_id


def test_another_serial_number_at_the_same_address_starts_a_new_history():
    scene = Scene()
    sweep(scene)
    before = set(scene.records.printers)
    scene.later(minutes=1)
    scene.answer_all()
    scene.cells(0)[SERIAL] = b"ZZ99887766"
    # A whole machine was exchanged, so its network card is another one too.
    for oid in [oid for oid in scene.cells(0) if oid.startswith("1.3.6.1.2.1.2.2.1.6.")]:
        scene.cells(0)[oid] = bytes.fromhex("024c99887766")
    scene.records.works.clear()
    sweep(scene)
    (fresh,) = set(scene.records.printers) - before
    assert scene.records.printers[fresh].serial == "ZZ99887766"
    assert "exchanged" in [entry.kind for entry in scene.records.ledger]
    assert len(scene.sweep.fleet.watched) == len(before)


def test_a_silent_printer_is_told_after_its_time_and_its_return_too():
    rule = Rule(name="silent", when="unreachable", for_=timedelta(minutes=5), tell=("desk",))
    scene = Scene(rules=(rule,))
    sweep(scene)
    quiet = scene.addresses[0]
    for _ in range(8):
        scene.later(minutes=1)
        scene.answer_all()
        scene.wire.cells[quiet] = None
        report = sweep(scene)
        assert report.failures == {"silent": 1}
    raised = [message for work in scene.records.works for message in work.messages]
    assert [message.kind for message in raised] == ["raised"]
    scene.later(minutes=1)
    scene.answer_all()
    sweep(scene)
    told = [message.kind for work in scene.records.works for message in work.messages]
    assert told == ["raised", "returned"]


def test_a_listed_address_that_never_answered_is_a_printer_that_is_silent():
    scene = Scene()
    station = Station(Stop(Peer("127.77.9.9", 1161), name="Typing pool"))
    scene.sweep.watch([*scene.stations, station])
    sweep(scene)
    (missing,) = [one for one in scene.records.printers.values() if one.name == "Typing pool"]
    (contact,) = [one for one in scene.records.contacts if one.printer_id == missing.id]
    assert not contact.reachable
    assert contact.failure == "silent"
    # When it answers at last it is the same printer, now with its serial number.
    scene.later(minutes=1)
    scene.answer_all()
    scene.wire.cells["127.77.9.9:1161"] = scene.cells(0) | {SERIAL: b"TP11223344"}
    for oid in [oid for oid in scene.cells(0) if oid.startswith("1.3.6.1.2.1.2.2.1.6.")]:
        scene.wire.cells["127.77.9.9:1161"][oid] = bytes.fromhex("024c11223344")
    sweep(scene)
    assert scene.records.printers[missing.id].serial == "TP11223344"
    assert scene.records.printers[missing.id].name == "Typing pool"


def test_an_empty_address_of_a_range_is_no_printer_and_is_seldom_asked():
    scene = Scene()
    station = Station(Stop(Peer("127.77.9.9", 1161), expected=False))
    scene.sweep.watch([*scene.stations, station])
    sweep(scene)
    assert not [one for one in scene.records.printers.values() if "127.77.9.9" in one.address]
    scene.later(minutes=1)
    assert sweep(scene).resting == 1
    scene.later(minutes=15)
    assert sweep(scene).resting == 0


def test_a_printer_dead_for_long_is_asked_less_often_and_at_once_when_heard_from():
    station = Station(Stop(Peer("127.77.9.9", 1161)))
    now, asked = START, 0
    for minute in range(24 * 60):
        at = now + timedelta(minutes=minute)
        if station.due(at):
            asked += 1
            station.failed(at, "no answer")
    # Every minute at first, once in an hour at the end of the day: far from the 1,440 times of a printer that answers.
    assert 11 <= asked <= 80
    assert not station.due(now + timedelta(days=1, minutes=1))
    station.heard()
    assert station.due(now + timedelta(days=1, minutes=1))


def test_a_counter_that_falls_is_in_the_ledger_and_raises_its_alarm():
    rule = Rule(name="odd", when="counterOddity", tell=("desk",))
    scene = Scene(rules=(rule,))
    sweep(scene)
    scene.later(minutes=1)
    scene.answer_all()
    scene.cells(0)[LIFE] = 12
    sweep(scene)
    assert "counterReset" in [entry.kind for entry in scene.records.ledger]
    assert [m.facts["finding"] for work in scene.records.works for m in work.messages] == ["counterReset"]


def test_what_is_no_printer_is_said_to_be_none():
    scene = Scene()
    server = {"1.3.6.1.2.1.1.1.0": b"A file server", "1.3.6.1.2.1.1.3.0": 100}
    scene.wire.cells["127.77.9.9:1161"] = server
    scene.sweep.watch([*scene.stations, Station(Stop(Peer("127.77.9.9", 1161), name="Oops"))])
    report = sweep(scene)
    assert report.no_printer == 1
    (contact,) = [one for one in scene.records.contacts if one.failure == "noPrinter"]
    assert "A file server" in contact.error


def test_newcomers_wait_until_the_store_can_number_them():
    scene = Scene()
    scene.records.broken = True
    sweep(scene)
    assert not scene.records.contacts
    scene.records.broken = False
    scene.later(minutes=1)
    scene.answer_all()
    sweep(scene)
    assert len(scene.records.contacts) == len(scene.simulated.printers)


def test_a_printer_taken_out_of_the_settings_is_no_longer_watched():
    scene = Scene()
    sweep(scene)
    gone = scene.sweep.watch(scene.stations[1:])
    assert len(gone) >= 1
    assert not gone & scene.sweep.fleet.watched


def test_names_and_places_come_from_the_settings():
    scene = Scene(names={0: "Reading room"})
    sweep(scene)
    assert "Reading room" in [one.name for one in scene.records.printers.values()]


def test_a_move_that_could_not_be_saved_is_seen_again():
    scene = Scene()
    sweep(scene)
    first, second = scene.addresses[0], scene.addresses[1]
    scene.later(minutes=1)
    scene.answer_all()
    scene.wire.cells[first], scene.wire.cells[second] = scene.wire.cells[second], scene.wire.cells[first]
    scene.records.broken = True
    sweep(scene)
    scene.records.broken = False
    scene.records.works.clear()
    scene.later(minutes=1)
    sweep(scene)
    assert [entry.kind for entry in scene.records.ledger if entry.kind == "moved"] == ["moved", "moved"]


def test_a_printer_with_two_interfaces_does_not_move_to_and_fro():
    scene = Scene()
    other = Station(Stop(Peer("127.77.9.9", 1161)))
    scene.sweep.watch([*scene.stations, other])
    kinds = []
    for _ in range(4):
        scene.answer_all()
        scene.wire.cells["127.77.9.9:1161"] = dict(scene.cells(0))
        scene.records.works.clear()
        sweep(scene)
        kinds.append(sorted({entry.kind for entry in scene.records.ledger} - {"new"}))
        scene.later(minutes=1)
    assert "doubled" in kinds[0] + kinds[1]
    assert kinds[2:] == [[], []]
    assert len(scene.records.printers) == len(scene.simulated.printers)
