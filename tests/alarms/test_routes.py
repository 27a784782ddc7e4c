"""Who is told, and when: routes, quiet hours, escalation."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.alarms.hours import Calendar, Hours
from agent.alarms.lifecycle import acknowledge
from agent.alarms.routes import Quiet, Route, Shift
from agent.alarms.rules import Rule
from agent.app.parts import routes
from agent.notify.message import compose
from agent.settings import parse
from tests.alarms.scene import DESK, LOW, MINUTE, Agent, kinds, seen, toner

CYAN = "low|7|toner:cyan"
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NIGHT = Quiet(Hours(time(20), time(7)))
BOTH = replace(LOW, tell=("mail", "phone"))
EVENING = datetime(2026, 3, 2, 21, 0, tzinfo=ZoneInfo("Europe/Prague")).astimezone(UTC)  # a Monday


def at_night(*rules: Rule, quiet: Quiet = NIGHT) -> Agent:
    return Agent(list(rules or (BOTH,)), now=EVENING, routes={"phone": Route(quiet=(quiet,))})


def told(messages) -> list[tuple[str, str]]:
    return [(one.channel, one.kind) for one in messages]


# --- quiet hours -----------------------------------------------------------------------------------------------------


def test_in_quiet_hours_the_others_are_told_and_the_quiet_one_afterwards():
    agent = at_night()
    assert told(agent.sweep(seen(toner(5)))) == [("mail", "raised")]
    assert agent.sweep(seen(toner(5)), after=9 * HOUR) == []
    (late,) = agent.sweep(seen(toner(5)), after=HOUR)
    assert (late.channel, late.kind, late.reason) == ("phone", "raised", "quiet hours are over")
    assert agent.sweep(seen(toner(5))) == []
    assert told(agent.sweep(seen(toner(90)))) == [("mail", "returned"), ("phone", "returned")]


def test_what_came_and_went_in_the_quiet_is_not_told():
    agent = at_night(replace(LOW, tell=("phone",)))
    for level in (5, 90, 5, 90):
        assert agent.sweep(seen(toner(level)), after=HOUR) == []
    assert agent.sweep(seen(toner(90)), after=10 * HOUR) == []


def test_what_was_acknowledged_in_the_quiet_is_not_told_afterwards():
    agent = at_night()
    agent.sweep(seen(toner(5)))
    agent.keep([acknowledge(agent.records[CYAN], "Night desk", agent.now)[0]])
    assert agent.sweep(seen(toner(5)), after=12 * HOUR) == []
    assert told(agent.sweep(seen(toner(90)))) == [("mail", "returned")]


def test_an_urgent_alarm_breaks_the_quiet():
    agent = at_night(replace(BOTH, severity="urgent"))
    assert told(agent.sweep(seen(toner(5)))) == [("mail", "raised"), ("phone", "raised")]
    agent = at_night(replace(BOTH, severity="urgent"), quiet=replace(NIGHT, unless=""))
    assert told(agent.sweep(seen(toner(5)))) == [("mail", "raised")]


def test_an_end_in_the_quiet_is_told_afterwards():
    agent = Agent([BOTH], now=EVENING - 2 * HOUR, routes={"phone": Route(quiet=(NIGHT,))})
    agent.sweep(seen(toner(5)))
    assert told(agent.sweep(seen(toner(90)), after=3 * HOUR)) == [("mail", "returned")]
    assert told(agent.sweep(seen(toner(90)), after=12 * HOUR)) == [("phone", "returned")]
    assert agent.records[CYAN].told == ()


def test_what_ended_and_came_again_in_the_quiet_still_stands_for_those_who_were_not_told():
    agent = Agent([BOTH], now=EVENING - 2 * HOUR, routes={"phone": Route(quiet=(NIGHT,))})
    agent.sweep(seen(toner(5)))
    agent.sweep(seen(toner(90)), after=3 * HOUR)
    assert told(agent.sweep(seen(toner(5)), after=HOUR)) == [("mail", "raised")]
    assert agent.sweep(seen(toner(5)), after=12 * HOUR) == []
    assert sorted(told(agent.sweep(seen(toner(90))))) == [("mail", "returned"), ("phone", "returned")]


@pytest.mark.parametrize(
    ("quiet", "local", "holds"),
    [
        (NIGHT, "2026-03-02 19:59", False),
        (NIGHT, "2026-03-02 20:00", True),
        (NIGHT, "2026-03-03 06:59", True),
        (NIGHT, "2026-03-03 07:00", False),
        (Quiet(Hours(time(12), time(13))), "2026-03-02 12:30", True),
        (Quiet(Hours(time(12), time(13))), "2026-03-02 13:00", False),
        (Quiet(Hours(time(0), time(0))), "2026-03-02 15:00", True),
        # Saturday and Sunday the whole day: 2026-03-07 is a Saturday.
        (Quiet(Hours(time(0), time(0), (5, 6))), "2026-03-07 15:00", True),
        (Quiet(Hours(time(0), time(0), (5, 6))), "2026-03-08 23:59", True),
        (Quiet(Hours(time(0), time(0), (5, 6))), "2026-03-09 00:00", False),
        (Quiet(Hours(time(0), time(0), (5, 6))), "2026-03-06 23:59", False),
        # The night that begins on Friday lasts into Saturday, by the clock.
        (Quiet(Hours(time(22), time(6), (4,))), "2026-03-07 05:59", True),
        (Quiet(Hours(time(22), time(6), (4,))), "2026-03-06 05:59", False),
    ],
)
def test_quiet_hours_are_read_as_on_a_clock(quiet, local, holds):
    assert quiet.holds("medium", datetime.fromisoformat(local)) is holds


def test_quiet_hours_go_by_the_clock_of_the_printers_site():
    tokyo = replace(DESK, place=replace(DESK.place, zone="Asia/Tokyo"))
    agent = Agent([BOTH], now=datetime(2026, 3, 2, 12, 0, tzinfo=UTC), routes={"phone": Route(quiet=(NIGHT,))})
    assert told(agent.sweep(seen(toner(5), printer=tokyo))) == [("mail", "raised")]
    agent = Agent([BOTH], now=datetime(2026, 3, 2, 12, 0, tzinfo=UTC), routes={"phone": Route(quiet=(NIGHT,))})
    assert told(agent.sweep(seen(toner(5)))) == [("mail", "raised"), ("phone", "raised")]


STEPS = st.lists(st.tuples(st.integers(1, 40), st.sampled_from([5, 90]), st.booleans()), max_size=40)


@settings(max_examples=150)
@given(STEPS)
def test_whoever_heard_of_an_alarm_hears_of_its_end_and_nobody_of_an_end_alone(steps):
    agent = Agent([BOTH], routes={"phone": Route(quiet=(NIGHT,))})
    for quarters, level, seen_by_somebody in steps:
        agent.sweep(seen(toner(level)), after=quarters * 15 * MINUTE)
        record = agent.records.get(CYAN)
        if seen_by_somebody and record is not None and record.state.value == "unacknowledged":
            agent.keep([acknowledge(record, "Night desk", agent.now)[0]])
    agent.sweep(seen(toner(90)))
    for _ in range(5):
        agent.sweep(seen(toner(90)), after=5 * HOUR)
    standing: dict[str, bool] = defaultdict(bool)
    for one in agent.messages:
        local = one.at.astimezone(ZoneInfo("Europe/Prague"))
        assert one.channel == "mail" or not NIGHT.holds("medium", local)
        if one.kind in ("raised", "returned"):
            assert standing[one.channel] is (one.kind == "returned")
            standing[one.channel] = one.kind == "raised"
        else:
            assert standing[one.channel]
    assert not any(standing.values())


# --- routes ----------------------------------------------------------------------------------------------------------


def test_a_channel_hears_of_its_sites_and_severities_only():
    agent = Agent([BOTH])
    agent.routes = {"phone": Route(at_least="high"), "mail": Route(sites=("Harrow*",))}
    assert told(agent.sweep(seen(toner(5)))) == [("mail", "raised")]
    agent = Agent([replace(BOTH, severity="high")])
    agent.routes = {"phone": Route(at_least="high"), "mail": Route(sites=("Depot",))}
    assert told(agent.sweep(seen(toner(5)))) == [("phone", "raised")]


# --- escalation ------------------------------------------------------------------------------------------------------

CHIEF = replace(LOW, tell=("mail",), escalate_after=4 * HOUR, escalate_to=("chief",))


def test_when_nobody_acknowledges_more_people_are_told_once_and_hear_of_the_end():
    agent = Agent([CHIEF])
    agent.sweep(seen(toner(5)))
    assert agent.sweep(seen(toner(5)), after=4 * HOUR - MINUTE) == []
    (message,) = agent.sweep(seen(toner(5)))
    assert (message.channel, message.kind, message.reason) == ("chief", "escalated", "nobody acknowledged it")
    assert compose([message]).subject.startswith("[medium] Nobody has acknowledged: Front desk")
    assert agent.sweep(seen(toner(5)), after=DAY) == []
    assert told(agent.sweep(seen(toner(90)))) == [("mail", "returned"), ("chief", "returned")]


def test_who_acknowledges_in_time_spares_the_others():
    agent = Agent([CHIEF])
    agent.sweep(seen(toner(5)))
    agent.keep([acknowledge(agent.records[CYAN], "Night desk", agent.now)[0]])
    assert agent.sweep(seen(toner(5)), after=DAY) == []


def test_an_escalation_that_its_channel_does_not_take_keeps_nobody_from_being_told_again():
    agent = Agent([replace(CHIEF, repeat=6 * HOUR)], routes={"chief": Route(at_least="urgent")})
    agent.sweep(seen(toner(5)))
    assert agent.sweep(seen(toner(5)), after=5 * HOUR) == []
    assert kinds(agent.sweep(seen(toner(5)), after=HOUR)) == ["repeat"]


def test_after_which_time_and_to_whom_go_together():
    with pytest.raises(ValueError, match="go together"):
        Rule("x", "unreachable", escalate_after=HOUR)


# --- settings --------------------------------------------------------------------------------------------------------


def test_routes_come_from_the_channels_of_the_settings(monkeypatch):
    found = parse(
        """
