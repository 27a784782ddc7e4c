"""Mail through a real SMTP server (aiosmtpd), STARTTLS and AUTH with it."""

from __future__ import annotations

import asyncio
import socket
import time
from email import message_from_bytes
from email.policy import default
from email.utils import parsedate_to_datetime

import pytest

from agent.model.failure import Failure
from agent.notify.channel import Undelivered
from agent.notify.mail import MailChannel, Server
from agent.notify.outbox import Outbox
from tests.notify.letters import NOW, Box, later, message
from tests.notify.servers import Post, certificates, smtp

SENDER, DESK, NIGHT = "lowmark@harrow-lane.example", "desk@harrow-lane.example", "night@harrow-lane.example"


@pytest.fixture(scope="module")
def tls(tmp_path_factory):
    return certificates(tmp_path_factory.mktemp("tls"))


def channel(port: int, *, to=(DESK,), **server) -> MailChannel:
    server = {"security": "none", "host": "127.0.0.1", "timeout": 5.0, **server}
    return MailChannel("mail", Server(port=port, **server), SENDER, to)


def send(mail: MailChannel, *messages) -> None:
    async def scene() -> None:
        try:
            await mail.send(messages or [message()])
        finally:
            await mail.close()

    asyncio.run(scene())


def failure(mail: MailChannel, *messages) -> Undelivered:
    with pytest.raises(Undelivered) as caught:
        send(mail, *messages)
    return caught.value


def read(envelope):
    return message_from_bytes(envelope.content, policy=default)


def test_a_low_toner_mail_arrives_over_starttls_with_auth(tls):
    ca_file, context = tls
    post = Post()
    with smtp(post, context, ("lowmark", "hunter2 hunter2")) as port:
        send(
            channel(
                port,
                host="localhost",
                security="starttls",
                user="lowmark",
                password=lambda: "hunter2 hunter2",
                ca_file=ca_file,
                to=(DESK, NIGHT),
            )
        )
    (envelope,) = post.envelopes
    assert post.encrypted == [True]
    assert (envelope.mail_from, envelope.rcpt_tos) == (SENDER, [DESK, NIGHT])
    mail = read(envelope)
    assert mail["Subject"].startswith("[medium] Front desk: cyan toner: 8 % left")
    assert parsedate_to_datetime(mail["Date"]) == NOW
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    text = mail.get_content()
    assert "Bring        a new cyan toner, as the printer calls it: TG-40 cyan" in text
    assert "no ordinary vacuum cleaner" in text


def test_a_certificate_that_nobody_vouches_for_stops_the_mail(tls):
    _, context = tls
    post = Post()
    with smtp(post, context) as port:
        problem = failure(channel(port, host="localhost", security="starttls"))
    assert "certificate" in str(problem).lower()
    assert (problem.permanent, post.envelopes) == (False, [])


def test_a_certificate_for_another_name_stops_the_mail(tls):
    ca_file, context = tls
    post = Post()
    with smtp(post, context) as port:
        problem = failure(channel(port, host="127.0.0.1", security="starttls", ca_file=ca_file))
    assert "certificate is not valid for '127.0.0.1'" in str(problem)
    assert (problem.permanent, post.envelopes) == (False, [])


def test_a_server_without_starttls_gets_nothing_in_the_clear():
    post = Post()
    with smtp(post) as port:
        assert failure(channel(port, security="starttls")).permanent
    assert post.envelopes == []


def test_a_wrong_password_is_told_without_the_password_and_may_be_put_right(tls):
    ca_file, context = tls
    with smtp(Post(), context, ("lowmark", "right")) as port:
        server = {"host": "localhost", "security": "starttls", "user": "lowmark", "ca_file": ca_file}
        problem = failure(channel(port, password=lambda: "wrong wrong", **server))
    assert "535" in str(problem)
    assert "wrong wrong" not in str(problem)
    assert not problem.permanent


def test_a_missing_secret_is_told_by_its_place():
    def reveal() -> str:
        raise Failure("the environment variable LOWMARK_SMTP is not set")

    problem = failure(channel(9, user="lowmark", password=reveal))
    assert "LOWMARK_SMTP" in str(problem)


@pytest.mark.parametrize(("answer", "permanent"), [("550 no such mailbox", True), ("450 come again later", False)])
def test_a_refused_receiver_is_final_or_not_as_the_server_says(answer, permanent):
    # RFC 5321 section 4.2.1: 4yz is transient, 5yz permanent.
    with smtp(Post(refuse={DESK: answer})) as port:
        problem = failure(channel(port))
    assert problem.permanent is permanent
    assert answer in str(problem).replace(": ", " ")


