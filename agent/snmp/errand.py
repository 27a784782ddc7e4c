"""What a printer is asked all day, in one errand: each request leaves in the callback that reads the answer before.

There is one request in flight at a time, as always; but the task that waits is woken once, and gufo-snmp is passed by:
the octets are kept ready, and answers are told by what moved in them (``agent.snmp.known``).
"""

from __future__ import annotations

import os
from functools import lru_cache

from agent.model.wire import Community, WireError
from agent.snmp import ber, known, words
from agent.snmp.known import Faulty, Form, Known, Question
from agent.snmp.session import MOST_OCTETS, Expired, Session
from agent.snmp.wire import Asked, NoSuchName, Rows, Told

_SLACK = 0.05  # seconds that a request may have above its time, so that not every one has to set the timer anew


@lru_cache(maxsize=4_096)
def _forms(credentials: Community, gets: Asked, step: tuple[str, int]) -> tuple[Form, ...]:
    """The requests, in order: once for all printers that are asked the same."""
    first = credentials.version == "1"
    root, count = step
    questions = [Question(ber.GET, oids) for oids in gets]
    questions.append(Question(ber.GET_NEXT, (root,)) if first else Question(ber.GET_BULK, (root,), count))
    return tuple(known.form(0 if first else 1, credentials.community, question) for question in questions)


class Errand:
    """GETs and a step of a walk over ``session``, whose peer speaks SNMPv1 or v2c.

    Kept from one reading to the next for the answers that it remembers.
    """

    __slots__ = (
        "_answers",
        "_end",
        "_forms",
        "_gets",
        "_id",
        "_oddity",
        "_over",
        "_place",
        "_session",
        "_step",
        "_timeout",
    )

    def __init__(self, session: Session, credentials: Community, gets: Asked, step: tuple[str, int]) -> None:
        self._session = session
        self._gets, self._step = gets, step
        self._forms = _forms(credentials, gets, step)
        self._answers: list[Known | None] = [None] * len(self._forms)
        self._place = 0  # of the question in flight
        self._id = b""
        self._oddity = ""
        self._over = False
        self._timeout = self._end = 0.0

    def asks(self, gets: Asked, step: tuple[str, int]) -> bool:
        """Whether these are its questions."""
        return self._step == step and (self._gets is gets or self._gets == gets)

    def remember(self, before: Errand) -> None:
        """Take over the answers to what both ask."""
        held = {id(form): answer for form, answer in zip(before._forms, before._answers, strict=True)}
        self._answers = [held.get(id(form)) for form in self._forms]

    async def run(self, timeout: float, end: float) -> Told:
        """See ``Engine.together``. The session's lock is held."""
        session = self._session
        if end - session.loop.time() < timeout:
            return Told()
        self._timeout, self._end = timeout, end
        self._place, self._oddity, self._over = 0, "", False
        self._id = known.fresh_id()
        failure = None
        try:
            await session.exchange(self._send, self._receive, timeout + _SLACK)
        except (Expired, OSError, Faulty) as error:
            failure = self._failure(error)
        done, rows = zip(self._answers[: self._place], self._gets, strict=False), None
        if self._place == len(self._forms):
            last = self._answers[-1]
            rows = Rows() if self._over or last is None else Rows(last.rows())
        return Told([answer.cells(oids) for answer, oids in done if answer is not None], rows, failure)

    def _send(self) -> None:
        asked = self._forms[self._place]
        os.write(self._session.fd, asked.before + self._id + asked.after)

    def _receive(self) -> None:
        """Take one datagram, and ask the next question if it answers the present one; return when all is asked."""
        data = os.read(self._session.fd, MOST_OCTETS)
        place = self._place
        asked = self._forms[place]
        try:
            answer = known.read(data, asked, self._id, self._answers[place])
        except ValueError as error:
            self._oddity = str(error)
            raise BlockingIOError from error
        except Faulty as fault:
            if asked.question.pdu != ber.GET_NEXT or not isinstance(self._fault(fault), NoSuchName):
                raise
            self._over = True  # so SNMPv1 says that the MIB is at its end
        else:
            if answer is None:
                raise BlockingIOError
            self._answers[place] = answer
        self._place = place + 1
        if place + 1 < len(self._forms) and self._go_on():
            raise BlockingIOError

    def _go_on(self) -> bool:
        """Send the next question, if there is time for it and the socket takes it at once."""
        session = self._session
        now = session.loop.time()
        if self._end - now < self._timeout:
            return False
        self._id, self._oddity = known.fresh_id(), ""
        try:
            self._send()
        except OSError:
            return False
        if session.ends < now + self._timeout:
            session.prolong(now + self._timeout + _SLACK)
        return True

    def _fault(self, fault: Faulty) -> WireError:
        return words.fault(self._session.peer, fault.status, fault.index, self._forms[self._place].question.oids)

    def _failure(self, error: Exception) -> WireError:
        if isinstance(error, Faulty):
            return self._fault(error)
        if isinstance(error, Expired) and self._oddity:
            return words.garbled(self._session.peer, self._oddity)
        return self._session.failure(error)
