"""``lowmark people`` and ``lowmark tokens`` as they are typed."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from argon2 import PasswordHasher
from typer.testing import CliRunner, Result

from agent.cli import build
from agent.store import Store
from tests.doors.house import GOOD, OTHER

pytestmark = pytest.mark.slow

APP = build()
Run = Callable[..., Result]


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'history.sqlite'}"


@pytest.fixture
def run(url: str) -> Run:
    def command(*words: str, stdin: str = "") -> Result:
        return CliRunner().invoke(APP, [*words, "--store", url], input=stdin, env={"COLUMNS": "200"})

    return command


def test_somebody_is_entered_changed_and_taken_out(run: Run, url: str, tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text(f"{GOOD}\n")
    made = run("people", "add", "Wren Ashdown", "--role", "serve", "--password-file", str(secret), "--by", "Lark")
    assert (made.exit_code, made.output) == (
        0, "Wren Ashdown may look, record work, count parts and acknowledge alarms.\n",
    )  # fmt: skip
    assert run("people", "add", "Robin", "--no-password").exit_code == 0
    listed = json.loads(run("people", "list", "--json").stdout)
    assert listed["format"] == "lowmark.people.v1"
    assert [(one["name"], one["role"], one["password"]) for one in listed["people"]] == [
        ("Robin", "look", False), ("Wren Ashdown", "serve", True),
    ]  # fmt: skip
    assert run("people", "role", "wren ashdown", "administer").exit_code == 0
    assert run("people", "password", "Wren Ashdown", "--password-file", "-", stdin=f"{OTHER}\n").exit_code == 0
    with Store.open(url) as store:
        person = store.register.person("Wren Ashdown")
        assert person is not None
        assert PasswordHasher().verify(person.password, OTHER)
        kinds = [(entry.kind, entry.who) for entry in store.ledger()]
    assert kinds[0] == ("personAdded", "Lark")
    assert [kind for kind, _ in kinds] == ["personAdded", "personAdded", "roleChanged", "passwordChanged"]
    assert "Wren Ashdown" in run("people", "list").stdout
    assert run("people", "remove", "Robin").exit_code == 0
    assert "Robin" not in run("people", "list").stdout


def test_a_password_is_asked_for_twice_at_a_terminal_and_never_shown(url: str) -> None:
    mine, theirs = pty.openpty()
    words = [sys.executable, "-m", "agent", "people", "add", "Wren", "--store", url]
    with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True) as command:
        os.close(theirs)
        shown = b""
        for prompt in (b"Password (12 characters or more): ", b"Repeat for confirmation: "):
            while prompt not in shown:  # its last blank comes when the terminal does not echo any more
                assert select.select([mine], [], [], 30)[0], shown
                shown += os.read(mine, 1000)
            os.write(mine, f"{GOOD}\n".encode())
        while True:
            try:
                more = os.read(mine, 1000)
            except OSError:  # the other end is closed
                break
            shown += more
        assert command.wait(20) == 0
    os.close(mine)
    assert b"Wren may look at everything." in shown
    assert GOOD.encode() not in shown


@pytest.mark.parametrize(
    ("words", "stdin", "status", "said"),
    [
        (("people", "add", "Wren"), "short\n", 2, "a password has 12 to 256 characters"),
        (("people", "add", "Wren"), "", 2, "a password has 12 to 256 characters"),
        (("people", "add", "Wren", "--role", "root"), "", 2, "root"),
        (("people", "add", "Wren", "--password-file", "none.txt"), "", 2, "cannot be read from none.txt"),
        (("people", "add", "Wren", "--no-password", "--password-file", "-"), "", 2, "one of --password-file"),
        (("people", "role", "Robin", "serve"), "", 2, "nobody called Robin"),
        (("people", "remove", "Robin"), "", 2, "nobody called Robin"),
        (("tokens", "revoke", "7"), "", 2, "no token 7"),
        (("tokens", "add", "x", "--for", "never"), "", 2, "never"),
    ],
)
def test_what_cannot_be_done_is_said(
    run: Run, url: str, words: tuple[str, ...], stdin: str, status: int, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    Store.open(url).close()
    shown = subprocess.run(
        [sys.executable, "-m", "agent", *words, "--store", url],
        input=stdin, capture_output=True, text=True, timeout=180,
        env={**os.environ, "COLUMNS": "200"},
    )  # fmt: skip
    assert shown.returncode == status
    assert said in shown.stderr
    assert "Traceback" not in shown.stderr


def test_a_token_is_shown_once(run: Run, url: str) -> None:
    made = run("tokens", "add", "stock list", "--scope", "look", "--for", "30d", "--by", "Lark")
    assert made.exit_code == 0
    secret = made.stdout.strip()
    assert secret.startswith("lowmark_")
    assert "This is shown once." in made.stderr
    again = json.loads(run("tokens", "add", "other", "--scope", "serve", "--for", "ever", "--json").stdout)
    assert (again["scope"], again["expires"]) == ("serve", None)
    listed = run("tokens", "list")
    assert "stock list" in listed.stdout
    assert listed.stdout.count(" UTC") >= 3, "where no settings say a zone"
    assert secret not in listed.stdout + run("tokens", "list", "--json").stdout
    assert run("tokens", "revoke", "stock list").exit_code == 0
    states = [one["good"] for one in json.loads(run("tokens", "list", "--json").stdout)["tokens"]]
    assert states == [False, True]
    with Store.open(url) as store:
        assert [entry.kind for entry in store.ledger()] == ["tokenMade", "tokenMade", "tokenRevoked"]
        assert store.ledger()[0].who == "Lark"


def test_people_and_tokens_are_told_by_the_clock_of_the_agents_zone(url: str, tmp_path: Path) -> None:
    settings = tmp_path / "lowmark.yaml"
    settings.write_text(f"zone: Asia/Kolkata\nstore: {url}\n")

    def told(*words: str) -> str:
        done = CliRunner().invoke(APP, [*words, "--settings", str(settings)], env={"COLUMNS": "200"})
        assert done.exit_code == 0, done.output
        return done.stdout + done.stderr

    there = ZoneInfo("Asia/Kolkata")
    before = datetime.now(there) + timedelta(days=90)
    said = told("tokens", "add", "stock list", "--for", "90d", "--by", "Lark")
    days = {f"{at:%a} {at.day} {at:%b}" for at in (before, datetime.now(there) + timedelta(days=90))}
    assert any(f"until {day}" in said for day in days)
    assert " IST." in said
    told("people", "add", "Robin", "--no-password", "--by", "Lark")
    for text in (told("tokens", "list"), told("people", "list")):
        assert " UTC" not in text
        assert not re.search(r"\d{4}-\d\d-\d\d", text)
    assert " IST" in told("tokens", "list")
    made = json.loads(told("tokens", "list", "--json"))["tokens"][0]["made"]
    assert datetime.fromisoformat(made).utcoffset() == timedelta(0), "JSON stays as it is"
    with Store.open(url) as store:
        text = next(one.text for one in store.ledger() if one.kind == "tokenMade")
    assert re.search(r"until \w{3} \d+ \w{3} \d{4} \d\d:\d\d IST$", text), text