@pytest.mark.parametrize(("answer", "permanent"), [("554 no", True), ("451 later", False)])
def test_so_is_a_refused_mail(answer, permanent):
    with smtp(Post(answer=answer)) as port:
        assert failure(channel(port)).permanent is permanent


def test_those_who_have_it_get_no_second_mail_when_another_is_tried_again():
    post = Post(refuse={NIGHT: "450 greylisted"})
    with smtp(post) as port:
        mail = channel(port, to=(DESK, NIGHT))
        assert not failure(mail).permanent
        post.refuse.clear()
        send(mail)
        send(mail)
    assert [envelope.rcpt_tos for envelope in post.envelopes] == [[DESK], [NIGHT]]
    assert len({read(envelope)["Message-ID"] for envelope in post.envelopes}) == 1


def test_the_message_id_is_made_of_what_is_told_not_of_when_it_is_sent():
    post = Post()
    one, two = message(), message("low|8|toner:cyan")
    with smtp(post) as port:
        for messages in ([one, two], [two, one], [one], [two]):
            send(channel(port), *messages)
    ids = [read(envelope)["Message-ID"] for envelope in post.envelopes]
    assert ids[0] == ids[1]
    assert len(set(ids)) == 3
    assert all(identity.endswith("@harrow-lane.example>") for identity in ids)


def test_nobody_at_home_is_worth_another_try():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        problem = failure(channel(taken.getsockname()[1]))
    assert not problem.permanent
    assert "127.0.0.1" in str(problem)


def test_a_silent_server_is_left_after_its_time():
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        assert not failure(channel(silent.getsockname()[1], timeout=0.3)).permanent


@pytest.mark.parametrize("farewell", [("221 good bye", 3.0), ("421 too many mails today", 0.0)])
def test_a_mail_that_was_taken_is_sent_whatever_the_server_says_to_the_farewell(farewell):
    post, box = Post(farewell=farewell), Box()
    box.post([message()])
    with smtp(post) as port:
        began = time.monotonic()
        done = asyncio.run(Outbox(box, {"mail": channel(port)}).run_once(NOW))
        took = time.monotonic() - began
    assert (done.sent, done.errors, box.states()) == (1, (), ["sent"])
    assert took < 2.5, "nobody waits for the farewell, in which a crash would send the mail again"


def test_letters_that_are_not_ascii_arrive():
    post = Post()
    with smtp(post) as port:
        send(channel(port), message(printer="Čtenářská síň 日本", text="žlutý toner"))
    mail = read(post.envelopes[0])
    assert "Čtenářská síň 日本" in mail["Subject"]
    assert "Čtenářská síň 日本" in mail.get_content()


def test_from_outbox_to_mailbox_once_though_the_server_was_away():
    post, box = Post(), Box()
    box.post([message(batch="a"), message("low|8|toner:cyan", batch="a", printer="Bindery")])
    with smtp(Post(answer="451 disk full")) as port:
        asyncio.run(Outbox(box, {"mail": channel(port)}).run_once(NOW))
    assert box.states() == ["waiting", "waiting"]
    assert "451 disk full" in box.letters[1].last_error
    with smtp(post) as port:
        for minutes in (1, 2, 3):
            asyncio.run(Outbox(box, {"mail": channel(port)}).run_once(later(minutes)))
    (envelope,) = post.envelopes
    text = read(envelope).get_content()
    assert "Front desk" in text
    assert "Bindery" in text
    assert box.states() == ["sent", "sent"]


def test_a_mail_that_arrives_after_it_was_given_up_is_not_sent_again():
    post, box = Post(pause=0.5), Box()
    box.post([message()])

    async def scene(port: int) -> None:
        outbox = Outbox(box, {"mail": channel(port)}, deadline=0.2)
        assert (await outbox.run_once(NOW)).failed == 1
        assert box.states() == ["waiting"]
        await asyncio.sleep(0.6)
        assert (await outbox.run_once(later(1))).sent == 1

    with smtp(post) as port:
        asyncio.run(scene(port))
    assert (len(post.envelopes), box.states()) == (1, ["sent"])


@pytest.mark.parametrize(
    ("server", "sender", "to"),
    [
        (Server("mail.example", security="ssl"), SENDER, (DESK,)),
        (Server("mail.example"), "x\r\nBcc: all@example.org", (DESK,)),
        (Server("mail.example"), SENDER, (f"{DESK}, {NIGHT}",)),
        (Server("mail.example"), SENDER, ()),
        (Server("mail.example", user="lowmark"), SENDER, (DESK,)),
        (Server("mail.example", user="lowmark", password=lambda: "x", security="none"), SENDER, (DESK,)),
    ],
)
def test_an_unfit_channel_is_refused_when_it_is_made(server, sender, to):
    with pytest.raises(ValueError):
        MailChannel("mail", server, sender, to)
