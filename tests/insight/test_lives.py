"""Lives: which rises of a level are swaps, which are noise, how lives end, and how soon a swap is told."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from agent.insight.kin import Fleet, pool
from agent.insight.printer import look, summarise
from agent.insight.steps import find_step, first_step_says
from agent.insight.swaps import swap_seen
from agent.model.fleet import ContactRun, LedgerEntry
from agent.model.insight import DRY, EARLY, STILL_IN
from agent.model.reading import Mark
from tests.insight.drawn import START, at, counter, history, steady, track


def lives_of(shown, *, pages=40, days=60, key="toner:black", ledger=(), contacts=None, capacity=100, receptacle=False):
    """The lives of a supply that showed these levels (hour, level) in a printer with so many pages a workday."""
    _, counts = steady(days, pages=pages)
    supply = track(shown, key=key, capacity=capacity, receptacle=receptacle)
    made = history([supply], [counts], until=24 * days, ledger=ledger, contacts=contacts)
    return look(made, Fleet(), at(24 * days)).lives


def falling(first, last, hours, step=1):
    """The level falls evenly from ``first`` to ``last`` over these hours (begin, end)."""
    values = list(range(first, last - 1, -step))
    width = (hours[1] - hours[0]) / max(1, len(values) - 1)
    return [(hours[0] + index * width, value) for index, value in enumerate(values)]


@pytest.mark.parametrize("step", [1, 5, 10, 25])
def test_replaced_cartridge_starts_a_new_life(step):
    supply, counts = steady(150, step=step, use=0.0002, pages=100, swap_at=0.04)
    lives = look(history([supply], [counts], until=24 * 150), Fleet(), at(24 * 150)).lives
    assert len(lives) == 3
    assert lives[0].fitted is None
    assert lives[1].fitted is not None
    assert lives[0].removed == lives[1].fitted
    assert lives[1].impressions == pytest.approx(4_800, abs=100)
    assert lives[-1].ended == STILL_IN
    assert lives[-1].removed is None


def test_a_life_says_how_it_ended():
    dry, counts = steady(120, use=0.0002, swap_at=0.0)
    ran = look(history([dry], [counts], until=24 * 120), Fleet(), at(24 * 120)).lives
    early, counts = steady(120, use=0.0002, swap_at=0.15)
    swapped = look(history([early], [counts], until=24 * 120), Fleet(), at(24 * 120)).lives
    assert ran[0].ended == DRY
    assert "ran dry" in ran[0].text
    assert swapped[0].ended == EARLY
    assert swapped[0].left == pytest.approx(0.14, abs=0.03)
    assert "swapped early at 14 %" in swapped[0].text


def test_a_flicker_by_one_step_is_no_swap():
    shown = [(0, 60), (100, 50), (101, 60), (102, 50), (300, 40), (301, 50), (302, 40)]
    assert len(lives_of(shown)) == 1


def test_a_shaken_cartridge_is_no_swap():
    shown = [*falling(40, 2, (0, 800)), (820, 6), (900, 5), (980, 4), (1060, 3)]
    assert len(lives_of(shown)) == 1


@pytest.mark.parametrize("odd", [100, 0, Mark.UNKNOWN])
def test_a_reading_after_power_up_is_no_swap(odd):
    shown = [*falling(60, 50, (0, 400)), (410, odd), (412, 50), *falling(49, 40, (500, 800))]
    assert len(lives_of(shown)) == 1


def test_a_flicker_at_the_very_border_is_no_swap():
    # The level falls to the next step just when the reading flickers one step lower: 80, 60, 70.
    shown = [(0, 90), (100, 80), (200, 60), (205, 70), (400, 60), (600, 50)]
    assert len(lives_of(shown)) == 1


def test_a_flicker_just_before_a_swap_is_one_swap():
    shown = [*falling(60, 10, (0, 800), step=10), (810, 20), (815, 100), (1000, 90), (1200, 80)]
    lives = lives_of(shown)
    assert [life.fitted is None for life in lives] == [True, False]
    assert lives[1].fitted == at(815)


def test_an_odd_zero_after_a_flicker_upwards_is_no_swap():
    shown = [(0, 60), (60, 50), (100, 40), (124, 50), (170, 0), (175, 50), (300, 40), (500, 30)]
    assert len(lives_of(shown)) == 1


def test_a_counter_that_begins_later_than_the_levels_makes_no_swap_of_an_odd_zero():
    levels = [(100.0 * index, 100 - 10 * index) for index in range(7)]
    supply = track([*levels, (640, 0), (645, 40)])
    recent = counter([(600 + 10 * index, 9_000 + 20 * index) for index in range(6)])
    told = swap_seen(supply, as_of=at(660), contacts=[ContactRun(START, at(660), True)], counters=[recent])
    assert told is None


def test_a_level_that_was_unknown_for_days_is_no_swap():
    shown = [*falling(60, 50, (0, 400)), (410, Mark.UNKNOWN), (500, 48), (600, 47)]
    lives = lives_of(shown)
    assert len(lives) == 1
    assert lives[0].end_level == pytest.approx(0.47)


def test_a_cartridge_swapped_while_the_level_was_unknown_is_a_swap():
    shown = [*falling(12, 4, (0, 400)), (410, Mark.UNKNOWN), (500, 100), (600, 99)]
    assert len(lives_of(shown)) == 2


def test_a_partly_used_cartridge_is_a_swap_and_said_to_be_used():
    shown = [*falling(30, 3, (0, 600)), (610, 55), *falling(54, 50, (640, 800))]
    lives = lives_of(shown)
    assert len(lives) == 2
    assert lives[1].used_before
    assert "used before" in lives[1].text


def test_another_capacity_with_the_same_share_is_no_swap():
    points = [(24.0 * day, 5_000 - 20 * day) for day in range(30)]
    bigger = [(24.0 * day, (5_000 - 20 * day) * 2) for day in range(30, 60)]
    supply = track(points, unit="impressions", capacity=10_000)
    more = track(bigger, unit="impressions", capacity=20_000)
    supply = replace(supply, points=supply.points + more.points)
    _, counts = steady(60)
    found = look(history([supply], [counts], until=24 * 60), Fleet(), at(24 * 60))
    assert len(found.lives) == 1
    assert any("capacity changed" in note.text for note in found.notes)


def test_an_emptied_waste_bin_starts_a_new_life():
    # A receptacle's level is the space that is left (RFC 3805, prtMarkerSuppliesLevel).
    shown = [*falling(30, 5, (0, 600)), (610, 100), *falling(99, 95, (700, 900))]
    lives = lives_of(shown, key="wasteToner", receptacle=True)
    assert [life.ended for life in lives] == [EARLY, STILL_IN]


@pytest.mark.parametrize("kind", ["opc:black", "fuser", "transferUnit", "developer"])
def test_parts_that_wear_slowly_have_lives_too(kind):
    shown = [*falling(8, 1, (0, 700)), (710, 100), (1200, 99)]
    assert [life.kind for life in lives_of(shown, key=kind)] == [kind.split(":")[0]] * 2


def test_some_remaining_only_a_swap_is_seen_when_it_was_empty():
    shown = [(0, Mark.SOME), (500, 0), (505, Mark.SOME), (1000, 0), (1003, Mark.SOME)]
    lives = lives_of(shown)
    assert [life.ended for life in lives] == [DRY, DRY, STILL_IN]
    assert lives[1].start_level is None


def test_some_remaining_only_a_logged_swap_counts():
    entry = LedgerEntry(at(600), "swapped", "swapped", 1, "toner:black", "technician")
    lives = lives_of([(0, Mark.SOME)], ledger=[entry])
    assert len(lives) == 2
    assert lives[1].fitted == at(600)
    assert lives[0].ended == EARLY
    assert sum(life.impressions for life in lives) == pytest.approx(40 * 43, abs=80)


def test_a_logged_swap_makes_a_seen_one_surer():
    shown = [*falling(30, 5, (0, 600)), (610, 60), (640, 59)]
    entry = LedgerEntry(at(609), "swapped", "swapped", 1, "toner:black", "technician")
    assert lives_of(shown, ledger=[entry])[1].sure > lives_of(shown)[1].sure


def test_a_logged_swap_that_the_level_denies_is_noted():
    _, counts = steady(60)
    entry = LedgerEntry(at(300), "swapped", "swapped", 1, "toner:black", "technician")
    found = look(history([track(falling(60, 30, (0, 1200)))], [counts], until=1440, ledger=[entry]), Fleet(), at(1440))
    assert len(found.lives) == 1
    assert any("the level shows none" in note.text for note in found.notes)


def test_nothing_after_the_moment_asked_for_is_looked_at():
    supply, counts = steady(150, swap_at=0.04)
    made = history([supply], [counts], until=24 * 150)
    early = look(made, Fleet(), at(24 * 40))
    assert len(early.lives) == 1
    cut = replace(
        made,
        supplies=(replace(supply, points=tuple(p for p in supply.points if p.at <= at(24 * 40))),),
        counters=(replace(counts, points=tuple(p for p in counts.points if p.at <= at(24 * 40))),),
        contacts=(ContactRun(START, at(24 * 40), True),),
    )
    again = look(cut, Fleet(), at(24 * 40))
    assert early.lives == again.lives
    assert early.forecasts == again.forecasts


# --- told as it happens -----------------------------------------------------------------------------------------------


def told(shown, now, *, already=None, contacts=None):
    supply = track([point for point in shown if point[0] <= now])
    runs = contacts or [ContactRun(START, at(now), True)]
    return swap_seen(supply, as_of=at(now), contacts=runs, counters=[counter([(0, 100), (now, 900)])], already=already)


def test_an_empty_cartridge_replaced_is_told_by_the_first_reading():
    shown = [*falling(30, 1, (0, 600)), (610, 0), (620, 100)]
    finding = told(shown, 620)
    assert finding is not None
    assert (finding.kind, finding.subject, finding.at) == ("swapSeen", "toner:black", at(620))
    assert "it showed 0 % and now 100 %" in finding.text


def test_a_rise_in_mid_life_waits_for_the_next_reading():
    shown = [*falling(80, 50, (0, 600)), (610, 100)]
    assert told(shown, 610) is None
    assert told(shown, 611) is not None


def test_a_blink_is_never_told():
    shown = [*falling(80, 50, (0, 600)), (610, 100), (611, 50)]
    assert told(shown, 611) is None


def test_after_a_silence_the_next_reading_decides():
    shown = [*falling(20, 3, (0, 600)), (650, 100)]
    silent = [ContactRun(START, at(600), True), ContactRun(at(601), at(649), False), ContactRun(at(650), at(650), True)]
    assert told(shown, 650, contacts=silent) is None
    assert told(shown, 651, contacts=[*silent[:2], ContactRun(at(650), at(651), True)]) is not None


def test_a_swap_is_told_once():
    shown = [*falling(30, 1, (0, 600)), (610, 0), (620, 100)]
    finding = told(shown, 620)
    assert told([*shown, (700, 99)], 700, already=finding.at) is None


def test_an_emptied_receptacle_is_told_in_its_own_words():
    supply = track([(0, 9), (10, 5), (20, 0), (30, 100)], key="wasteToner", receptacle=True)
    finding = swap_seen(supply, as_of=at(31), contacts=[ContactRun(START, at(31), True)])
    assert finding is not None
    assert "emptied" in finding.text


# --- steps and rounding ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shown", "step"),
    [
        ([1.0, 0.99, 0.98, 0.55], 0.01),
        ([1.0, 0.9, 0.7, 0.2], 0.1),
        ([1.0, 0.75, 0.5], 0.25),
        ([1.0, 0.95, 0.85], 0.05),
        ([1.0, 0.667, 0.333, 0.0], 1 / 3),
        ([1.0, 0.9987, 0.9931], 0.001),
    ],
)
def test_the_step_of_a_level_is_found(shown, step):
    import numpy as np

    assert find_step(np.array(shown))[0] == pytest.approx(step, rel=1e-3)


@pytest.mark.parametrize(("ratio", "best"), [(0.02, 0), (0.5, 1), (0.97, 2)])
def test_the_first_step_tells_the_rounding(ratio, best):
    says = first_step_says(ratio, 0.2)
    assert max(range(3), key=says.__getitem__) == best


@pytest.mark.parametrize(("rounded", "best"), [(math.floor, 0), (round, 1), (math.ceil, 2)])
def test_fine_steps_that_are_rounded_down_are_not_taken_for_rounded_up(rounded, best):
    # A new cartridge is met when some pages have been printed: rounded down it never shows 100 %, and its first step
    # of 99 % is as long as one that is rounded up.
    level, count, shown, counts = 0.3, 1_000, [], []
    for hour in range(24 * 60):
        if 8 <= hour % 24 < 18:
            counts.append((hour, count))
            shown.append((hour, max(0, rounded(level * 100 - 1e-9))))
            count, level = count + 6, level - 0.0017
            level = level if level > 0.02 else 0.9983
    supply = track([one for at_, one in enumerate(shown) if not at_ or one[1] != shown[at_ - 1][1]])
    made = history([supply], [counter(counts)], until=24 * 60)
    chances = pool([summarise(made, Fleet(), at(24 * 60))]).steps_of(("Tallgrass M40", "toner", "black")).chances
    assert max(range(3), key=chances.__getitem__) == best


def test_the_days_of_notes_are_those_of_the_site():
    # 300 hours after Monday 6 January 2025, 7:00 UTC, is Saturday the 18th, 19:00 UTC; on Kiritimati it is Sunday by
    # then (tz database, Pacific/Kiritimati: 14 hours before UTC).
    _, counts = steady(60)
    entry = LedgerEntry(at(300), "swapped", "swapped", 1, "toner:black", "technician")
    supply = track(falling(60, 30, (0, 1200)))
    for zone, day in (("UTC", "Sat 18 Jan 2025"), ("Pacific/Kiritimati", "Sun 19 Jan 2025")):
        made = history([supply], [counts], until=1440, ledger=[entry], zone=zone)
        told = [note.text for note in look(made, Fleet(), at(1440)).notes]
        assert f"a swap was logged on {day}, but the level shows none" in told
