"""``lowmark fitness``: real servers, real simulated printers, and the kernel's own tables."""

from __future__ import annotations

import json
import re
import resource
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml
from typer.testing import CliRunner

from agent.app import machine
from agent.app.finding import FINE, LOOK, WRONG, Finding
from agent.app.selfcheck import sample
from agent.cli import fitness
from agent.model.health import Health
from agent.model.wire import Peer
from agent.rehearsal.paper import write_settings
from agent.rehearsal.serve import Rehearsal
from agent.store import Store
from agent.sweep.station import Stop
from agent.web import Server, build_app
from tests.cli import printers
from tests.needs import missing
from tests.notify.servers import Post, certificates, smtp
from tests.store.samples import MONDAY, contact, furnished, message

NOW = datetime(2026, 3, 3, 10, tzinfo=UTC)


@pytest.fixture(scope="module")
def street() -> Iterator[Rehearsal]:
    with printers.fleet(6) as running:
        yield running


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("LOWMARK_SETTINGS", "LOWMARK_STORE"):
        monkeypatch.delenv(name, raising=False)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def settings(tmp_path: Path, street: Rehearsal, **more: object) -> Path:
    path = tmp_path / "lowmark.yaml"
    write_settings(street.fleet, path, store=f"sqlite:///{tmp_path / 'history.sqlite'}")
    made = yaml.safe_load(path.read_text())
    made |= {"listen": {"address": f"127.0.0.1:{free_port()}"}, **more}
    path.write_text(yaml.safe_dump(made, sort_keys=False))
    return path


class Outcome:
    def __init__(self, status: int, out: str) -> None:
        self.status, self.out = status, out

    @property
    def findings(self) -> list[dict[str, Any]]:
        return json.loads(self.out)["findings"]

    def of(self, area: str, subject: str | None = None) -> list[dict[str, Any]]:
        return [one for one in self.findings if one["area"] == area and subject in (None, one["subject"])]

    def one(self, area: str, subject: str) -> dict[str, Any]:
        (found,) = self.of(area, subject)
        return found


def run(file: Path, *words: str) -> Outcome:
    app = typer.Typer(pretty_exceptions_enable=False)
    fitness.register(app)
    done = CliRunner().invoke(app, ["--settings", str(file), *words], env={"COLUMNS": "200"})
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return Outcome(done.exit_code, done.stdout)


def mail(port: int, **more: object) -> dict[str, object]:
    return {
        "name": "desk", "kind": "mail", "host": "localhost", "port": port, "security": "none",
        "from": "lowmark@harrow-lane.example", "to": ["helpdesk@harrow-lane.example"], **more,
    }  # fmt: skip


@contextmanager
def web(health: Health) -> Iterator[Server]:
    with Server(build_app(lambda _: (b"", "text/plain"), lambda: health)) as server:
        yield server


# --- the whole -------------------------------------------------------------------------------------------------------


def test_a_sound_fleet_is_fit_and_nobody_is_told(tmp_path: Path, street: Rehearsal):
    post = Post()
    with smtp(post) as port:
        done = run(settings(tmp_path, street, channels=[mail(port)]), "--json")
    assert done.status == 0, done.out
    assert {one["verdict"] for one in done.findings} <= {FINE, LOOK}
    assert done.one("printers", "sample")["says"].startswith("6 of 6")
    assert done.one("channels", "desk")["verdict"] == FINE
    assert post.envelopes == []
    assert street.sets == 0
    assert not (tmp_path / "history.sqlite").exists(), "a look makes no history"


def test_a_test_message_is_sent_when_asked_for(tmp_path: Path, street: Rehearsal):
    post = Post()
    with smtp(post) as port:
        done = run(settings(tmp_path, street, channels=[mail(port)]), "--json", "--send-test", "--sample", "0")
    assert done.one("channels", "desk, test")["verdict"] == FINE
    (envelope,) = post.envelopes
    assert envelope.rcpt_tos == ["helpdesk@harrow-lane.example"]
    assert isinstance(envelope.content, bytes)
    assert b"This is a test by lowmark fitness" in envelope.content


def test_whatever_is_not_fine_says_what_to_do(tmp_path: Path, street: Rehearsal):
    name = street.fleet.printers[1].who.name
    street.unplug(name)
    try:
        done = run(settings(tmp_path, street, polling={"timeout": "200ms", "retries": 0}), "--json")
    finally:
        street.plug(name)
    assert done.status == 1
    (silent,) = [one for one in done.findings if one["verdict"] == WRONG]
    assert silent["subject"] == name
    assert "did not answer" in silent["says"]
    assert all(one["do"] for one in done.findings if one["verdict"] != FINE)


