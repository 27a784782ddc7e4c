"""Whom a survey asks, how fast, what it makes of the answers, and the settings it writes."""

from __future__ import annotations

import asyncio
import ipaddress
from dataclasses import dataclass, field

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from agent.model.probe import Probe
from agent.model.wire import Community, Denied, Garbled, Peer, Refused, Silent, Unsupported, UsmUser
from agent.settings import parse
from agent.survey import (
    ANYBODY,
    BadRange,
    Found,
    Progress,
    Survey,
    SurveyResult,
    addresses,
    read_ranges,
    survey,
    to_yaml,
)

PUBLIC = ("public", Community("2c", "public"))
FIRST = ("first", Community("1", "public"))
USER = ("careful", UsmUser("lowmark"))


@dataclass
class Network:
    """A prober over a dictionary: what each host answers to which credentials. Everything else is silent."""

    answers: dict[str, Probe | Exception] = field(default_factory=dict)
    only: dict[str, Community | UsmUser] = field(default_factory=dict)
    seconds: float = 0.0
    asked: list[tuple[str, str]] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)
    at_once: int = 0
    most_at_once: int = 0

    async def probe(self, peer: Peer) -> Probe:
        self.starts.append(asyncio.get_running_loop().time())
        credentials = peer.credentials
        kind = credentials.version if isinstance(credentials, Community) else "3"
        self.asked.append((peer.host, kind))
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        try:
            await asyncio.sleep(self.seconds)
        finally:
            self.at_once -= 1
        answer = self.answers.get(peer.host)
        if answer is None or self.only.get(peer.host, credentials) != credentials:
            return Probe(peer.address, answered=False, error=Silent("no answer"))
        if isinstance(answer, Exception):
            raise answer
        return answer


def look(network: Network, *ranges: str, credentials=(PUBLIC,), **options) -> SurveyResult:
    options = {"rate": 10_000, "last_resort": False, **options}
    return asyncio.run(Survey(read_ranges(ranges), credentials, network, **options).run())


def printer(address: str, *devices: int, name: str = "") -> Probe:
    return Probe(address, answered=True, descr="Tallgrass M40", name=name, devices=devices or (1,))


# --- whom ----------------------------------------------------------------------------------------------------------


def test_network_and_broadcast_addresses_are_not_asked():
    assert addresses(read_ranges(["192.0.2.0/29"])) == tuple(f"192.0.2.{host}" for host in range(1, 7))


def test_a_point_to_point_range_has_two_hosts():
    # RFC 3021: a 31-bit prefix has two host addresses and no broadcast address.
    assert addresses(read_ranges(["192.0.2.6/31"])) == ("192.0.2.6", "192.0.2.7")


def test_a_single_address_is_a_range():
    assert addresses(read_ranges(["192.0.2.7", "2001:db8::7"])) == ("192.0.2.7", "2001:db8::7")


def test_the_subnet_router_anycast_address_is_not_asked():
    # RFC 4291 section 2.6.1
    assert addresses(read_ranges(["2001:db8::/126"])) == ("2001:db8::1", "2001:db8::2", "2001:db8::3")


def test_ranges_that_overlap_are_asked_once():
    assert len(addresses(read_ranges(["192.0.2.0/28", "192.0.2.0/29", "192.0.2.3", "192.0.2.0/28"]))) == 14


@pytest.mark.parametrize("wide", ["10.0.0.0/8", "2001:db8::/64", "0::1/96"])
def test_a_range_too_wide_is_refused_at_once(wide: str):
    with pytest.raises(BadRange, match=r"bits set|65,536"):
        addresses(read_ranges([wide]))


def test_many_ranges_together_are_bounded_too_but_the_same_addresses_count_once():
    with pytest.raises(BadRange):
        addresses(read_ranges(["10.0.0.0/16", "10.1.0.0/30"]))
    assert len(addresses(read_ranges(["10.0.0.0/16", "10.0.0.0/30"]))) == 65_534
    assert len(addresses(read_ranges(["10.0.0.0/16", "10.1.0.0/30"]), most=70_000)) == 65_536


