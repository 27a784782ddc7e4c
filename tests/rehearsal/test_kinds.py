"""Each invented kind shows what it was invented for, as the decoder reads it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from importlib.resources import files

import pytest

from agent.mib.decode import decode
from agent.mib.oddities import choose, parse
from agent.model.reading import Mark, Reading
from agent.rehearsal import kinds
from agent.rehearsal.fleet import Fleet

START = datetime(2026, 3, 2, 6, tzinfo=UTC)  # a Monday, before anybody prints
NOON = START + timedelta(hours=6)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    made = Fleet(3, 15, start=START)
    made.advance(NOON)
    return made


def reading(fleet: Fleet, kind: kinds.Kind, *, corrected: bool = True, device: int = 1) -> Reading:
    worn = next(w for w in fleet.printers if w.kind is kind and w.who.device_index == device)
    oddities = parse(files("agent.mib").joinpath("oddities.toml").read_text("utf-8"))
    chosen = choose(oddities, kind.object_id) if corrected else ()
    return decode(fleet.cells(worn, NOON), at=NOON, address="printer", device_index=device, oddities=chosen)


@pytest.mark.parametrize("kind", kinds.KINDS, ids=lambda kind: kind.name)
def test_every_kind_is_read_without_a_remark(fleet: Fleet, kind: kinds.Kind) -> None:
    found = reading(fleet, kind)
    assert found.model == kind.title
    assert bool(found.serial) == kind.has_serial
    assert [supply.key for supply in found.supplies] == [part.key for part in kind.parts]
    assert found.markers[0].unit == "impressions"
    assert found.mac.startswith("02:4c:")
    assert [remark for remark in found.remarks if "oddity" not in remark.what] == []


@pytest.mark.parametrize("kind", kinds.KINDS, ids=lambda kind: kind.name)
def test_levels_are_what_is_really_left_in_the_printers_steps(fleet: Fleet, kind: kinds.Kind) -> None:
    worn = next(w for w in fleet.printers if w.kind is kind)
    for supply, part in zip(reading(fleet, kind).supplies, kind.parts, strict=True):
        if part.shows == "some":
            assert supply.fraction is None
            continue
        assert supply.fraction is not None
        shown = worn.lives[part.key].shown
        assert shown - 1e-6 <= supply.fraction + 0.5 / 60 <= shown + part.step / 100 + 0.04
        assert abs(round(supply.fraction * 100 / part.step) * part.step - supply.fraction * 100) < 1.0


def test_a_kind_that_says_only_some(fleet: Fleet) -> None:
    found = reading(fleet, kinds.SOME)
    assert {supply.level for supply in found.supplies} == {Mark.SOME}
    assert {supply.capacity for supply in found.supplies} == {Mark.UNKNOWN}


def test_a_kind_in_percent_without_a_capacity(fleet: Fleet) -> None:
    found = {supply.key: supply for supply in reading(fleet, kinds.IN_PERCENT).supplies}
    assert {supply.unit for supply in found.values()} == {"percent"}
    assert found["toner:black"].capacity == 100
    assert found["wasteToner"].capacity is Mark.UNKNOWN
    assert found["wasteToner"].fraction is not None


def test_the_odd_waste_bin_reports_fill_until_its_oddity_is_known(fleet: Fleet) -> None:
    raw = {s.key: s.fraction for s in reading(fleet, kinds.ODD_WASTE, corrected=False).supplies}["wasteToner"]
    put_right = {s.key: s.fraction for s in reading(fleet, kinds.ODD_WASTE).supplies}["wasteToner"]
    assert raw is not None
    assert put_right == pytest.approx(1 - raw)


def test_two_printers_stand_behind_one_address(fleet: Fleet) -> None:
    one, two = (reading(fleet, kinds.SERVER, device=device) for device in (1, 2))
    assert one.serial != two.serial
    assert (one.name, two.name) == ("hl-11", "hl-12")


@pytest.mark.parametrize(
    ("kind", "word"),
    [(kinds.KANA, "印刷できます"), (kinds.ROMAN, "Bereit für Aufträge"), (kinds.IN_PERCENT, "Prête - éco")],
    ids=["Shift-JIS", "Roman-8", "Latin-1"],
)
def test_texts_come_through_in_the_printers_character_set(kind: kinds.Kind, word: str) -> None:
    quiet = Fleet(3, 15, start=START)
    for worn in quiet.printers:  # nothing is low, so the console says that the printer is ready
        worn.board.rows.clear()
    found = decode(
        quiet.cells(next(w for w in quiet.printers if w.kind is kind), START), at=START, address="x", device_index=1
    )
    assert found.console[0] == word
    assert word.encode("ascii", "ignore") != word.encode(kinds.CODECS[kind.charset])
    assert found.supplies[0].description == kind.parts[0].description


def test_counters_agree_with_each_other(fleet: Fleet) -> None:
    counts = {counter.name: counter.value for counter in reading(fleet, kinds.FLOOR).counters}
    assert counts["mono"] + counts["colour"] == counts["total"] == counts["life"]
    assert counts["sheets"] + counts["twoSided"] == counts["total"]


def test_names_serial_numbers_and_addresses_are_distinct() -> None:
    fleet = Fleet(1, 60, start=START)
    assert len({worn.who.name for worn in fleet.printers}) == 60
    serials = [worn.who.serial for worn in fleet.printers if worn.who.serial]
    assert len(set(serials)) == len(serials) == 59
    places = {(worn.who.host, worn.who.port, worn.who.device_index) for worn in fleet.printers}
    assert len(places) == 60


def test_a_jam_shows_as_a_critical_alert_does_in_rfc_3805(fleet: Fleet) -> None:
    fresh = Fleet(3, 1, start=START)
    worn = fresh.printers[0]
    worn.board.rows.clear()
    worn.jam(1.0)
    found = decode(fresh.cells(worn, START), at=START, address="x", device_index=1)
    # RFC 3805 section 2.2.13.2: critical alert -> hrDeviceStatus down(5), hrPrinterStatus other(1), error bit jammed
    assert (found.device_status, found.printer_status, found.errors) == ("down", "other", {"jammed"})
    alert = found.alerts[0]
    assert (alert.severity, alert.code, alert.group) == ("critical", "jam", "mediaPath")
