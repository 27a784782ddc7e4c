"""The whole agent for other machines: it refuses to open its pages unsafely, and then serves them to whoever may."""

from __future__ import annotations

import signal
import ssl
import subprocess
import threading
from contextlib import suppress
from pathlib import Path

import httpx
import pytest

from agent.app.entry import NotSafe, make_sure
from agent.settings import parse
from agent.store import Store
from tests.doors.house import GOOD, Time, field_in, keeper_of, sign_in
from tests.doors.papers import NAME, Authority
from tests.whole.agent import LOWMARK, Running, lowmark, rehearsal, wait

SAFE = {"tls": {"certificate": "server.pem", "key": {"file": "server.key"}}, "names": [NAME]}


def refused(folder: Path, listen: str) -> str:
    """What ``lowmark run`` says when it does not start."""
    settings = folder / "lowmark.yaml"
    settings.write_text(f"store: sqlite:///{folder / 'history.sqlite'}\nlisten: {listen}\n")
    done = subprocess.run(
        [*LOWMARK, "run", "--settings", str(settings)], capture_output=True, text=True, timeout=180, cwd=folder
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    return done.stderr


def test_it_does_not_open_its_pages_to_the_network_unsafely(tmp_path: Path) -> None:
    Authority(tmp_path).issue("server")
    said = refused(tmp_path, "{address: '0.0.0.0:9'}")
    assert "0.0.0.0:9, which other machines can reach" in said
    for way in (
        "allow_network: true",
        "tls: {certificate: PATH, key: {file: PATH}}",
        "behind_proxy: true",
        "people add",
    ):
        assert way in said
    said = refused(tmp_path, "{address: '0.0.0.0:9', tls: {certificate: server.pem, key: {file: server.key}}}")
    assert "there is nobody who could" in said
    assert "lowmark people add NAME --role administer" in said


@pytest.mark.parametrize(
    "listen",
    [
        "{address: '0.0.0.0:9', behind_proxy: true}",
        "{address: '127.0.0.1:9', behind_proxy: true}",
        "{address: '127.0.0.1:9', sign_in: true}",
        "{address: '127.0.0.1:9', proxy: {header: X-Remote-User, from: 127.0.0.1}}",
        "{address: '127.0.0.1:9', allow_network: true, tls: {certificate: server.pem, key: {file: server.key}}}",
    ],
)
def test_where_people_sign_in_there_must_be_somebody_who_can(store: Store, time: Time, listen: str) -> None:
    settings, keeper = parse(f"listen: {listen}"), keeper_of(store, time)
    with pytest.raises(NotSafe, match="lowmark people add NAME --role administer"):
        make_sure(settings, keeper)
    keeper.add("Robin", "look", None, "root")
    if "header" in listen:
        make_sure(settings, keeper)
    else:
        with pytest.raises(NotSafe):  # whoever has no password comes through a proxy alone
            make_sure(settings, keeper)
    keeper.add("Lark", "look", GOOD, "root")
    make_sure(settings, keeper)


def test_on_loopback_and_for_metrics_alone_nobody_is_needed(store: Store, time: Time) -> None:
    for listen in ("{}", "{address: '0.0.0.0:9', allow_network: true}"):
        make_sure(parse(f"listen: {listen}"), keeper_of(store, time))


@pytest.mark.slow
def test_whoever_signs_in_over_tls_sees_the_printers_and_hears_what_changes(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    authority.issue("server")
    (tmp_path / "token").write_text("a token for the metrics\n")
    with rehearsal(size=3) as going:
        agent = Running(tmp_path, going)
        agent.write(
            {
                **agent.more,
                "listen": {"address": f"0.0.0.0:{agent.port}", **SAFE},
                "metrics": {"token": {"file": "token"}},
            }
        )
        secret = tmp_path / "password"
        secret.write_text(GOOD)
        words = ("people", "add", "Wren Ashdown", "--role", "serve", "--by", "Lark", "--password-file", str(secret))
        assert lowmark(*words, "--store", agent.url).returncode == 0
        agent.start()
        try:
            base = f"https://localhost:{agent.port}"
            with httpx.Client(base_url=base, verify=authority.trusting(), trust_env=False, timeout=20) as client:
                wait(lambda: _status(client, "/readyz") == 200, 60, agent.log.read_text)
                assert agent.get("/readyz")[0] == 0, "nothing is said without TLS"
                _looked_at(client)
                _heard(client, going, agent)
                before = _certificate(agent.port, authority)
                authority.issue("server")
                agent.signal(signal.SIGHUP)
                wait(lambda: _certificate(agent.port, authority) != before, 20, agent.log.read_text)
                (tmp_path / "server.key").write_text("spoilt")
                agent.signal(signal.SIGHUP)
                wait(lambda: agent.logged("certificate refused, the old one stays in force"), 20, agent.log.read_text)
                assert client.get("/printers").status_code == 200
            assert agent.stop() == 0
        finally:
            if agent.process is not None:
                agent.kill()
    assert GOOD not in agent.log.read_text()


def _status(client: httpx.Client, path: str) -> int:
    try:
        return client.get(path).status_code
    except httpx.TransportError:
        return 0


def _looked_at(client: httpx.Client) -> None:
    assert client.get("/metrics").status_code == 401
    shown = client.get("/metrics", headers={"authorization": "Bearer a token for the metrics"})
    assert "lowmark_printer_reachable" in shown.text
    assert client.get("/healthz").status_code == 200
    assert client.get("/printers").headers["location"] == "/sign-in?next=%2Fprinters"
    assert sign_in(client, "Wren Ashdown", GOOD).status_code == 303
    page = client.get("/printers")
    assert "hl-01" in page.text
    assert field_in(page.text)
    entries = client.get("/api/v1/ledger", params={"kind": ["personAdded", "signIn"]}).json()["entries"]
    assert [(one["kind"], one["who"]) for one in entries] == [("personAdded", "Lark"), ("signIn", "Wren Ashdown")]


def _heard(client: httpx.Client, going: object, agent: Running) -> None:
    heard: list[str] = []
    ended = threading.Event()

    def listen() -> None:
        with suppress(httpx.TransportError), client.stream("GET", "/live") as answer:
            for line in answer.iter_lines():
                heard.append(line)
                if ended.is_set():
                    return

    numbers = {one["printer"]: one["id"] for one in client.get("/api/v1/printers").json()["printers"]}
    threading.Thread(target=listen, daemon=True).start()
    wait(lambda: any('"printers"' in line for line in heard), 20, agent.log.read_text)
    heard.clear()
    going.set_level("hl-01", "toner:black", 0.31)  # type: ignore[attr-defined]
    wait(lambda: any(f'"printer:{numbers["hl-01"]}"' in line for line in heard), 30, lambda: heard)
    ended.set()


def _certificate(port: int, authority: Authority) -> str:
    return ssl.get_server_certificate(("localhost", port), ca_certs=str(authority.root), timeout=5)