@pytest.mark.parametrize(
    ("wrong", "hint"),
    [
        ("192.0.2.7/24", "192.0.2.0/24"),
        ("printers", "192.0.2.0/24"),
        ("192.0.2.300", "e.g."),
        ("224.0.0.0/28", "hosts"),
    ],
)
def test_what_is_no_range_is_answered_with_what_would_be(wrong: str, hint: str):
    with pytest.raises(BadRange, match=hint.replace(".", r"\.")):
        read_ranges([wrong])


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(24, 32)), min_size=1, max_size=5))
def test_every_host_is_asked_exactly_once(made: list[tuple[int, int]]):
    ranges = [ipaddress.ip_network((base, prefix), strict=False) for base, prefix in made]
    found = addresses(ranges)
    assert len(set(found)) == len(found)
    assert set(found) == {str(host) for one in ranges for host in one.hosts()}


# --- how fast ------------------------------------------------------------------------------------------------------


def test_the_rate_is_kept_however_many_are_asked_at_once():
    network = Network()
    look(network, "192.0.2.0/27", rate=200, concurrency=100)
    spans = [later - sooner for sooner, later in zip(network.starts, network.starts[1:], strict=False)]
    assert len(network.starts) == 30
    # The last of 30 begins 29 gaps after the first; never sooner.
    assert network.starts[-1] - network.starts[0] >= 29 / 200 - 0.01
    assert sum(spans) / len(spans) >= 1 / 200 - 0.001


def test_no_more_are_asked_at_once_than_allowed():
    network = Network(seconds=0.01)
    look(network, "192.0.2.0/26", concurrency=5)
    assert network.most_at_once == 5


