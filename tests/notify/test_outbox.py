"""The outbox: at least once, later and later, and visibly given up."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from datetime import timedelta

import pytest

from agent.notify.outbox import FINAL_TRIES, LONGEST_AGE, LONGEST_PAUSE, MOST_TRIES, Outbox, given_up, pause
from tests.notify.letters import NOW, Box, Killed, Listener, down, later, message


def run(outbox: Outbox, at=NOW):
    return asyncio.run(outbox.run_once(at))


def box_of(*messages) -> Box:
    box = Box()
    box.post(messages or [message()])
    return box


def test_what_is_due_is_sent_once():
    box, mail = box_of(), Listener()
    outbox = Outbox(box, {"mail": mail})
    assert run(outbox).sent == 1
    assert run(outbox, later(60)).sent == 0
    assert (mail.pieces, box.states()) == ([["low|7|toner:cyan"]], ["sent"])


def test_the_messages_of_one_judgement_go_out_as_one_piece():
    box = box_of(*(message(f"low|{at}|toner:cyan", batch="a") for at in range(4)), message("x|9|y", batch="b"))
    mail = Listener()
    run(Outbox(box, {"mail": mail}))
    assert [len(piece) for piece in mail.pieces] == [4, 1]


def test_a_flood_goes_out_in_pieces_of_fifty():
    box = box_of(*(message(f"low|{at}|toner:cyan", batch="a") for at in range(120)))
    mail = Listener()
    assert run(Outbox(box, {"mail": mail})).sent == 120
    assert [len(piece) for piece in mail.pieces] == [50, 50, 20]


def test_a_failed_piece_stays_together_and_is_tried_later_and_later():
    box = box_of(message(batch="a"), message("low|8|toner:cyan", batch="a"))
    mail = Listener(problems=[down() for _ in range(12)])
    outbox, at, pauses = Outbox(box, {"mail": mail}, chance=lambda: 1.0), NOW, []
    for _ in range(12):
        assert run(outbox, at).failed == 2
        assert {one.last_error for one in box.letters.values()} == {"no connection"}
        (following,) = {one.next_try for one in box.letters.values()}
        assert run(outbox, following - timedelta(seconds=1)).failed == 0
        pauses.append(following - at)
        at = following
    assert pauses[:4] == [timedelta(seconds=30 * 2**n) for n in range(4)]
    assert pauses[-1] == LONGEST_PAUSE
    assert run(outbox, at).sent == 2
    assert len(mail.pieces) == 1


def test_the_jitter_spreads_each_pause_between_half_and_the_whole():
    for tries in range(1, 40):
        assert pause(tries, 0.0) * 2 == pause(tries, 1.0) <= LONGEST_PAUSE


def test_a_receiver_may_ask_for_a_longer_pause():
    box = box_of()
    run(Outbox(box, {"mail": Listener(problems=[down(retry_after=900)])}, chance=lambda: 0.0))
    assert box.letters[1].next_try == later(15)


def test_a_refusal_for_good_is_given_up_soon_and_an_absence_only_after_days():
    assert given_up(FINAL_TRIES, timedelta(0), permanent=True)
    assert not given_up(MOST_TRIES * 10, LONGEST_AGE / 2, permanent=False)
    assert not given_up(MOST_TRIES - 1, LONGEST_AGE * 2, permanent=False)
    box = box_of()
    mail = Listener(problems=[down(permanent=True) for _ in range(FINAL_TRIES)])
    outbox = Outbox(box, {"mail": mail})
    assert [run(outbox, later(60 * n)).dead for n in range(FINAL_TRIES)] == [0, 1]
    assert (box.states(), box.letters[1].last_error) == (["dead"], "no connection")
    assert run(outbox, later(10_000)).sent == 0


def test_a_receiver_that_is_away_for_a_day_and_a_half_still_gets_its_message():
    box, mail = box_of(), Listener(problems=[down() for _ in range(1000)])
    outbox, at = Outbox(box, {"mail": mail}), NOW
    while at < NOW + timedelta(hours=36):
        at = max(at, box.letters[1].next_try)
        run(outbox, at)
    mail.problems.clear()
    assert run(outbox, box.letters[1].next_try).sent == 1


def test_a_receiver_that_never_comes_back_leaves_a_dead_letter_after_bounded_tries():
    box, mail = box_of(), Listener(problems=[down() for _ in range(1000)])
    outbox = Outbox(box, {"mail": mail})
    while box.states() == ["waiting"]:
        run(outbox, box.letters[1].next_try)
    assert box.states() == ["dead"]
    assert MOST_TRIES <= box.letters[1].tries < 120


def test_an_unknown_channel_fails_in_words_and_other_channels_go_on():
    box, chat = box_of(message(), message(channel="chat")), Listener("chat")
    done = run(Outbox(box, {"chat": chat}))
    assert (done.sent, done.failed) == (1, 1)
    assert "no channel 'mail'" in box.letters[1].last_error


def test_a_fault_in_a_channel_stops_nobody_else_and_its_words_are_kept_out():
    box = box_of(message(), message(channel="chat"))
    bad, chat = Listener(problems=[ZeroDivisionError("password is hunter2")]), Listener("chat")
    done = run(Outbox(box, {"mail": bad, "chat": chat}))
    assert (done.sent, done.failed) == (1, 1)
    assert "hunter2" not in box.letters[1].last_error
    assert "ZeroDivisionError" in box.letters[1].last_error


def test_a_letter_that_cannot_be_read_is_given_up_and_blocks_nothing():
    box, mail = box_of(message(), message("low|8|toner:cyan")), Listener()
    box.letters[1] = replace(box.letters[1], payload="{not json")
    outbox = Outbox(box, {"mail": mail})
    run(outbox)
    run(outbox, later(60))
    assert box.states() == ["dead", "sent"]


@pytest.mark.parametrize("marks", [0, 1, 2])
def test_killed_between_sending_and_marking_it_sends_again_rather_than_never(marks):
    messages = [message(f"low|{at}|toner:cyan", batch="a") for at in range(3)]
    box, mail = box_of(*messages), Listener()
    with pytest.raises(BaseException) as caught:
        run(Outbox(box.kill_after(marks), {"mail": mail}))
    assert isinstance(caught.value, Killed) or "Killed" in repr(caught.value)
    assert run(Outbox(box, {"mail": mail}), later(1)).sent == 3 - marks
    assert {key for piece in mail.pieces for key in piece} == {one.key for one in messages}
    assert box.states() == ["sent"] * 3


class Slow(Listener):
    async def send(self, messages):
        await asyncio.sleep(0.3)
        await super().send(messages)


def test_a_slow_channel_delays_nobody_and_is_not_served_twice_at_a_time():
    box = box_of(message(), message(channel="chat"))
    slow, chat = Slow(), Listener("chat")
    outbox = Outbox(box, {"mail": slow, "chat": chat})

    async def scene() -> None:
        first = asyncio.create_task(outbox.run_once(NOW))
        await asyncio.sleep(0.1)
        assert (box.states(), chat.pieces) == (["waiting", "sent"], [["low|7|toner:cyan"]])
        box.post([message("low|9|toner:cyan", channel="chat")])
        assert (await outbox.run_once(NOW)).sent == 1
        assert not first.done()
        await first

    asyncio.run(scene())
    assert box.states() == ["sent"] * 3
    assert slow.pieces == [["low|7|toner:cyan"]]


def test_a_channel_that_hangs_is_given_up_at_the_deadline_and_what_was_not_tried_waits_untried():
    class Hanging(Listener):
        async def send(self, messages):
            await asyncio.sleep(60)

    box = box_of(message(batch="a"), message("low|8|toner:cyan", batch="b"))
    begun = time.monotonic()
    done = run(Outbox(box, {"mail": Hanging()}, deadline=0.2))
    assert time.monotonic() - begun < 5
    assert (done.failed, [box.letters[n].tries for n in (1, 2)]) == (1, [1, 0])
    assert "no answer within" in box.letters[1].last_error
