"""lowmark service, proofs, suggestions and hands: the real commands, real SNMP to simulated printers, a real store."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

from tests.servicing.library import BIG, COLOUR, DESK, Library, library

pytestmark = pytest.mark.slow


@pytest.fixture
def here(tmp_path, monkeypatch):
    with library(tmp_path, monkeypatch) as found:
        yield found


def checks(proof: dict) -> dict[tuple[str, str], str]:
    return {(one["kind"], one["subject"]): one["state"] for one in proof["checks"]}


def counter_of(here: Library, name: str) -> int:
    return here.rehearsal.fleet.by_name[name].counts.life


def test_a_service_after_the_work_is_proven_at_once_with_the_counter_read_live(here):
    here.lowmark("hands", COLOUR, "--set", "toner:cyan=4%")
    here.lowmark("sweep")
    assert "cyan toner fitted" in here.lowmark("hands", COLOUR, "--fit", "toner:cyan")
    made = here.data("service", COLOUR, "--did", "toner:cyan", "--who", "Night desk", "--remarks", "box was dented")
    assert made["state"] == "proven"
    found = checks(made)
    assert found["level-back", "toner:cyan"] == "seen"
    assert found["alert-gone", "markerTonerAlmostEmpty"] == "seen"
    assert found["calibration", "calibration"] == "waiting"
    assert found["read", ""] == "seen"
    words = next(one["words"] for one in made["checks"] if one["kind"] == "level-back")
    assert words == "cyan toner showed 4 % and shows 100 % since"
    service = made["service"]
    assert service["counter_from"] == "live"
    assert service["counter"] == pytest.approx(counter_of(here, COLOUR), abs=200)
    assert service["unit"] == "impressions"
    (entry,) = here.ledger("service")
    assert (entry.who, entry.id, entry.data["remark"]) == ("Night desk", service["id"], "box was dented")
    assert [one.subject for one in here.ledger("swapSeen")] == ["toner:cyan"]
    assert here.stock()["QU-C"] == 2, "counted out once, though it was both logged and seen"


def test_work_that_the_printer_does_not_show_waits_and_is_then_missing(here):
    made = here.data("service", COLOUR, "--did", "toner:cyan", "--who", "Night desk")
    assert made["state"] == "proving"
    assert checks(made)["level-back", "toner:cyan"] == "waiting"
    assert here.data("proofs", COLOUR)["proofs"][0]["state"] == "proving"
    # As of the day after next, when nobody has read it for longer than a silent printer is waited for.
    late = (datetime.now(UTC) + timedelta(days=2)).isoformat()
    (proof,) = here.data("proofs", COLOUR, "--at", late, status=1)["proofs"]
    assert (proof["state"], checks(proof)["level-back", "toner:cyan"]) == ("unproven", "missing")
    assert "cyan toner showed 50 % before and still shows 50 %" in proof["missing"][0]
    assert "NOT PROVEN" in here.lowmark("proofs", "--at", late, status=1)
    assert "No service" in here.lowmark("proofs", "--at", "2099-01-01T00:00:00Z"), "nobody asks any more"


def test_a_part_whose_counter_is_not_reset_is_not_proven_until_it_is(here):
    here.lowmark("hands", BIG, "--fit", "kit", "--no-reset")
    made = here.data("service", BIG, "--did", "kit", "--who", "Night desk")
    assert checks(made)["counter-reset", "other"] == "waiting"
    assert "still shows 50 %" in str(made["checks"])
    assert "the counter of Maintenance Kit is reset" in here.lowmark("hands", BIG, "--reset", "kit")
    here.lowmark("sweep")
    (proof,) = here.data("proofs", BIG)["proofs"]
    assert proof["state"] == "proven"
    assert checks(proof)["counter-reset", "other"] == "seen"
    assert here.stock()["BR-KIT"] == 2, "the plan takes its part, and the reset that was seen takes none besides"


def test_several_deeds_in_one_entry_with_their_parts(here):
    here.lowmark("hands", COLOUR, "--fit", "toner:cyan", "--calibrate")
    words = ("--did", "toner:cyan,calibration", "--part", "toner:cyan=QU-C", "--from", "Cupboard 3")
    made = here.data("service", COLOUR, *words)
    deeds = {one["subject"]: one for one in made["service"]["deeds"]}
    assert (deeds["toner:cyan"]["part"], deeds["toner:cyan"]["place"]) == ("QU-C", "Cupboard 3")
    assert ("calibration", "calibration") not in checks(made), "it was done in the same visit"
    assert len(here.ledger("service")) == 1
    due = {one["plan"]: one["state"] for one in here.data("upkeep", "--printer", COLOUR)["items"]}
    assert due["calibration"] == "fine"


def test_an_exchange_asks_for_a_calibration_until_that_is_logged(here):
    def calibration() -> str:
        items = here.data("upkeep", "--printer", COLOUR)["items"]
        return next(one["state"] for one in items if one["plan"] == "calibration")

    assert calibration() == "fine"
    here.lowmark("hands", COLOUR, "--fit", "toner:cyan")
    assert "Now due: Calibrate." in here.lowmark("service", COLOUR, "--did", "toner:cyan")
    assert calibration() == "due"
    time.sleep(0.01)
    here.lowmark("service", COLOUR, "--did", "calibration")
    assert calibration() == "fine"
    proofs = here.data("proofs", COLOUR)["proofs"]
    assert checks(proofs[0])["calibration", "calibration"] == "seen"


def test_a_silent_printer_gets_the_last_known_counter_with_a_clear_word(here):
    here.rehearsal.unplug(DESK)
    said = here.lowmark("service", DESK, "--did", "opc:black")
    assert "could not be read now" in said
    assert "taken as last known" in said
    (entry,) = here.ledger("service")
    assert entry.data["counterFrom"] == "last known"
    assert entry.data["counter"] == pytest.approx(counter_of(here, DESK), abs=200)
    assert "not read since" in said


def test_without_settings_it_says_what_is_missing_and_blames_no_printer(here, monkeypatch):
    monkeypatch.delenv("LOWMARK_SETTINGS")
    monkeypatch.chdir(here.folder.parent)
    said = here.lowmark("service", DESK, "--did", "opc:black", "--store", here.url)
    assert "there is no settings file that says how to ask it (--settings FILE or LOWMARK_SETTINGS)" in said
    assert "silent" not in said
    (entry,) = here.ledger("service")
    assert entry.data["counterFrom"] == "last known"
    assert "(last known; the printer could not be read)" in entry.text


def test_a_wrong_entry_is_corrected_by_another_and_stays_in_the_ledger(here):
    here.lowmark("hands", COLOUR, "--fit", "toner:cyan")
    wrong = here.data("service", COLOUR, "--did", "toner:cyan", "--who", "Night desk")["service"]["id"]
    assert here.stock()["QU-C"] == 2
    right = here.data("service", COLOUR, "--corrects", str(wrong), "--no-part", "--who", "Day desk")["service"]
    assert right["deeds"][0]["subject"] == "toner:cyan", "what is not said anew stays as it was said"
    assert (right["corrects"], right["who"]) == (wrong, "Day desk")
    assert here.stock()["QU-C"] == 3, "its effect on the shelf is taken back"
    assert [one.id for one in here.ledger("service")] == [wrong, right["id"]]
    assert [one["service"]["id"] for one in here.data("proofs")["proofs"]] == [right["id"]]
    said = here.lowmark("service", COLOUR, "--corrects", str(wrong), status=2)
    assert f"entry {right['id']} stands in the place of entry {wrong}" in said


def test_a_withdrawn_service_leaves_the_interval_where_it_was(here):
    def begin() -> object:
        items = here.data("upkeep", "--printer", BIG)["items"]
        return next(one["begin"]["at"] for one in items if one["plan"] == "kit")

    assert begin() is None
    number = here.data("service", BIG, "--did", "kit")["service"]["id"]
    assert begin() is not None
    assert here.stock()["BR-KIT"] == 2
    said = here.lowmark("service", "--withdraw", str(number), "--who", "Night desk", "--remarks", "wrong printer")
    assert "is withdrawn" in said
    assert begin() is None
    assert here.stock()["BR-KIT"] == 3
    assert here.data("proofs")["proofs"] == []
    (entry,) = here.ledger("serviceWithdrawn")
    assert (entry.who, entry.data["withdraws"]) == ("Night desk", number)
    assert "withdrawn already" in here.lowmark("service", "--withdraw", str(number), status=2)


def test_a_swap_that_nobody_logged_is_suggested_and_accepted_with_one_command(here):
    here.lowmark("hands", COLOUR, "--set", "toner:cyan=4%")
    here.lowmark("sweep")
    here.lowmark("hands", COLOUR, "--fit", "toner:cyan")
    here.lowmark("sweep")
    (one,) = here.data("suggestions")["suggestions"]
    assert (one["printer"], one["subjects"]) == (COLOUR, ["toner:cyan"])
    assert one["id"] in here.lowmark("suggestions", COLOUR)
    made = here.data("service", "--accept", one["id"], "--who", "Night desk")
    assert made["state"] == "proven"
    assert (made["service"]["accepted"], made["service"]["at"]) == (True, one["at"])
    assert made["service"]["counter_from"] == "seen"
    assert here.data("suggestions")["suggestions"] == []
    assert here.stock()["QU-C"] == 2
    assert "nothing waits" in here.lowmark("service", "--accept", one["id"], status=2)


def test_several_parts_that_fit_are_asked_about(here):
    here.lowmark("hands", DESK, "--fit", "toner:black")
    said = here.lowmark("service", DESK, "--did", "toner:black")
    assert "several parts fit (TG-A, TG-B)" in said
    assert here.stock()["TG-A"] == 3
    number = str(here.ledger("service")[-1].id)
    assert "TG-A: 1 taken from Cupboard 3, 2 there now" in here.lowmark(
        "service", DESK, "--corrects", number, "--part", "toner:black=TG-A", "--did", "toner:black"
    )


REFUSED = [
    ((), "which printer?"),
    ((COLOUR,), "what was done?"),
    ((COLOUR, "--did", "toner:cian"), "did you mean toner:cyan?"),
    ((COLOUR, "--did", "toner:cyan", "--part", "opc:cyan=QU-C"), "not among what was done"),
    ((COLOUR, "--did", "toner:cyan,calibration", "--part", "QU-C"), "of which item?"),
    ((COLOUR, "--did", "toner:cyan", "--from", "Cupbord 3"), "did you mean Cupboard 3?"),
    ((COLOUR, "--did", "toner:cyan", "--photo", "nowhere.jpg"), "there is no file"),
    ((COLOUR, "--did", "toner:cyan", "--corrects", "999999"), "is no service"),
    (("--withdraw", "999999"), "is no service"),
    (("--withdraw", "1", "--did", "toner:cyan"), "stands alone"),
    (("--accept", "x"), "nothing waits"),
]


def test_plain_words_that_fit_one_thing_alone_will_do(here):
    made = here.data("service", COLOUR, "--did", "Cyan Toner, calibrate", "--part", "cyan toner=QU-C")["service"]
    assert [one["subject"] for one in made["deeds"]] == ["toner:cyan", "calibration"]
    assert made["deeds"][0]["part"] == "QU-C"
    made = here.data("service", BIG, "--did", "fit the kit")["service"]
    assert [one["subject"] for one in made["deeds"]] == ["kit"]
    made = here.data("service", DESK, "--did", "toner,toner:black")["service"]
    assert [one["subject"] for one in made["deeds"]] == ["toner:black"]


def test_words_that_fit_several_things_are_refused_with_the_choices(here):
    said = here.lowmark("service", COLOUR, "--did", "cyan", status=2)
    assert "'cyan' may mean several things at hl-02: opc:cyan (cyan drum), toner:cyan (cyan toner); say which" in said
    assert here.ledger("service") == ()


def test_what_cannot_be_is_refused_and_nothing_is_written(here):
    for words, said in REFUSED:
        assert said in here.lowmark("service", *words, status=2)
    assert here.ledger("service", "serviceWithdrawn") == ()


def test_an_entry_about_one_printer_is_not_corrected_at_another(here):
    number = str(here.data("service", DESK, "--did", "opc:black")["service"]["id"])
    assert "is about hl-01, not hl-02" in here.lowmark(
        "service", COLOUR, "--corrects", number, "--did", "toner:cyan", status=2
    )


def test_another_printer_in_its_place_is_not_taken_for_it(here):
    here.rehearsal.exchange(DESK, "TM99999999")
    said = here.lowmark("service", DESK, "--did", "opc:black", "--who", "Night desk")
    assert "answers another printer: serial number TM99999999" in said
