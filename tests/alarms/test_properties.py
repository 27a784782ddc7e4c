"""Whatever happens, in whatever order, with a restart between any two steps: nothing is told twice, nothing is lost."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from agent.alarms import retold
from agent.alarms.lifecycle import Event, NotApplicableError, acknowledge, apply, shelve, unshelve
from agent.alarms.precedence import above
from agent.alarms.roots import DEPENDENT
from agent.alarms.rules import Rule
from agent.alarms.telling import decide
from agent.alarms.windows import Window
from agent.model.alarm import AlarmState
from agent.model.reading import Mark
from tests.alarms.scene import DESK, LOW, MINUTE, START, Agent, alert, seen, toner

LEVELS = st.one_of(st.integers(0, 30), st.sampled_from([Mark.UNKNOWN, Mark.SOME]))
STEPS = st.one_of(
    st.tuples(st.just("see"), LEVELS, st.booleans(), st.sampled_from([True, True, True, False]), st.integers(0, 20)),
    st.tuples(st.just("crash"), LEVELS),
    st.tuples(st.just("twice"), LEVELS),
    st.tuples(st.just("acknowledge"), st.integers(0, 3)),
    st.tuples(st.just("shelve"), st.integers(0, 3), st.integers(1, 60)),
    st.tuples(st.just("unshelve"), st.integers(0, 3)),
    st.tuples(st.just("settings"), st.sampled_from([(), ("mail",), ("chat",), ("mail", "chat")]), st.booleans()),
    st.tuples(st.just("silent rule"), st.booleans()),
    st.tuples(st.just("supply out")),
    st.tuples(st.just("weeks pass"), LEVELS),
    st.tuples(st.just("site"), LEVELS, st.booleans(), st.integers(0, 20)),
    st.tuples(st.just("out of service"), st.integers(0, 3), st.booleans()),
    st.tuples(st.just("window"), st.integers(0, 60), st.sampled_from([(), ("low",)])),
)
RULES = st.builds(
    lambda on, off, repeat: [
        replace(LOW, on_delay=on * MINUTE, off_delay=off * MINUTE, repeat=repeat * MINUTE if repeat else None),
        Rule("out", "supplyEmpty", on_delay=off * MINUTE, off_delay=on * MINUTE, severity="high", tell=("mail",)),
        Rule("nearly", "supplyBelow", below=0.04, deadband=0.02, on_delay=on * MINUTE, tell=("mail",)),
        Rule("jammed", "printerAlert", codes=("jam",), tell=("mail",)),
        Rule("gone", "unreachable", for_=10 * MINUTE, off_delay=off * MINUTE, tell=("mail",)),
        Rule("dark", "siteSilent", for_=5 * MINUTE, on_delay=on * MINUTE, tell=("mail",)),
    ],
    st.integers(0, 5),
    st.integers(0, 5),
    st.sampled_from([0, 0, 7]),
)


def do(agent: Agent, step: tuple, rules: list[Rule]) -> None:
    match step:
        case ("see", level, jam, reachable, minutes):
            agent.sweep(view(level, jam=jam, reachable=reachable), after=minutes * MINUTE)
        case ("crash", level):
            # The agent judges and dies before anything is saved; the same moment comes back after the restart.
            lost = agent.judge(view(level))
            again = agent.judge(view(level))
            assert lost == again
        case ("twice", level):
            agent.sweep(view(level))
            again = agent.judge(view(level))
            assert (again.records, again.ledger, again.messages) == ((), (), ()), (
                "what was just judged needs no judging"
            )
        case ("acknowledge" | "shelve" | "unshelve" | "out of service", which, *rest):
            person(agent, step[0], which, *rest)
        case ("site", level, dark, minutes):
            agent.now += minutes * MINUTE
            since = agent.now - timedelta(hours=1)
            views = [view(level, reachable=not dark, since=since, printer=replace(DESK, id=one)) for one in (7, 8, 9)]
            agent.sweep(*views[:2], whole=views, after=0 * MINUTE)
        case ("settings", tell, urgent):
            agent.change(LOW, tell=tell, severity="urgent" if urgent else "medium")
        case ("silent rule", there):
            agent.rules = rules if there else rules[1:]
        case ("weeks pass", level):
            agent.sweep(view(level), after=timedelta(days=40))
        case ("supply out",):
            agent.sweep(seen(toner(50, colour="black")))
        case ("window", minutes, names):
            end = agent.now + minutes * MINUTE
            agent.windows = (Window("move", tags=("public",), rules=names, begin=agent.now, end=end),)


def view(level, *, jam: bool = False, **parts):
    supplies = (toner(level), toner(50, colour="black"))
    return seen(*supplies, alerts=[alert()] if jam else [], **parts)


def person(agent: Agent, what: str, which: int, number: int = 0) -> None:
    records = sorted(agent.records.values(), key=lambda record: record.key)
    if not records:
        return
    record = records[which % len(records)]
    try:
        if what == "acknowledge":
            moved, transition = acknowledge(record, "Night desk", agent.now)
        elif what == "shelve":
            moved, transition = shelve(record, agent.now + number * MINUTE, "Night desk", "why not", agent.now)
        elif what == "out of service":
            event = Event.WITHDRAW if number else Event.RESTORE
            moved, transition = apply(record, event, agent.now, who="Night desk")
        else:
            moved, transition = unshelve(record, "Night desk", agent.now)
    except NotApplicableError:
        return
    agent.keep([moved])
    agent.ledger.append(transition.entry)


@settings(max_examples=400)
@given(RULES, st.lists(STEPS, max_size=40))
def test_never_told_twice_never_lost_and_the_ledger_tells_the_whole_story(rules, steps):
    agent = Agent(list(rules))
    for step in steps:
        known = len(agent.messages)
        do(agent, step, rules)
        for message in agent.messages[known:]:
            assert message.kind == "returned" or not hidden(agent, message.key.partition("|")[0])
        the_ledger_tells_them_again(agent)
        agent.judge()  # judging without views never raises, whatever state is on record
    agent.sweep(view(50))

    keys = [message.dedupe_key for message in agent.messages]
    assert len(keys) == len(set(keys))
    tellings_alternate(agent)
    nothing_is_owed(agent)
    ledger_is_a_chain(agent)
    who_is_suppressed_has_a_reason(agent)


def hidden(agent: Agent, rule: str) -> bool:
    """Whether a window hides the alarms of this rule now; all printers are in it."""
    return any(one.holds("UTC", agent.now) and one.hides(rule) for one in agent.windows)


def who_is_suppressed_has_a_reason(agent: Agent) -> None:
    """Suppressed: something stands for it. Not suppressed: nothing does. The printer 7 was judged last of all."""
    rules = {rule.name: rule.when for rule in agent.rules}
    silent = {
        record.printer_id
        for record in agent.records.values()
        if record.rule == "gone" and record.signal and record.state is not AlarmState.OUT_OF_SERVICE
    }
    for record in agent.records.values():
        if record.active and record.printer_id == 7 and hidden(agent, record.rule):
            assert record.state in (AlarmState.SUPPRESSED, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
        if record.suppressed_by.startswith("window|"):
            assert record.printer_id != 7 or hidden(agent, record.rule)
        elif record.state is AlarmState.SUPPRESSED and record.rule != "gone":
            root = agent.records[record.suppressed_by]
            assert root.signal or root.active
        elif record.active and rules.get(record.rule) in DEPENDENT:
            aside = record.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
            assert aside or record.state is AlarmState.SUPPRESSED or record.printer_id not in silent
        assert (record.state is AlarmState.SUPPRESSED) is bool(record.suppressed_by)
    nothing_is_said_twice_of_one_supply(agent)


def nothing_is_said_twice_of_one_supply(agent: Agent) -> None:
    """Where the more urgent alarm was raised, the lesser one about the same supply is not before people's eyes."""
    rules = {rule.name: rule for rule in agent.rules}
    seen_now = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    for record in agent.records.values():
        rule = rules.get(record.rule)
        if record.active and record.state in seen_now and rule is not None:
            for greater in above(rule, agent.rules, {}):
                other = agent.records.get(f"{greater.name}|{record.printer_id}|{record.subject}")
                assert other is None or not other.active or other.state is AlarmState.OUT_OF_SERVICE


