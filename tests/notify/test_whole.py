"""From a low level to a mailbox, through judging, a real store, the outbox and a real SMTP server, with restarts."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import timedelta
from email import message_from_bytes
from email.policy import default

import pytest

from agent.alarms.engine import judge
from agent.model.fleet import PrinterView
from agent.notify.mail import MailChannel, Server
from agent.notify.outbox import Outbox
from agent.store import Store
from tests.alarms.scene import LOW, MINUTE, START, seen, toner
from tests.notify.servers import Post, smtp


@pytest.fixture
def url(tmp_path) -> str:
    return f"sqlite:///{tmp_path / 'history.sqlite'}"


def sweep(url: str, view: PrinterView, now) -> None:
    """One life of the agent: it starts, judges, saves all at once, and is gone."""
    with Store.open(url) as store:
        found = judge([LOW], [view], {record.key: record for record in store.alarms()}, now)
        store.save_alarms(found.records, found.ledger, found.messages, gone=found.gone)


def deliver(url: str, port: int, now) -> int:
    """Another life: it starts, delivers what is due, and is gone."""

    async def round_of(store: Store) -> int:
        channel = MailChannel("mail", Server("127.0.0.1", port, "none"), "lowmark@x.example", ["desk@x.example"])
        done = await Outbox(store, {"mail": channel}).run_once(now)
        await channel.close()
        return done.sent

    with Store.open(url) as store:
        return asyncio.run(round_of(store))


def test_one_mail_for_a_low_toner_and_one_for_its_swap_over_many_restarts(url):
    with Store.open(url) as store:
        printer = store.save_printer(replace(seen().printer, id=0))
    post, away = Post(), Post(answer="451 later")
    levels = [40, 9, 8, 8, 7, 100, 99, 98]
    with smtp(post) as port, smtp(away) as away_port:
        for at, level in enumerate(levels):
            now = START + at * timedelta(minutes=5)
            view = seen(toner(level), printer=printer)
            sweep(url, view, now)
            sweep(url, view, now)
            deliver(url, away_port if at < 3 else port, now)
            deliver(url, port, now + MINUTE)
    subjects = [message_from_bytes(one.content, policy=default)["Subject"] for one in post.envelopes]
    assert [subject.split(" (")[0] for subject in subjects] == [
        "[medium] Front desk: cyan toner: 9 % left",
        "[medium] Back to normal: Front desk: cyan toner: 100 % left",
    ]
    with Store.open(url) as store:
        told = [entry.data["after"] for entry in store.ledger() if entry.kind.startswith("alarm")]
        assert told == ["unacknowledged", "returnedUnacknowledged"]
        assert store.outbox_counts().get("waiting", 0) == 0