def test_a_survey_that_is_stopped_keeps_what_it_found_and_leaves_nothing_running():
    network = Network({f"192.0.2.{host}": printer("") for host in range(1, 255)}, seconds=0.01)

    async def stopped() -> SurveyResult:
        going = Survey(read_ranges(["192.0.2.0/24"]), [PUBLIC], network, rate=10_000, concurrency=4)
        task = asyncio.create_task(going.run())
        await asyncio.sleep(0.1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert len(asyncio.all_tasks()) == 1
        return going.result

    result = asyncio.run(stopped())
    assert 0 < len(result.printers) == result.asked < result.total == 254


def test_progress_is_told_after_each_address():
    told: list[Progress] = []
    look(Network({"192.0.2.1": printer("192.0.2.1")}), "192.0.2.0/29", on_progress=told.append, concurrency=1)
    assert [one.asked for one in told] == [1, 2, 3, 4, 5, 6]
    assert told[-1] == Progress(6, 6, 1)


# --- what it makes of the answers ----------------------------------------------------------------------------------


def test_printers_others_refusals_and_silence_are_told_apart():
    result = look(
        Network(
            {
                "192.0.2.1": printer("192.0.2.1", 1, 4),
                "192.0.2.2": Probe("192.0.2.2", answered=True, descr="switch"),
                "192.0.2.3": Denied("192.0.2.3 refused"),
                "192.0.2.4": Refused("192.0.2.4: nothing listens"),
                "192.0.2.5": Garbled("192.0.2.5 answered nonsense"),
            }
        ),
        "192.0.2.0/29",
    )
    assert [(one.host, one.devices) for one in result.printers] == [("192.0.2.1", (1, 4))]
    assert [(one.host, one.problem) for one in result.others] == [
        ("192.0.2.2", ""),
        ("192.0.2.5", "192.0.2.5 answered nonsense"),
    ]
    assert [one.host for one in result.denied] == ["192.0.2.3"]
    assert (result.silent, result.closed, result.asked) == (1, 1, 6)


def test_the_next_credentials_are_tried_where_the_first_meet_silence():
    network = Network({"192.0.2.1": printer("192.0.2.1")}, only={"192.0.2.1": FIRST[1]})
    result = look(network, "192.0.2.1", credentials=(PUBLIC, FIRST, USER))
    assert [one.credentials for one in result.printers] == ["first"]
    assert [kind for _, kind in network.asked] == ["2c", "1"]


def test_what_answered_as_no_printer_is_not_asked_again_with_the_same_community():
    network = Network({"192.0.2.1": Probe("192.0.2.1", answered=True, descr="camera")})
    result = look(network, "192.0.2.1", credentials=(PUBLIC, FIRST, USER))
    assert [kind for _, kind in network.asked] == ["2c", "3"]
    assert [(one.descr, one.credentials) for one in result.others] == [("camera", "public")]


def test_a_host_without_snmp_is_asked_once():
    network = Network({"192.0.2.1": Refused("nothing listens")})
    look(network, "192.0.2.1", credentials=(PUBLIC, FIRST, USER))
    assert len(network.asked) == 1


def test_what_is_silent_is_asked_whether_it_speaks_version_3_at_all():
    # RFC 3414 section 3.2 step 4: an unknown user is answered with the report usmStatsUnknownUserNames.
    network = Network({"192.0.2.2": Denied("no such user")}, only={"192.0.2.2": ANYBODY})
    result = asyncio.run(survey(read_ranges(["192.0.2.0/30"]), [PUBLIC, FIRST], network, rate=10_000))
    assert [(one.host, one.credentials) for one in result.denied] == [("192.0.2.2", "")]
    assert "version 3" in result.denied[0].problem
    assert result.silent == 1


def test_what_the_wire_cannot_do_is_said_instead_of_asking_on():
    with pytest.raises(Unsupported, match="context"):
        look(Network({"192.0.2.1": Unsupported("no context")}), "192.0.2.0/28")


# --- the settings it writes ----------------------------------------------------------------------------------------


def test_what_it_writes_loads_as_settings():
    result = look(
        Network({"192.0.2.1": printer("", name="Copy room"), "2001:db8::9": printer("", name="Copy room")}),
        "192.0.2.0/30",
        "2001:db8::9",
        port=1161,
    )
    text = to_yaml(result)
    assert [(one.host, one.port, one.name) for one in parse(text).targets()] == [
        ("192.0.2.1", 1161, "Copy room"),
        ("2001:db8::9", 1161, "Copy room (2)"),
    ]


def test_credentials_that_the_printers_need_are_written_too_and_others_are_not():
    result = SurveyResult(printers=(Found("192.0.2.1", 161, "192.0.2.1", "v1", (1,)),))
    text = to_yaml(result, {"v1": {"version": "1"}, "survey": {"version": "2c", "community": {"env": "X"}}})
    settings = parse(text)
    assert settings.targets()[0].credentials == "v1"
    assert settings.credentials["v1"].wire() == Community("1", "public")
    assert "survey" not in text


def test_no_printers_give_no_settings():
    assert to_yaml(SurveyResult()) == ""


HOSTILE = [
    "yes",
    "null",
    "~",
    "0x1F",
    "1e3",
    "- a: b",
    "name: x\nprinters: []",
    "!!python/object:os.system",
    "&a *a",
    "'\"",
    "\u202eevil\u202c",
    "\x1b[31mred\x07",
    "# no comment",
    "{a: b}",
    "%TAG",
    "x" * 400,
    "\ufeffbom",
    "2026-01-01",
    "\ud800",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_a_name(name: str):
    result = look(Network({"192.0.2.1": printer("", name=name)}), "192.0.2.1")
    text = to_yaml(result)
    assert len(yaml.safe_load(text)["printers"]) == 1
    (target,) = parse(text).targets()
    assert target.host == "192.0.2.1"
    assert len(target.name) <= 100
    assert target.name.isprintable()


@given(st.lists(st.text(max_size=120), min_size=1, max_size=6))
def test_whatever_printers_call_themselves_the_settings_load(names: list[str]):
    hosts = {f"192.0.2.{at}": printer("", name=name) for at, name in enumerate(names, 1)}
    result = look(Network(dict(hosts)), "192.0.2.0/28")
    assert [one.host for one in parse(to_yaml(result)).targets()] == list(hosts)