def the_ledger_tells_them_again(agent: Agent) -> None:
    """What stands on record stands in the ledger as well, and can be told from there."""
    told = {one.key: one for one in retold.records(agent.ledger, agent.now, {7: DESK})}
    for record in agent.records.values():
        if record.occurrence == 0 and record.state is AlarmState.NORMAL:
            continue
        again = told[record.key]
        for name in (
            "rule", "printer_id", "subject", "state", "since", "active", "raised_at", "returned_at", "occurrence",
            "acknowledged_by", "acknowledged_at", "shelved_until", "shelved_by", "shelved_reason",
        ):  # fmt: skip
            assert getattr(again, name) == getattr(record, name), (name, record, again)
        assert bool(again.suppressed_by) is bool(record.suppressed_by)
        if record.standing:
            assert again.severity == record.severity
        if record.printer_id == 7:
            assert again.facts["printer"] == DESK.name


def tellings_alternate(agent: Agent) -> None:
    """For each alarm and channel: raised, then anything but raised, then returned, then raised ..."""
    open_now: dict[tuple[str, str], int] = {}
    for message in agent.messages:
        line = (message.key, message.channel)
        if message.kind == "raised":
            assert line not in open_now, f"raised twice: {message}"
            open_now[line] = message.occurrence
        elif message.kind == "returned":
            assert open_now.pop(line) == message.occurrence
        else:
            # A channel that the settings added later hears of the alarm first by a repetition.
            assert open_now.setdefault(line, message.occurrence) == message.occurrence


