"""What is written to people."""

from __future__ import annotations

import shlex
from dataclasses import replace
from email import message_from_bytes
from email.policy import default

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.notify.channel import masked
from agent.notify.mail import letter
from agent.notify.message import compose
from tests.notify.letters import message


def body(**parts) -> str:
    return compose([message(**parts)]).body


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_low_toner_message_says_all_that_a_technician_needs():
    text = compose([message()])
    assert text.subject == (
        "[medium] Front desk: cyan toner: 8 % left (limit 10 %) (Harrow Lane Library, Main building, 2, 2.14)"
    )
    for line in (
        "Printer      Front desk (Tallgrass C20, serial TG0007)",
        "Where        Harrow Lane Library, Main building, 2, 2.14",
        "Part         cyan toner",
        "Left         8 % (720 of 9,000 tenths of grams)",
        "Bring        a new cyan toner, as the printer calls it: TG-40 cyan",
        "Counter      45,120 impressions",
        "Since        Mon 2 Mar 09:00 CET",
        "Note         Cartridges are in cupboard 3.",
        "Acknowledge: lowmark alarms ack 'low|7|toner:cyan' --by NAME",
    ):
        assert line in text.body.splitlines()


def test_since_is_in_the_time_of_the_site():
    # 8:00 UTC is 9:00 in Prague in winter and 10:00 in summer (tz database, Europe/Prague).
    assert "Mon 2 Mar 09:00 CET" in body()
    assert "Wed 1 Jul 10:00 CEST" in body(raised_at="2026-07-01T08:00:00+00:00")
    assert "Mon 2 Mar 08:00 UTC" in body(zone="Nowhere/At all")


@pytest.mark.parametrize("level", ["unknown", "other"])
def test_what_the_printer_does_not_say_is_unknown(level):
    assert "Left         unknown" in body(level=level, fraction=None, capacity="unknown")


def test_some_is_some():
    assert "some, the printer does not say how much" in body(level="some", fraction=None)


def test_percent_is_cut_never_rounded_up_to_the_limit():
    assert "Left         9.9 %" in body(fraction=0.0999, unit="percent", level=9)


# Common practice of the trade, no source.
@pytest.mark.parametrize(
    ("kind", "wanted", "unwanted"),
    [
        ("toner", ["do not breathe it in", "no ordinary vacuum cleaner", "cold water", "collection"], ["let it cool"]),
        ("tonerCartridge", ["do not breathe it in", "from light", "from fingers"], []),
        ("wasteToner", ["level", "Never pour", "do not breathe it in"], ["keep it from light"]),
        ("opc", ["from light", "from fingers", "do not touch"], []),
        ("fuser", ["hot enough to burn", "Switch the printer off", "pull the plug"], ["vacuum"]),
        ("inkCartridge", ["Ink stains"], ["vacuum", "fuser"]),
        ("unlisted(99)", ["hot enough to burn", "vacuum", "Switch the printer off"], []),
    ],
)
def test_each_kind_of_supply_has_its_cautions(kind, wanted, unwanted):
    text = flat(body(kind=kind))
    for words in (*wanted, "service manual", "local codes", "qualified service"):
        assert words in text
    for words in unwanted:
        assert words not in text


def test_a_jam_warns_of_power_and_heat():
    jam = {"kind": None, "alert_code": "jam", "alert_training": "untrained", "alert_description": "Jam in unit B"}
    one = message(text="critical alert: jam", **jam)
    facts = {name: value for name, value in one.facts.items() if value is not None}
    text = flat(compose([replace(one, facts=facts)]).body)
    assert "Switch the printer off" in text
    assert "hot enough to burn" in text
    assert "Printer says Jam in unit B" in text