sites: {Depot: {zone: Europe/Prague}}
channels:
  - name: phone
    kind: webhook
    url: http://127.0.0.1:9/x
    sites: [De*]
    at_least: high
    quiet:
      - {from: "20:00", to: 07:00, days: [sat, sun], unless: never}
alarms:
  - {name: a, when: supplyEmpty, escalate_after: 4h, escalate_to: phone}
"""
    )
    assert routes(found) == {"phone": Route(("De*",), "high", (Quiet(Hours(time(20), time(7), (5, 6)), ""),))}
    assert found.rules()[0].escalate_to == ("phone",)


# --- working hours -------------------------------------------------------------------------------------------------

OFFICE = Calendar((Hours(time(8), time(17), (0, 1, 2, 3, 4)),), frozenset({date(2026, 3, 3)}))
SITE = "Harrow Lane Library"


def in_office(otherwise: str = "", at: str = "2026-03-02 21:00", **more: object) -> Agent:
    shift = Shift(by_site={SITE: OFFICE}, otherwise=otherwise)
    agent = Agent([replace(LOW, tell=("desk",), **more)], routes={"desk": Route(shift=shift)})
    agent.now = datetime.fromisoformat(at).replace(tzinfo=ZoneInfo("Europe/Prague")).astimezone(UTC)
    return agent


def test_out_of_working_hours_it_waits_for_the_next_working_day():
    agent = in_office()  # Monday evening; Tuesday is a holiday
    assert agent.sweep(seen(toner(5))) == []
    assert agent.sweep(seen(toner(5)), after=15 * HOUR) == []
    assert told(agent.sweep(seen(toner(5)), after=24 * HOUR)) == [("desk", "raised")]


def test_out_of_working_hours_another_is_told_and_the_first_one_afterwards_if_it_still_stands():
    agent = in_office("guard")
    assert told(agent.sweep(seen(toner(5)))) == [("guard", "raised")]
    assert agent.sweep(seen(toner(5)), after=HOUR) == []
    assert told(agent.sweep(seen(toner(5)), after=39 * HOUR)) == [("desk", "raised")]
    assert told(agent.sweep(seen(toner(90)))) == [("guard", "returned"), ("desk", "returned")]


def test_what_the_other_acknowledged_is_not_told_to_the_first_one():
    agent = in_office("guard")
    agent.sweep(seen(toner(5)))
    agent.keep([acknowledge(agent.records[CYAN], "Guard", agent.now)[0]])
    assert agent.sweep(seen(toner(5)), after=40 * HOUR) == []


def test_in_working_hours_the_other_is_left_alone_and_what_is_urgent_goes_straight():
    assert told(in_office("guard", "2026-03-02 10:00").sweep(seen(toner(5)))) == [("desk", "raised")]
    assert told(in_office("guard", severity="urgent").sweep(seen(toner(5)))) == [("desk", "raised")]


def test_channels_that_pass_on_to_each_other_do_not_turn_in_circles():
    agent = in_office("guard")
    shift = Shift(by_site={SITE: OFFICE}, otherwise="desk")
    agent.routes = {**agent.routes, "guard": Route(shift=shift)}
    assert agent.sweep(seen(toner(5))) == []
    assert told(agent.sweep(seen(toner(5)), after=40 * HOUR)) == [("desk", "raised")]


def test_channels_take_by_tag_and_by_what_is_watched():
    for miss in (Route(tags=("staff",)), Route(watches=("supplyEmpty",))):
        assert Agent([LOW], routes={"mail": miss}).sweep(seen(toner(5))) == []
    for hit in (Route(tags=("pub*",)), Route(watches=("supplyBelow", "runOut"))):
        assert told(Agent([LOW], routes={"mail": hit}).sweep(seen(toner(5)))) == [("mail", "raised")]


def test_calendars_keep_the_holidays_of_the_site():
    found = routes(
        parse(
            """
