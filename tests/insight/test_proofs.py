"""Proofs of services, over histories drawn by hand and by hypothesis."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.insight.logbook import SERVICE, entry_of, holding, service_of, services_in, withdrawal_of
from agent.insight.proofs import LONGEST, WITHIN, Evidence, proofs, set_time
from agent.model.contact import StatusPoint
from agent.model.fleet import (
    ContactRun,
    CounterTrack,
    CountPoint,
    LedgerEntry,
    LevelPoint,
    Place,
    Printer,
    PrinterHistory,
    SupplyTrack,
)
from agent.model.proof import Deed, Proof, Service
from agent.model.reading import CONSUMED, RECEPTACLE, Alert, Mark
from agent.model.upkeep import NOT_RESET, Disagreement, Plan

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
KIT = Plan("kit", "Fit the kit", renews=("fuser",), reports=("overduePreventMaint",))
LONG = ((NOON - 60 * DAY, NOON + 90 * DAY),)
CALIBRATION = Plan("calibration", "Calibrate", colour_only=True, after=("toner:cyan", "kit"))


def track(key: str, *points: tuple[datetime, object], receptacle: bool = False) -> SupplyTrack:
    kind, _, colour = key.partition(":")
    steps = tuple(LevelPoint(at, level, 100) for at, level in points)  # type: ignore[arg-type]
    return SupplyTrack(key, kind, RECEPTACLE if receptacle else CONSUMED, colour or None, "percent", key, steps)


def logged(
    *did: str, at: datetime = NOON, number: int = 7, renews: tuple[str, ...] = (), **more: object
) -> LedgerEntry:
    deeds = tuple(Deed(one, renews=renews if one == "kit" else ()) for one in did)
    service = Service(0, 1, "Night desk", at, deeds, logged=at, **more)  # type: ignore[arg-type]
    return replace(entry_of(service), id=number)


def evidence(
    *tracks: SupplyTrack,
    ledger: tuple[LedgerEntry, ...],
    runs: tuple[tuple[datetime, datetime], ...] = ((NOON - 9 * DAY, NOON + 90 * DAY),),
    statuses: tuple[StatusPoint, ...] = (),
    plans: tuple[Plan, ...] = (KIT, CALIBRATION),
    **more: object,
) -> Evidence:
    printer = Printer(1, "desk-1", "127.0.0.1", model="Quillon C720", place=Place("Main library"))
    counter = CounterTrack("life", "impressions", 2**32, (CountPoint(NOON - 9 * DAY, 1_000),))
    contacts = tuple(ContactRun(first, last, True) for first, last in runs)
    history = PrinterHistory(printer, contacts, tracks, (counter,), ledger)
    return Evidence(history, statuses, {3: "toner:cyan"}, plans, **more)  # type: ignore[arg-type]


def only(found: tuple[Proof, ...]) -> Proof:
    assert len(found) == 1
    return found[0]


def states(proof: Proof) -> dict[tuple[str, str], str]:
    return {(one.kind, one.subject): one.state for one in proof.checks}


def status(at: datetime, *codes: str, errors: tuple[str, ...] = ()) -> StatusPoint:
    alerts = tuple(
        Alert(n, "warning", "untrained", "markerSupplies", 3, -2, code, 1104, code, None)
        for n, code in enumerate(codes)
    )
    return StatusPoint(at, "running", "idle", frozenset(errors), (), alerts)


# --- as of one moment after another ------------------------------------------------------------------------------


def test_a_toner_is_proven_by_the_first_reading_that_shows_more():
    cyan = track("toner:cyan", (NOON - DAY, 4), (NOON + 9 * MINUTE, 100))
    known = evidence(cyan, ledger=(logged("toner:cyan"),))
    assert only(proofs(known, NOON + 5 * MINUTE)).state == "proving"
    proof = only(proofs(known, NOON + 10 * MINUTE))
    assert (proof.state, proof.proven_at, proof.missing) == ("proven", NOON + 9 * MINUTE, ())
    level = proof.checks[0]
    assert (level.kind, level.state, level.seen_at) == ("level-back", "seen", NOON + 9 * MINUTE)
    assert level.words == "cyan toner showed 4 % and shows 100 % since"
    assert only(proofs(known, NOON + 60 * DAY)).state == "proven", "and it stays proven"
    assert proofs(known, NOON - MINUTE) == (), "before it was logged there is nothing to prove"


def test_a_swap_that_was_seen_before_it_was_logged_proves_it():
    cyan = track("toner:cyan", (NOON - 2 * DAY, 4), (NOON - HOUR, 100), (NOON + HOUR, 99))
    assert only(proofs(evidence(cyan, ledger=(logged("toner:cyan"),)), NOON + MINUTE)).state == "proven"


def test_a_used_cartridge_counts_but_a_shaken_one_does_not():
    used = track("toner:cyan", (NOON - DAY, 4), (NOON + MINUTE, 40))
    shaken = track("toner:cyan", (NOON - DAY, 4), (NOON + MINUTE, 7))
    for told, state in ((used, "proven"), (shaken, "proving")):
        assert only(proofs(evidence(told, ledger=(logged("toner:cyan"),)), NOON + HOUR)).state == state


def test_a_level_that_falls_back_was_no_exchange():
    flicker = track("toner:cyan", (NOON - DAY, 25), (NOON + MINUTE, 50), (NOON + 2 * MINUTE, 25))
    known = evidence(flicker, ledger=(logged("toner:cyan"),))
    assert only(proofs(known, NOON + 90 * timedelta(seconds=1))).state == "proven"
    assert states(only(proofs(known, NOON + HOUR)))["level-back", "toner:cyan"] == "waiting"
    late = only(proofs(known, NOON + 3 * HOUR))
    assert (late.state, states(late)["level-back", "toner:cyan"]) == ("unproven", "missing")
    assert late.missing[0].startswith("cyan toner showed 25 % before and still shows 25 %")


def test_what_was_new_days_before_and_is_worn_at_the_service_does_not_prove_the_service():
    drum = track("opc:black", (NOON - 6 * DAY, 14), (NOON - 2 * DAY, 100), (NOON - HOUR, 4), (NOON + HOUR, 4))
    known = evidence(drum, ledger=(logged("opc:black"),))
    late = only(proofs(known, NOON + 3 * HOUR))
    assert (late.state, states(late)["counter-reset", "opc:black"]) == ("unproven", "missing")
    assert late.missing[0].startswith("black drum showed 4 % before and still shows 4 %")


def test_a_counter_that_is_not_reset_is_missing_and_reset_later_still_proves_it():
    fuser = track("fuser", (NOON - DAY, 3), (NOON + 2 * DAY, 100))
    known = evidence(fuser, ledger=(logged("kit", renews=("fuser",)),))
    late = only(proofs(known, NOON + DAY))
    assert (late.state, states(late)["counter-reset", "fuser"]) == ("unproven", "missing")
    assert "reset its counter" in late.missing[0]
    told = Disagreement(NOT_RESET, 1, "kit", "fuser", NOON, 0.03, 0.99, 1_000, "kit was logged, but fuser is at 3 %")
    assert only(proofs(replace(known, disagreements=(told,)), NOON + DAY)).missing == (told.text,)
    proof = only(proofs(known, NOON + 3 * DAY))
    assert (proof.state, proof.proven_at) == ("proven", NOON + 2 * DAY)
    assert proof.until == NOON + WITHIN


def test_a_printer_that_is_off_is_waited_for_and_then_not_read_since():
    cyan = track("toner:cyan", (NOON - DAY, 4))
    known = evidence(cyan, ledger=(logged("toner:cyan"),), runs=((NOON - 9 * DAY, NOON - HOUR),))
    soon = only(proofs(known, NOON + 20 * HOUR))
    assert (soon.state, states(soon)["read", ""]) == ("proving", "waiting")
    late = only(proofs(known, NOON + LONGEST + MINUTE))
    assert late.state == "unproven"
    assert late.missing == ("not read since Mon 2 Mar 12:00 UTC: the printer has not answered",)


def test_time_during_which_it_is_off_does_not_count():
    runs = ((NOON - DAY, NOON + 30 * MINUTE), (NOON + 5 * HOUR, NOON + 20 * HOUR))
    cyan = track("toner:cyan", (NOON - DAY, 4))
    known = evidence(cyan, ledger=(logged("toner:cyan"),), runs=runs)
    assert only(proofs(known, NOON + 4 * HOUR)).state == "proving"
    assert only(proofs(known, NOON + 6 * HOUR)).state == "proving"
    assert only(proofs(known, NOON + 8 * HOUR)).until == NOON + 6.5 * HOUR
    assert only(proofs(known, NOON + 8 * HOUR)).state == "unproven"


def test_alerts_about_the_supply_must_go():
    cyan = track("toner:cyan", (NOON - DAY, 0), (NOON + MINUTE, 100))
    stood = status(NOON - 2 * HOUR, "markerTonerEmpty")
    gone = status(NOON + 5 * MINUTE)
    known = evidence(cyan, ledger=(logged("toner:cyan"),), statuses=(stood, gone))
    early = only(proofs(known, NOON + 2 * MINUTE))
    assert (early.state, states(early)["alert-gone", "markerTonerEmpty"]) == ("proving", "waiting")
    assert only(proofs(known, NOON + 6 * MINUTE)).proven_at == NOON + 5 * MINUTE
    again = (stood, gone, status(NOON + 30 * DAY, "markerTonerAlmostEmpty"))
    assert only(proofs(replace(known, statuses=again), NOON + 31 * DAY)).state == "proven", "that is the next life's"


def test_what_the_plan_says_the_printer_reports_must_go():
    fuser = track("fuser", (NOON - DAY, 3), (NOON + MINUTE, 100))
    asks = status(NOON - HOUR, errors=("overduePreventMaint",))
    known = evidence(fuser, ledger=(logged("kit", renews=("fuser",)),), statuses=(asks,))
    late = only(proofs(known, NOON + 3 * HOUR))
    assert (late.state, late.missing) == ("unproven", ("the printer still says: maintenance is overdue",))


def test_a_calibration_stays_open_beside_a_proven_service_until_it_is_logged():
    cyan = track("toner:cyan", (NOON - DAY, 4), (NOON + MINUTE, 100))
    done = logged("calibration", at=NOON + DAY, number=8)
    known = evidence(cyan, ledger=(logged("toner:cyan"), done))
    before = only(proofs(known, NOON + HOUR))
    assert (before.state, states(before)["calibration", "calibration"]) == ("proven", "waiting")
    after = proofs(known, NOON + 2 * DAY)[0]
    assert states(after)["calibration", "calibration"] == "seen"


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (((NOON - DAY, Mark.UNKNOWN),), "no number"),
        (((NOON - DAY, Mark.SOME),), "only that some"),
        (((NOON - DAY, 96),), "too much to see"),
    ],
)
def test_what_cannot_be_seen_is_said_and_holds_up_nothing(points, words):
    proof = only(proofs(evidence(track("toner:cyan", *points), ledger=(logged("toner:cyan"),)), NOON + HOUR))
    assert (proof.checks[0].state, proof.state) == ("not-applicable", "proven")
    assert words in proof.checks[0].words


def test_some_after_empty_is_seen():
    told = track("toner:cyan", (NOON - DAY, 0), (NOON + MINUTE, Mark.SOME))
    proof = only(proofs(evidence(told, ledger=(logged("toner:cyan"),)), NOON + HOUR))
    assert proof.checks[0].words == "cyan toner showed 0 % and shows some since"


def test_an_emptied_bin_shows_its_space():
    waste = track("wasteToner", (NOON - DAY, 0), (NOON + MINUTE, 100), receptacle=True)
    proof = only(proofs(evidence(waste, ledger=(logged("wasteToner"),)), NOON + HOUR))
    assert proof.checks[0].words == "waste toner box showed 0 % and shows 100 % since (space left)"


def test_the_second_of_two_services_is_not_proven_by_the_first_swap():
    cyan = track("toner:cyan", (NOON - DAY, 4), (NOON + MINUTE, 60))
    ledger = (logged("toner:cyan"), logged("toner:cyan", at=NOON + 3 * HOUR, number=8))
    first, second = proofs(evidence(cyan, ledger=ledger), NOON + 4 * HOUR)
    assert (first.state, second.state) == ("proven", "proving")
    again = (logged("toner:cyan", at=NOON - 40 * DAY), logged("toner:cyan", number=8))
    told = evidence(track("toner:cyan", (NOON - 50 * DAY, 4), (NOON - MINUTE, 60)), ledger=again, runs=LONG)
    assert [one.state for one in proofs(told, NOON + HOUR)] == ["unproven", "proven"], "the rise is the nearer one's"
    assert proofs(told, NOON + HOUR)[0].superseded_by == 8
    ledger = (logged("toner:cyan"), logged("toner:cyan", at=NOON + HOUR / 2, number=8))
    assert {one.state for one in proofs(evidence(cyan, ledger=ledger), NOON + HOUR)} == {"proven"}, "said twice"


def test_work_that_leaves_no_trace_is_proven_by_an_answer():
    proof = only(proofs(evidence(ledger=(logged("cleaning"),)), NOON + HOUR))
    assert proof.state == "proven"
    assert "nothing else of this work can be seen" in proof.checks[-1].words


# --- corrections as of ---------------------------------------------------------------------------------------------


def test_a_correction_counts_from_the_moment_at_which_it_was_written():
    wrong = logged("toner:cyan")
    service = service_of(logged("toner:black", number=8))
    assert service is not None
    entry = replace(entry_of(replace(service, corrects=7, logged=NOON + 2 * DAY)), id=8)
    ledger = (wrong, entry)
    assert [(one.id, one.holds) for one in services_in(ledger, NOON + DAY)] == [(7, True)]
    assert [(one.id, one.holds) for one in services_in(ledger, NOON + 3 * DAY)] == [(7, False), (8, True)]
    assert [one.subject for one in holding(ledger, NOON + DAY)] == ["toner:cyan"]
    assert [one.subject for one in holding(ledger, NOON + 3 * DAY)] == ["toner:black"]
    gone = replace(withdrawal_of(replace(service, id=8), "Day desk", NOON + 4 * DAY), id=9)
    assert holding((*ledger, gone), NOON + 5 * DAY) == [], "what it stood for does not come back"
    assert [one.subject for one in holding((*ledger, gone), NOON + 3 * DAY)] == ["toner:black"]


deeds = st.lists(
    st.builds(
        Deed,
        st.text(st.characters(codec="utf-8", exclude_characters="|\0"), min_size=1, max_size=12),
        st.text(max_size=8),
        st.text(max_size=8),
        st.booleans(),
        st.lists(st.sampled_from(["fuser", "opc:black", "toner:cyan#2"]), max_size=3, unique=True).map(tuple),
    ),
    min_size=1,
    max_size=5,
).map(tuple)


@given(
    deeds,
    st.none() | st.integers(0, 2**40),
    st.text(max_size=20),
    st.none() | st.integers(1, 99),
    st.booleans(),
)
def test_what_is_written_is_read_back(done, counter, remarks, corrects, accepted):
    service = Service(
        5, 1, "Night desk", NOON, done, counter, "sheets" if counter is not None else "",
        "live" if counter is not None else "", remarks, "", corrects, accepted=accepted, logged=NOON,
    )  # fmt: skip
    entry = replace(entry_of(service), id=5)
    assert service_of(entry) == service
    flat = holding([entry], NOON)
    assert holding(flat, NOON) == flat, "taken apart once is taken apart"
    assert [one.subject for one in flat if one.kind == SERVICE] == [deed.subject for deed in done]


levels = st.lists(
    st.tuples(st.integers(-5_000, 9_000), st.integers(0, 100) | st.sampled_from([Mark.SOME, Mark.UNKNOWN])),
    max_size=12,
).map(lambda some: sorted(some, key=lambda one: one[0]))


@given(
    levels,
    st.lists(st.tuples(st.integers(-5_000, 9_000), st.integers(0, 3_000)), max_size=5),
    st.integers(-10, 9_000),
    st.integers(0, 9_000),
)
def test_whatever_is_shown_a_proof_is_whole_and_its_set_time_does_not_begin_anew(points, runs, minutes, more):
    """Whatever happened: each state is one of the three, its words are there, and nothing of the future leaks in."""
    told = [track("toner:cyan", *((NOON + minute * MINUTE, level) for minute, level in points))] if points else []
    spans = tuple((NOON + first * MINUTE, NOON + (first + length) * MINUTE) for first, length in runs)
    known = evidence(*told, ledger=(logged("toner:cyan"),), runs=spans)
    as_of = NOON + minutes * MINUTE
    found = proofs(known, as_of)
    assert len(found) == (1 if minutes >= 0 else 0)
    for proof in found:
        assert proof.state in ("proving", "proven", "unproven")
        assert bool(proof.missing) == (proof.state == "unproven")
        assert (proof.proven_at is not None) == (proof.state == "proven")
        assert all(one.words for one in proof.checks)
        assert all(one.seen_at is None or one.seen_at <= as_of for one in proof.checks)
        # Cutting off what came later changes nothing.
        history = known.history
        cut = replace(
            history,
            supplies=tuple(
                replace(one, points=tuple(p for p in one.points if p.at <= as_of)) for one in history.supplies
            ),
            contacts=tuple(replace(run, last=min(run.last, as_of)) for run in history.contacts if run.first <= as_of),
        )
        if any(one.points for one in cut.supplies) or not told:
            assert only(proofs(replace(known, history=cut), as_of)) == proof
        later = only(proofs(known, as_of + more * MINUTE))
        assert later.until <= NOON + max(LONGEST, 12 * WITHIN)
        # What was proven may be open again within the set time: a level that falls back within a day was no rise.
        if proof.state == "unproven":
            assert later.state != "proving", "the set time does not begin anew"


def test_what_was_first_read_after_the_work_says_nothing_of_before_and_undoes_nothing():
    told = track("toner:cyan", (NOON + 2 * MINUTE, 0))
    known = evidence(told, ledger=(logged("toner:cyan"),), runs=((NOON, NOON + MINUTE),))
    assert only(proofs(known, NOON + MINUTE)).state == "proven"
    later = only(proofs(known, NOON + 2 * MINUTE))
    assert later.state == "proven"
    assert later.checks[0].words == (
        "what cyan toner showed before is not known: it was first read after the work; look at it by hand"
    )


@given(st.lists(st.tuples(st.integers(0, 5_000), st.integers(0, 900)), max_size=6), st.integers(1, 600))
def test_the_set_time_is_time_during_which_the_printer_answers(runs, within):
    spans, last = [], 0
    for gap, length in runs:
        spans.append((last + gap, last + gap + length))
        last += gap + length + 1
    contacts = [ContactRun(NOON + a * MINUTE, NOON + b * MINUTE, True) for a, b in spans]
    until = set_time(contacts, NOON, within * MINUTE, NOON + 99 * DAY)
    answered = sum(max(0, min(b, (until - NOON) / MINUTE) - a) for a, b in spans)
    cap = NOON + max(LONGEST, 12 * within * MINUTE)
    assert until <= cap
    assert answered == pytest.approx(within) or until == cap


def test_a_level_that_falls_back_within_the_day_proves_nothing_any_more():
    cyan = track("toner:cyan", (NOON - 5 * MINUTE, 5), (NOON + MINUTE, 100), (NOON + 2 * MINUTE, 5))
    known = evidence(cyan, ledger=(logged("toner:cyan"),), runs=((NOON - 5 * MINUTE, NOON + 5 * MINUTE),))
    told = [only(proofs(known, NOON + minutes * MINUTE)).state for minutes in (0, 1, 2)]
    assert told == ["proving", "proven", "proving"]