def test_the_table_shows_the_worst_first_and_what_is_fine_only_when_asked(tmp_path: Path, street: Rehearsal):
    file = settings(tmp_path, street, channels=[mail(free_port())])
    some, everything = run(file, "--sample", "0").out, run(file, "--sample", "0", "--all").out
    lines = [line.split()[0] for line in some.splitlines() if line.strip()]
    assert lines.index(WRONG) < lines.index(LOOK)
    assert FINE not in lines
    assert "descriptors" in everything
    assert "descriptors" not in some
    assert "1 wrong." in some


def test_wrong_settings_end_the_look_with_their_lines(tmp_path: Path):
    file = tmp_path / "lowmark.yaml"
    file.write_text("zone: Narnia\npoling: 3\n")
    done = run(file, "--json")
    assert done.status == 2
    assert [one["subject"] for one in done.findings] == ["zone", "poling"]
    assert f"{file}:1:7" in done.findings[0]["says"]


def test_a_missing_secret_is_named(tmp_path: Path, street: Rehearsal):
    file = settings(tmp_path, street)
    made = yaml.safe_load(file.read_text())
    made["credentials"] = {"floor": {"version": "2c", "community": {"env": "LOWMARK_NOT_SET"}}}
    made["printers"][0]["credentials"] = "floor"
    for entry in made["printers"][1:]:
        entry.pop("credentials", None)
    file.write_text(yaml.safe_dump(made))
    done = run(file, "--json", "--sample", "0")
    assert done.status == 2
    assert any("LOWMARK_NOT_SET" in one["says"] for one in done.findings if one["verdict"] == WRONG)


# --- channels --------------------------------------------------------------------------------------------------------


def test_a_wrong_password_is_found_without_being_shown(tmp_path: Path, street: Rehearsal):
    authority, context = certificates(tmp_path)
    (tmp_path / "password").write_text("open sesame")
    (tmp_path / "password").chmod(0o600)
    with smtp(Post(), context, login=("lowmark", "open sesame")) as port:
        secure = mail(port, security="starttls", ca_file=str(authority), user="lowmark", password={"file": "password"})
        file = settings(tmp_path, street, channels=[secure])
        right = run(file, "--json", "--sample", "0")
        (tmp_path / "password").write_text("open barley")
        wrong = run(file, "--json", "--sample", "0")
    assert "logged in as lowmark" in right.one("channels", "desk")["says"]
    assert wrong.one("channels", "desk")["verdict"] == WRONG
    assert "refuses user and password" in wrong.one("channels", "desk")["says"]
    assert "barley" not in wrong.out


def test_a_certificate_that_nobody_vouches_for_is_found(tmp_path: Path, street: Rehearsal):
    _, context = certificates(tmp_path)
    with smtp(Post(), context) as port:
        done = run(settings(tmp_path, street, channels=[mail(port, security="starttls")]), "--json", "--sample", "0")
    found = done.one("channels", "desk")
    assert found["verdict"] == WRONG
    assert "certificate" in found["says"]
    assert "ca_file" in found["do"]


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # in Apprise
def test_closed_doors_and_odd_urls_are_found(tmp_path: Path, street: Rehearsal):
    (tmp_path / "odd").write_text("nonsuch://somewhere")
    (tmp_path / "odd").chmod(0o600)
    with socket.create_server(("127.0.0.1", 0)) as open_door:
        channels = [
            mail(free_port()),
            {"name": "tickets", "kind": "webhook", "url": f"http://127.0.0.1:{free_port()}/lowmark"},
            {"name": "open", "kind": "webhook", "url": f"http://127.0.0.1:{open_door.getsockname()[1]}/lowmark"},
            {"name": "chat", "kind": "apprise", "url": {"file": "odd"}},
        ]
        done = run(settings(tmp_path, street, channels=channels), "--json", "--sample", "0")
    verdicts = {one["subject"]: one["verdict"] for one in done.of("channels")}
    assert verdicts == {"desk": WRONG, "tickets": WRONG, "open": FINE, "chat": WRONG}


# --- store and agent -------------------------------------------------------------------------------------------------


def test_the_history_is_looked_into(tmp_path: Path, street: Rehearsal):
    with Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}") as store:
        (printer,) = furnished(store)
        store.commit([contact(printer, MONDAY)], messages=[message()])
        (letter,) = store.due(MONDAY)
        store.mark_failed(letter.id, MONDAY, "no such mailbox", None)
    done = run(settings(tmp_path, street, zone="Europe/Prague"), "--json", "--sample", "0")
    # 8:00 UTC is 9:00 in Prague in winter; the year is said in later ones.
    assert re.search(r"asked at Mon 2 Mar( 2026)? 09:00 CET$", done.one("store", "last sweep")["says"])
    assert "1 messages" in done.one("store", "outbox")["says"]
    assert any("can be read and written" in one["says"] for one in done.of("store"))