def test_an_alert_says_what_it_means_and_what_to_look_at_first():
    jam = {"alert_code": "jam", "alert_group": "input", "alert_training": "untrained", "alert_description": "Jam"}
    facts = {
        name: value for name, value in message(text="critical alert: jam", kind=None, **jam).facts.items() if value
    }
    text = flat(compose([replace(message(text="critical alert: jam"), facts=facts)]).body)
    assert "Means Something is jammed in the input tray." in text
    assert "Look first Open it as its label shows" in text
    stapler = {**facts, "alert_code": "staplerEmpty", "alert_group": "finDevice"}
    assert "Means The stapler is empty." in flat(compose([replace(message(text="x"), facts=stapler)]).body)
    bit = {name: value for name, value in facts.items() if name != "alert_group"} | {"alert_code": "jammed"}
    assert "Means" not in flat(compose([replace(message(text="jammed"), facts=bit)]).body)


def test_a_return_brings_nothing_and_warns_of_nothing():
    text = compose([message(event="returned", returned_at="2026-03-02T10:30:00+00:00")])
    assert text.subject.startswith("[medium] Back to normal: Front desk")
    assert "Until        Mon 2 Mar 11:30 CET" in text.body
    assert "Bring" not in text.body
    assert "Take care" not in text.body


def test_several_alarms_make_one_message_that_lists_all_with_the_cautions_once():
    many = [message(f"low|{n}|toner:cyan", printer=f"Printer {n}", site="Depot") for n in range(5)]
    many.append(message("empty|9|toner:black", severity="high", printer="Bindery", site="Depot"))
    many.append(message("low|3|x", event="returned", printer="Gone", site="Depot"))
    text = compose(many)
    assert text.subject.startswith("[high] 6 alarms, 1 back to normal at Depot: Bindery")
    assert all(f"Printer {n}" in text.body for n in range(5))
    assert text.body.count("no ordinary vacuum cleaner") == 1


def test_lines_are_no_wider_than_a_terminal():
    assert all(len(line) <= 76 for line in body().splitlines() if "alarms ack" not in line)


HOSTILE = st.text(
    st.one_of(st.characters(), st.sampled_from("\r\n\0\x1b\u202e\u2066\u2028\u0085:;$`'\"<>")), max_size=60
)


@given(HOSTILE, HOSTILE, HOSTILE, HOSTILE)
def test_nothing_that_a_printer_says_makes_a_header_or_a_line(name, place, described, key):
    plain = message(printer="x", place="x", description="x", key="x")
    evil = replace(
        plain,
        key=key,
        text=f"{name}\r\nBcc: all@example.org",
        facts={**plain.facts, "printer": name, "place": place, "description": described, "note": f"a\r\n.\r\n{name}"},
    )
    text = compose([evil])
    assert "\n" not in text.subject
    assert "\r" not in text.subject + text.body
    assert all(line.isprintable() for line in [text.subject, *text.body.splitlines()])

    mail = letter([evil], "lowmark@harrow-lane.example", ["desk@harrow-lane.example"])
    read = message_from_bytes(mail.as_bytes(), policy=default)
    assert sorted(read.keys()) == sorted(
        [
            "From",
            "To",
            "Subject",
            "Date",
            "Message-ID",
            "Auto-Submitted",
            "MIME-Version",
            "Content-Type",
            "Content-Transfer-Encoding",
        ]
    )
    assert read["To"] == "desk@harrow-lane.example"


def test_a_key_is_quoted_for_the_shell_that_somebody_will_paste_it_into():
    key = "low|7|toner:'$(touch x)`"
    line = compose([replace(message(), key=key)]).body.splitlines()[-1]
    assert shlex.split(line.partition(": ")[2]) == ["lowmark", "alarms", "ack", key, "--by", "NAME"]


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("GET https://user:pw@host/x?token=abc failed", "GET https://***@host/x?*** failed"),
        ("smtp login hunter2 refused", "smtp login *** refused"),
        ("slack://tokenA/tokenB", "slack://tokenA/tokenB"),
    ],
)
def test_errors_are_masked(said, kept):
    assert masked(said, ("hunter2", "")) == kept