sites:
  Mill: {zone: Europe/London, holidays: GB-ENG, calendar: office}
  Depot: {zone: Europe/Dublin, holidays: IE, calendar: office}
  Yard: {zone: Europe/London}
calendars: {office: {hours: [{from: "08:00", to: "17:00", days: [mon, tue, wed, thu, fri]}], closed: ["2026-12-24"]}}
channels:
  - {name: desk, kind: webhook, url: "http://127.0.0.1:9/", working: {otherwise: wait}}
"""
        )
    )
    shift = found["desk"].shift

    def works(site: str, day: str) -> bool:
        local = datetime.fromisoformat(f"{day} 10:00").replace(tzinfo=ZoneInfo("Europe/London"))
        return not shift.is_off("low", site, local)

    # St Patrick's Day is a public holiday in Ireland (Organisation of Working Time Act 1997, second schedule), not in
    # England; Boxing Day 2026 is a Saturday, so Monday the 28th is kept (Banking and Financial Dealings Act 1971).
    assert not works("Depot", "2026-03-17")
    assert works("Mill", "2026-03-17")
    assert not works("Mill", "2026-12-28")
    assert not works("Mill", "2026-12-24")
    assert not works("Mill", "2026-03-01")
    assert works("Yard", "2026-03-01"), "a site without a calendar is always at work"