def test_a_history_that_is_none_is_wrong(tmp_path: Path, street: Rehearsal):
    (tmp_path / "history.sqlite").write_text("a shopping list, and long enough to be looked at as a file by SQLite" * 9)
    done = run(settings(tmp_path, street), "--json", "--sample", "0")
    assert done.status == 1
    assert any(one["verdict"] == WRONG and "no database" in one["says"] for one in done.of("store"))


def test_a_folder_that_is_missing_is_named(tmp_path: Path, street: Rehearsal):
    url = f"sqlite:///{tmp_path / 'nowhere' / 'history.sqlite'}"
    done = run(settings(tmp_path, street), "--json", "--sample", "0", "--store", url)
    (found,) = done.of("store")
    assert (found["verdict"], found["do"]) == (WRONG, f"mkdir -p {tmp_path / 'nowhere'}")


@pytest.mark.parametrize(("age", "verdict"), [(1.0, FINE), (500.0, WRONG)])
def test_a_running_agent_is_asked_how_it_does(tmp_path: Path, street: Rehearsal, age: float, verdict: str):
    health = Health(settings_loaded=True, store_open=True, swept=True, heartbeat_age=age)
    with web(health) as server:
        file = settings(tmp_path, street, listen={"address": server.address})
        assert run(file, "--json", "--sample", "0").one("agent", server.address)["verdict"] == verdict


@pytest.mark.parametrize(("key", "kind"), [("address", socket.SOCK_STREAM), ("notifications", socket.SOCK_DGRAM)])
def test_another_program_at_the_agents_port_is_found(
    tmp_path: Path, street: Rehearsal, key: str, kind: socket.SocketKind
):
    with socket.socket(socket.AF_INET, kind) as other:
        other.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{other.getsockname()[1]}"
        listen = {"address": f"127.0.0.1:{free_port()}", key: address}
        done = run(settings(tmp_path, street, listen=listen), "--json", "--sample", "0")
    (found,) = [one for one in done.of("agent") if one["verdict"] == WRONG]
    assert found["subject"] == address
    assert "in use" in found["says"]


# --- the fleet -------------------------------------------------------------------------------------------------------


def stop(number: int, *, expected: bool = True) -> Stop:
    return Stop(Peer(f"192.0.2.{number}"), expected=expected)


def test_a_sample_is_spread_over_the_fleet_and_leaves_ranges_out():
    listed = [stop(number) for number in range(1, 101)]
    ranged = [stop(number, expected=False) for number in range(101, 120)]
    assert [one.peer.host for one in sample([*ranged, *listed], 4)] == [f"192.0.2.{at}" for at in (1, 26, 51, 76)]
    assert sample(listed[:3], 10) == listed[:3]
    assert len(sample(ranged, 5)) == 5


def test_a_rate_that_is_too_low_for_the_fleet_is_wrong(tmp_path: Path, street: Rehearsal):
    """6 printers of about 3 requests at 1 request a second are 18 s of work, and 5 s are there."""
    done = run(settings(tmp_path, street, polling={"status": "5s", "rate": 1}), "--json", "--sample", "1")
    found = done.one("printers", "pace")
    assert (found["verdict"], "polling.rate" in found["do"]) == (WRONG, True)


# --- the machine -----------------------------------------------------------------------------------------------------


def test_descriptors_are_judged_by_the_size_of_the_fleet():
    verdicts = [machine.descriptors(size, "gufo", 1024).verdict for size in (10, 768, 769, 10_000)]
    assert verdicts == [FINE, FINE, LOOK, LOOK]
    assert machine.descriptors(10_000, "pysnmp", 1024).verdict == FINE
    assert machine.descriptors(10, "gufo", 256).verdict == WRONG
    assert machine.descriptors(10_000, "gufo", resource.RLIM_INFINITY).verdict == FINE
    assert "LimitNOFILE=8448" in machine.descriptors(10_000, "gufo", 1024).do