def nothing_is_owed(agent: Agent) -> None:
    """Nobody waits for a message: what stands unacknowledged was told, what is over was told to be over."""
    told = defaultdict(set)
    ended = defaultdict(set)
    for message in agent.messages:
        (ended if message.kind == "returned" else told)[message.key, message.occurrence].add(message.channel)
    rules = {rule.name: rule for rule in agent.rules}
    for record in agent.records.values():
        rule = rules.get(record.rule)
        assert not decide(record, rule, agent.now).send
        if record.active and record.state is AlarmState.UNACKNOWLEDGED and rule is not None and rule.tell:
            assert told[record.key, record.occurrence]
        if not record.active:
            assert record.told == ()
    for (key, occurrence), channels in told.items():
        record = agent.records.get(key)
        if record is None or record.occurrence > occurrence or not record.active:
            # The settings may have changed the channels in between: whoever heard of it hears of its end.
            assert ended[key, occurrence] == channels


def ledger_is_a_chain(agent: Agent) -> None:
    """Each alarm's ledger lines lead from one state to the next, from normal to what it is now."""
    states: dict[object, object] = defaultdict(lambda: "normal")
    for entry in agent.ledger:
        if "before" in entry.data and entry.kind != "alarmRegraded":
            assert states[entry.data["alarm"]] == entry.data["before"]
            assert entry.data["reason"]
            states[entry.data["alarm"]] = entry.data["after"]
    for key, state in states.items():
        assert state == (agent.records[key].state.value if key in agent.records else "normal")


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.integers(1, 4), st.one_of(st.integers(0, 25), st.none())), max_size=40),
    st.integers(0, 6),
    st.integers(0, 6),
)
def test_deadband_and_delays_agree_with_looking_back_over_all_samples(samples, on, off):
    """The oracle keeps no state: it looks back from each sample over the whole list."""
    agent = Agent([replace(LOW, on_delay=on * MINUTE, off_delay=off * MINUTE)])
    history: list[tuple[timedelta, int | None]] = []
    for minutes, level in samples:
        agent.sweep(seen(toner(Mark.UNKNOWN if level is None else level)), after=minutes * MINUTE)
        history.append((agent.now - START, level))
        record = agent.records.get("low|7|toner:cyan")
        assert (record is not None and record.active) == looked_back(history, on * MINUTE, off * MINUTE)


def looked_back(history: list[tuple[timedelta, int | None]], on: timedelta, off: timedelta) -> bool:
    """Limit 10 %, deadband 5 %: whether the alarm is active after these samples."""

    def signal(upto: int) -> bool:
        decisive = [level for _, level in history[: upto + 1] if level is not None and (level < 10 or level >= 15)]
        return bool(decisive) and decisive[-1] < 10

    active = False
    for at, (now, level) in enumerate(history):
        if level is None or signal(at) is active:
            continue
        begun = at
        while begun and signal(begun - 1) is signal(at):
            begun -= 1
        if now - history[begun][0] >= (off if active else on):
            active = not active
    return active
