"""Passwords, sessions and tokens: who gets in, who does not, how long, and what the ledger says."""

from __future__ import annotations

import sqlite3
import statistics
import time as real_time
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type

from agent.app.throttle import Throttle
from agent.model.people import NotAdmitted, holds
from agent.store import Store
from tests.doors.house import GOOD, OTHER, START, Time, keeper_of

ADDRESS = "127.0.0.9"


def kinds(store: Store) -> list[str]:
    return [entry.kind for entry in store.ledger()]


def test_a_role_holds_those_before_it() -> None:
    roles = ("look", "serve", "administer")
    assert [sum(holds(one, other) for other in roles) for one in roles] == [1, 2, 3]
    assert holds("serve", "look")
    assert not holds("serve", "administer")
    assert not holds("", "look")
    assert not holds("administer", "everything")


def test_passwords_are_hashed_as_rfc_9106_recommends(store: Store, time: Time) -> None:
    person = keeper_of(store, time, dear=True).add("Wren", "serve", GOOD, "root")
    found = extract_parameters(person.password)
    # RFC 9106 section 4, second recommended option: Argon2id, t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag.
    assert (found.type, found.time_cost, found.parallelism, found.memory_cost) == (Type.ID, 3, 4, 65536)
    assert (found.salt_len, found.hash_len) == (16, 32)
    assert PasswordHasher().verify(person.password, GOOD)
    assert GOOD not in repr(person)
    assert person.password not in repr(person)


def test_no_secret_is_in_the_store(store: Store, time: Time, tmp_path: Path) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "serve", GOOD, "root")
    session = keeper.sign_in("Wren", GOOD, ADDRESS)
    token, _ = keeper.add_token("scraper", "look", timedelta(days=1), "root")
    with sqlite3.connect(tmp_path / "history.sqlite") as raw:
        everything = "\n".join(raw.iterdump())
    assert "Wren" in everything
    for secret in (GOOD, session, token, token.removeprefix("lowmark_")):
        assert secret not in everything


@pytest.mark.parametrize(
    "bad", ["", "short", "elevenchars", "aaaaaaaaaaaaaaaa", "abababababababab", "xxWREN ashdownxx", "y" * 257]
)
def test_passwords_that_are_easy_to_guess_are_refused(store: Store, time: Time, bad: str) -> None:
    with pytest.raises(NotAdmitted):
        keeper_of(store, time).add("Wren Ashdown", "look", bad, "root")
    assert keeper_of(store, time).people() == ()
    assert kinds(store) == []


@pytest.mark.parametrize("bad", ["", "  ", "a\u202eb", "a\x00b", "x" * 101, "lowmark", "LowMark"])
def test_names_that_mislead_are_refused(store: Store, time: Time, bad: str) -> None:
    with pytest.raises(NotAdmitted):
        keeper_of(store, time).add(bad, "look", None, "root")