def test_the_granted_buffer_is_what_the_kernel_allows():
    """socket(7): SO_RCVBUF is limited by net.core.rmem_max."""
    try:
        most = int(Path("/proc/sys/net/core/rmem_max").read_text())
    except OSError:
        missing("needs Linux with /proc/sys")
    assert machine.granted_buffer(most * 2) == most
    assert machine.granted_buffer(most // 2) == most // 2


def tables(root: Path, *, lost: int = 0, received: int = 1000, pages: int = 100_000, neighbours: int = 1024) -> Path:
    """The kernel's tables in the form that proc(5) describes."""
    for name, text in {
        "net/snmp": "Ip: Forwarding DefaultTTL\nIp: 1 64\n"
        "Udp: InDatagrams NoPorts InErrors OutDatagrams RcvbufErrors SndbufErrors\n"
        f"Udp: {received} 1 {lost} 900 {lost} 0\nUdpLite: InDatagrams RcvbufErrors\nUdpLite: 0 0\n",
        "sys/net/ipv4/udp_mem": f"{pages // 2}\t{pages * 3 // 4}\t{pages}\n",
        "sys/net/ipv4/neigh/default/gc_thresh3": f"{neighbours}\n",
    }.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    return root


def looked(found: Iterator[Finding]) -> set[str]:
    return {one.subject for one in found if one.verdict == LOOK}


def test_buffers_are_judged_by_who_needs_them(tmp_path: Path):
    proc = tables(tmp_path)
    small = 212_992  # the usual net.core.rmem_max of Linux, from memory
    assert looked(machine.buffers(100, 50, "gufo", listens=False, proc=proc, granted=small)) == set()
    assert looked(machine.buffers(100, 50, "pysnmp", listens=False, proc=proc, granted=small)) == set()
    assert looked(machine.buffers(100, 200, "pysnmp", listens=False, proc=proc, granted=small)) == {"socket buffer"}
    assert looked(machine.buffers(100, 50, "gufo", listens=True, proc=proc, granted=small)) == {"socket buffer"}


def test_the_kernels_own_counts_are_read(tmp_path: Path):
    def found(**more: int) -> set[str]:
        return looked(machine.buffers(900, 50, "gufo", listens=False, proc=tables(tmp_path, **more), granted=1 << 22))

    assert found() == {"neighbours"}
    assert found(neighbours=8192) == set()
    assert found(neighbours=8192, lost=500) == {"lost datagrams"}
    assert found(neighbours=8192, lost=500, received=100_000_000) == set()
    assert found(neighbours=8192, pages=10) == {"UDP memory"}


def test_where_nothing_can_be_told_nothing_is_said(tmp_path: Path):
    (only,) = machine.buffers(900, 50, "gufo", listens=False, proc=tmp_path, granted=1 << 22)
    assert only.verdict == FINE
    assert machine._udp(machine.PROC) == {} or "InDatagrams" in machine._udp(machine.PROC)


def test_a_clock_that_went_back_is_wrong():
    def verdicts(ahead: float) -> list[str]:
        last = NOW + timedelta(seconds=ahead)
        return [one.verdict for one in machine.clock(NOW, last, lambda: (0, timedelta(milliseconds=20)))]

    assert verdicts(-60) == [FINE]
    assert verdicts(3600) == [WRONG, FINE]


def test_an_unkept_clock_is_told_from_a_kept_one():
    def verdict(state: int, error: timedelta) -> str:
        (found,) = machine.clock(NOW, None, lambda: (state, error))
        return found.verdict

    assert verdict(machine.TIME_ERROR, timedelta(seconds=16)) == LOOK
    assert verdict(0, timedelta(seconds=3)) == LOOK
    assert verdict(0, timedelta(milliseconds=3)) == FINE
    (unknown,) = machine.clock(NOW, None, lambda: None)
    assert unknown.verdict == LOOK


def test_the_kernels_clock_is_asked_as_adjtimex_says():
    """adjtimex(2): the state is 0 (TIME_OK) to 5 (TIME_ERROR), and an unkept clock's error grows up to 16 s."""
    found = machine.kernel_clock()
    if found is None:
        pytest.skip("this system does not let its clock be asked")
    state, error = found
    assert state in range(6)
    assert timedelta() < error <= timedelta(seconds=16.001)


def test_zones_and_their_tables():
    wrong, fine, tables = machine.zones(["Narnia/Cair", "Europe/London", "Europe/London"], NOW, "2026a")
    assert (wrong.subject, wrong.verdict) == ("Narnia/Cair", WRONG)
    assert (fine.verdict, fine.says) == (FINE, "Europe/London (10:00)")
    assert tables.verdict == FINE
    assert [one.verdict for one in machine.zones(["UTC"], NOW, "2021e")] == [FINE, LOOK]


def test_the_version_of_the_tables_is_the_systems():
    file = Path("/usr/share/zoneinfo/tzdata.zi")
    if not file.exists():
        missing("needs the Debian package tzdata")
    assert file.read_text("ascii").startswith(f"# version {machine.tables_version()}\n")
