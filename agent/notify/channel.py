"""What a channel is, and how it says that it could not deliver.

Undelivered
  permanent False    worth another try: no connection, time-out, "try again later"
  permanent True     trying again will not help: the address does not exist, the request is refused
"""

from __future__ import annotations

import asyncio
import hashlib
import re
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol

from agent.alarms.wording import clean
from agent.model.alarm import Message
from agent.model.failure import Failure

Reveal = Callable[[], str]
"""Gives a secret when it is needed; raises Failure where there is none."""

MakeLink = Callable[[Message, str], str]
"""The address at which somebody (a receiver, or a channel) acknowledges what a message tells; "" for none."""


def no_link(_message: Message, _who: str) -> str:
    """No links."""
    return ""


class Undelivered(Exception):
    """A delivery failed. ``str()`` is a sentence without secrets. ``retry_after``: the receiver's wish, in seconds."""

    def __init__(self, text: str, *, permanent: bool = False, retry_after: float | None = None) -> None:
        super().__init__(clean(text, 500))
        self.permanent = permanent
        self.retry_after = retry_after


class Channel(Protocol):
    """One way to tell people. Sends all of ``messages`` as one piece; returning means that the receiver has them."""

    @property
    def name(self) -> str:
        """As the rules call it."""

    async def send(self, messages: Sequence[Message]) -> None:
        """Deliver. Raises Undelivered, and nothing else."""

    async def close(self) -> None:
        """Give back what is held open."""


_USERINFO = re.compile(r"(?P<scheme>[a-zA-Z][\w+.-]*://)[^\s/@]*@")
_QUERY = re.compile(r"(?P<path>[a-zA-Z][\w+.-]*://[^\s?#]*)[?#]\S*")


def masked(text: object, secrets: Iterable[str] = ()) -> str:
    """``text`` without ``secrets``, and without user, password or query in any URL."""
    found = str(text)
    for secret in sorted((secret for secret in secrets if secret), key=len, reverse=True):
        found = found.replace(secret, "***")
    return _QUERY.sub(r"\g<path>?***", _USERINFO.sub(r"\g<scheme>***@", found))


def revealed(reveal: Reveal | None, channel: str) -> str:
    """The secret, or empty where none is meant. Raises Undelivered when it is missing now."""
    if reveal is None:
        return ""
    try:
        return reveal()
    except Failure as problem:
        raise Undelivered(f"channel {channel}: {problem}") from None


def fingerprint(messages: Sequence[Message]) -> str:
    """The same for the same messages, in whatever order: 32 hexadecimal digits of SHA-256 over their dedupe keys."""
    keys = "\n".join(sorted(message.dedupe_key for message in messages))
    return hashlib.sha256(keys.encode("utf-8", "surrogatepass")).hexdigest()[:32]


class Receipts:
    """Which receivers already have a piece, so that a second try reaches only the others. Kept in memory, bounded.

    What was delivered stays noted: a try that was given up may have come through after all, a moment too late.
    """

    def __init__(self, limit: int = 1000) -> None:
        self._limit = limit
        self._have: OrderedDict[str, set[str]] = OrderedDict()

    def missing(self, piece: str, receivers: Sequence[str]) -> list[str]:
        """Those of ``receivers`` that do not have ``piece`` yet."""
        have = self._have.get(piece, set())
        return [receiver for receiver in receivers if receiver not in have]

    def note(self, piece: str, receiver: str) -> None:
        """``receiver`` has ``piece``."""
        self._have.setdefault(piece, set()).add(receiver)
        while len(self._have) > self._limit:
            self._have.popitem(last=False)


class Worker:
    """One thread of its own for a library that blocks, so that a slow receiver takes no thread from anybody else.

    Work that was given up runs on to its own time-out; what comes after it waits for it, so nothing overtakes.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._pool: ThreadPoolExecutor | None = None

    async def run(self, work: Callable[[], None]) -> None:
        """Do ``work`` in the thread; raises what it raises."""
        if self._pool is None:
            self._pool = ThreadPoolExecutor(1, thread_name_prefix=f"channel {self._name}")
        await asyncio.get_running_loop().run_in_executor(self._pool, work)

    def afterwards(self, work: Callable[[], None], otherwise: Callable[[], None]) -> None:
        """From within the work: do this too, when nobody waits for it; ``otherwise`` if the worker is closed before."""

        def done(future: Future[None]) -> None:
            if future.cancelled():
                otherwise()

        try:
            if self._pool is not None:
                self._pool.submit(work).add_done_callback(done)
                return
        except RuntimeError:
            pass  # closed at this moment
        otherwise()

    def close(self) -> None:
        """Begin nothing more."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None