def test_names_are_the_same_whatever_their_case_and_form(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Zoë  Quill", "look", GOOD, "root")
    with pytest.raises(NotAdmitted, match="already"):
        keeper.add("ZOE\u0308 quill", "look", GOOD, "root")
    assert keeper.session(keeper.sign_in("zoe\u0308 QUILL", GOOD, ADDRESS)) == keeper.person("Zoë Quill")


def test_a_password_that_looks_the_same_is_the_same(store: Store, time: Time) -> None:
    # RFC 8265 section 4.2.2, rule 4: Unicode Normalization Form C.
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", "caf\u00e9 au lait demain", "root")
    assert keeper.sign_in("Wren", "cafe\u0301 au lait demain", ADDRESS)


def test_whoever_comes_through_a_proxy_alone_has_no_password_to_guess(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", None, "root")
    for password in ("", GOOD):
        with pytest.raises(NotAdmitted, match="not right"):
            keeper.sign_in("Wren", password, ADDRESS)


def test_sessions_end_when_idle_and_in_any_case_after_a_week(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", GOOD, "root")
    idle = keeper.sign_in("Wren", GOOD, ADDRESS)
    time.on(hours=12, seconds=1)
    assert keeper.session(idle) is None
    time.on(hours=-1)
    assert keeper.session(idle) is None, "what is over stays over"
    used = keeper.sign_in("Wren", GOOD, ADDRESS)
    for _ in range(16):
        time.on(hours=10)
        assert keeper.session(used) is not None
    time.on(hours=10)
    assert keeper.session(used) is None


def test_a_new_sign_in_takes_the_place_of_the_session_before(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", GOOD, "root")
    first = keeper.sign_in("Wren", GOOD, ADDRESS)
    second = keeper.sign_in("Wren", GOOD, ADDRESS, first)
    assert first != second
    assert keeper.session(first) is None
    assert keeper.session(second) is not None
    keeper.sign_out(second)
    assert keeper.session(second) is None


def test_password_and_removal_end_every_session_and_a_role_counts_at_once(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", GOOD, "root")
    keeper.add("Lark", "administer", GOOD, "root")
    one, two, other = (keeper.sign_in(name, GOOD, ADDRESS) for name in ("Wren", "Wren", "Lark"))
    keeper.set_role("wren", "serve", "Lark")
    found = keeper.session(one)
    assert found is not None
    assert found.role == "serve"
    third = keeper.change_password("Wren", GOOD, OTHER, ADDRESS)
    assert [keeper.session(secret) is not None for secret in (one, two, third, other)] == [False, False, True, True]
    with pytest.raises(NotAdmitted):
        keeper.sign_in("Wren", GOOD, ADDRESS)
    keeper.remove("Wren", "Lark")
    assert keeper.session(third) is None
    assert kinds(store) == [
        "personAdded", "personAdded", "signIn", "signIn", "signIn", "roleChanged", "passwordChanged", "personRemoved",
    ]  # fmt: skip
    whose = {entry.kind: (entry.who, entry.subject) for entry in store.ledger()}
    assert whose["roleChanged"] == ("Lark", "Wren")
    assert whose["passwordChanged"] == ("Wren", "Wren")
    assert whose["personRemoved"] == ("Lark", "Wren")


def test_the_last_administrator_stays_while_there_are_others(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Lark", "administer", GOOD, "root")
    keeper.add("Wren", "look", GOOD, "root")
    with pytest.raises(NotAdmitted, match="the last one"):
        keeper.remove("Lark", "root")
    with pytest.raises(NotAdmitted, match="the last one"):
        keeper.set_role("Lark", "look", "root")
    keeper.set_role("Wren", "administer", "root")
    keeper.remove("Lark", "root")
    keeper.remove("Wren", "root")
    assert keeper.people() == ()


def test_failing_in_a_name_costs_more_and_more_time_whether_it_exists_or_not(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", GOOD, "root")
    for name in ("Wren", "Nobody here"):
        waits = []
        for number in range(12):
            with pytest.raises(NotAdmitted, match="The name or the password is not right") as refused:
                keeper.sign_in(name, "wrong wrong wrong", f"127.0.{number}.1")
            assert refused.value.wait == 0
            if number >= 5:
                with pytest.raises(NotAdmitted, match="Try again in") as early:
                    keeper.sign_in(name, GOOD, f"127.0.{number}.2")
                waits.append(early.value.wait)
                time.on(seconds=early.value.wait)
        assert waits == [1, 2, 4, 8, 16, 32, 60]
    assert keeper.sign_in("Wren", GOOD, "127.0.0.1"), "after the delay the right password is right"
    entries = [entry for entry in store.ledger() if entry.kind == "signInRefused"]
    assert [(one.subject, one.who) for one in entries] == [("wren", "lowmark"), ("nobody here", "lowmark")]
    assert entries[0].text.startswith("6 sign-ins failed in the name of wren")


def test_failing_from_an_address_costs_time_whatever_the_names(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", GOOD, "root")
    for number in range(11):
        with pytest.raises(NotAdmitted, match="not right"):
            keeper.sign_in(f"name {number}", "wrong wrong wrong", ADDRESS)
    with pytest.raises(NotAdmitted, match="Try again in 1 s"):
        keeper.sign_in("Wren", GOOD, ADDRESS)
    assert keeper.sign_in("Wren", GOOD, "127.0.0.10"), "others are not held up"
    time.on(seconds=1)
    assert keeper.sign_in("Wren", GOOD, ADDRESS)
    with pytest.raises(NotAdmitted, match="not right"):
        keeper.sign_in("name", "wrong wrong wrong", ADDRESS)
    with pytest.raises(NotAdmitted, match="Try again"):
        keeper.sign_in("Wren", GOOD, ADDRESS)


def test_many_tries_at_once_are_no_way_around_the_delays(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    keeper.add("Wren", "look", GOOD, "root")

    def attempt(number: int) -> float:
        try:
            keeper.sign_in("Wren", f"wrong guess {number}", ADDRESS)
        except NotAdmitted as refused:
            return refused.wait
        raise AssertionError("let in")

    with ThreadPoolExecutor(20) as pool:
        waits = list(pool.map(attempt, range(40)))
    assert sum(wait == 0 for wait in waits) == 6


def test_the_throttle_forgets_who_failed_long_ago_and_stays_small() -> None:
    throttle = Throttle(1, 900.0, most=3)
    for at in range(4):
        throttle.count("a", float(at * 2000))
        assert throttle.wait("a", float(at * 2000)) == 0
    for name in "bcd":
        throttle.count(name, 9000.0)
        throttle.count(name, 9000.0)
    throttle.count("a", 9001.0)
    assert throttle.wait("b", 9000.0) == 0
    assert throttle.wait("c", 9000.0) == 1


def test_it_takes_as_long_for_a_name_that_does_not_exist(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time, dear=True)
    keeper.add("Wren", "look", GOOD, "root")

    def seconds(name: str, number: int) -> float:
        begun = real_time.process_time()
        with pytest.raises(NotAdmitted, match="not right"):
            keeper.sign_in(name, "wrong wrong wrong", f"127.1.0.{number}")
        time.on(seconds=60)  # no delay stands in the way
        return real_time.process_time() - begun

    seconds("warm", 99)
    there = statistics.median(seconds("Wren", number) for number in range(2))
    not_there = statistics.median(seconds("Robin", number) for number in range(2, 4))
    # One whole hash in either case; a name that is not looked at would be a hundred times quicker.
    assert 0.4 < there / not_there < 2.5


def test_a_token_lets_in_until_it_expires_or_is_revoked(store: Store, time: Time) -> None:
    keeper = keeper_of(store, time)
    secret, made = keeper.add_token("scraper", "look", timedelta(days=30), "root")
    assert secret.startswith("lowmark_")
    assert len(secret) > 48, "256 bits in base64url (RFC 4648 section 5) are 43 characters"
    assert made.id == 1
    time.on(minutes=5)
    assert keeper.token(secret) is not None
    assert keeper.tokens()[0].used == START + timedelta(minutes=5)
    for wrong in ("", "lowmark_", secret[:-1], secret + "x", secret.removeprefix("lowmark_"), "lowmark_" + "é" * 200):
        assert keeper.token(wrong) is None
    time.on(days=31)
    assert keeper.token(secret) is None
    lasting, _ = keeper.add_token("scraper", "serve", None, "root")
    time.on(days=3650)
    assert keeper.token(lasting) is not None
    with pytest.raises(NotAdmitted, match="already"):
        keeper.add_token("SCRAPER", "serve", None, "root")
    keeper.revoke("scraper", "Lark")
    assert keeper.token(lasting) is None
    with pytest.raises(NotAdmitted, match="revoked before"):
        keeper.revoke("2", "Lark")
    with pytest.raises(NotAdmitted, match="no token"):
        keeper.revoke("7", "Lark")
    assert kinds(store) == ["tokenMade", "tokenMade", "tokenRevoked"]
    assert store.ledger()[-1].who == "Lark"
