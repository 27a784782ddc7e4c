"""Questions that are asked again and again, and answers told by what moved in their octets since the last ones.

A printer is asked the same few hundred octets all day, and answers the same octets but for sysUpTime and a count or
two. So a request is kept ready but for its request-id, and of an answer only those varbinds are read whose octets are
not those of the answer before. An answer that is not laid out like the one before, to the octet, is read from the
first octet to the last. Nothing here touches a socket, and what comes out is what ``ber.response`` makes of the same
octets.
"""

from __future__ import annotations

import os
from array import array
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from agent.model.wire import Value
from agent.snmp import ber
from agent.snmp.alike import alike

_LONGEST_KEPT = 4_096  # octets; what a printer answers beyond is read whole each time, and takes no memory
_AT_ONCE = 1_024


class Question(NamedTuple):
    """One request: a GET of the instances ``oids``, or a step of a walk after them. ``pdu`` is its tag in ``ber``."""

    pdu: int
    oids: tuple[str, ...]
    repetitions: int = 0


@dataclass(frozen=True, slots=True, repr=False)
class Form:
    """A question as octets, in two parts that the request-id stands between, and what its answer has to bear."""

    question: Question
    version: int
    community: bytes
    before: bytes
    after: bytes


@lru_cache(maxsize=4_096)
def form(version: int, community: str, question: Question) -> Form:
    """The question made ready, once for all printers that are asked it. ``version``: 0 for SNMPv1, 1 for v2c."""
    return Form(question, version, community.encode(), *ber.around_id(version, community, *question))


class Layout(NamedTuple):
    """Where everything stands in an answer. Printers of one model whose names have one length share it.

    ``starts``: where each varbind starts, and where the last one ends. ``contents``: where the content of its value
    starts, and ``tags`` its type. ``whole``: each has a value, and they are those that were asked for, in order.
    """

    oids: tuple[str, ...]
    request_id: int
    starts: array[int]
    contents: array[int]
    tags: bytes
    whole: bool


class Known(NamedTuple):
    """An answer: its octets, where its parts stand, and its values (None where there is none, see ``ber.value``).

    ``data`` is empty for an answer that the next one cannot be compared with.
    """

    data: bytes
    layout: Layout
    values: tuple[Value | None, ...]

    def cells(self, asked: tuple[str, ...]) -> dict[str, Value]:
        """What a GET of ``asked`` brought: instance OID -> value."""
        if self.layout.whole:
            return dict(zip(self.layout.oids, self.values, strict=True))  # type: ignore[arg-type]
        wanted = set(asked)
        return {oid: value for oid, value in self.rows() if oid in wanted}

    def rows(self) -> list[tuple[str, Value]]:
        """The varbinds that have values, in the agent's order."""
        return [(oid, value) for oid, value in zip(self.layout.oids, self.values, strict=True) if value is not None]


class Faulty(Exception):
    """The agent answered with an error-status; ``index`` is the place of the varbind at fault, from 1, or 0."""

    def __init__(self, status: int, index: int) -> None:
        super().__init__(status, index)
        self.status = status
        self.index = index


def read(data: bytes, asked: Form, request_id: bytes, last: Known | None = None) -> Known | None:
    """The answer ``data`` to ``asked``, or None if it answers something else.

    ``request_id``: the octets that the question bore. ``last``: the last answer to the same question, if there is one.

    Raises:
        ValueError: the octets are no GetResponse.
        Faulty: it bears an error-status.
    """
    if last is not None:
        same = _compared(data, request_id, last)
        if same is not None:
            return same
    response, places = ber.located(data)
    ours = asked.version, asked.community, int.from_bytes(request_id, "big")
    if (response.version, response.community, response.request_id) != ours:
        return None
    if response.status != 0:
        raise Faulty(response.status, response.index)
    oids, values = tuple(oid for oid, _ in response.rows), alike(value for _, value in response.rows)
    id_at, id_end = places.request_id
    keep = places.tight and id_end - id_at == ber.ID_OCTETS and 0 < len(data) <= _LONGEST_KEPT
    if oids == asked.question.oids:
        oids = asked.question.oids  # one tuple for all
    starts = array("H", [start for start, _, _ in places.rows] + [places.end]) if keep else array("H")
    layout = _shared(
        oids,
        id_at,
        starts.tobytes(),
        array("H", [content for _, _, content in places.rows] if keep else []).tobytes(),
        bytes(tag for _, tag, _ in places.rows),
        oids is asked.question.oids and None not in values,
    )
    return Known(data if keep else b"", layout, values)


@lru_cache(maxsize=2_048)
def _shared(oids: tuple[str, ...], request_id: int, starts: bytes, contents: bytes, tags: bytes, whole: bool) -> Layout:
    return Layout(oids, request_id, array("H", starts), array("H", contents), tags, whole)


def _compared(data: bytes, request_id: bytes, last: Known) -> Known | None:
    """The answer, if its octets are those of the last one but for request-id and contents of values.

    Tags and lengths are the same octets then, so every part stands where it stood, and those read before need not be
    read again.
    """
    kept, layout = last.data, last.layout
    at = layout.request_id
    after = at + ber.ID_OCTETS
    if len(data) != len(kept) or data[at:after] != request_id or data[:at] != kept[:at]:
        return None
    if data[after:] == kept[after:]:
        return last
    starts = layout.starts
    if data[after : starts[0]] != kept[after : starts[0]]:
        return None
    values = list(last.values)
    at, row, end = starts[0], 0, len(values)
    while data[at:] != kept[at:]:
        row = _first_moved(data, kept, starts, row, end)
        start, content, at = starts[row], layout.contents[row], starts[row + 1]
        if data[start:content] != kept[start:content]:
            return None
        try:
            values[row] = ber.value(layout.tags[row], data, content, at)
        except ValueError:
            return None  # the whole reading says it as always
        row += 1
    return Known(data, layout, tuple(values))


def _first_moved(data: bytes, kept: bytes, starts: array[int], low: int, high: int) -> int:
    """The first of the varbinds ``low`` to ``high - 1`` whose octets are not the same; there is one."""
    at = starts[low]
    while high - low > 1:
        middle = (low + high) // 2
        end = starts[middle]
        if data[at:end] == kept[at:end]:
            low, at = middle, end
        else:
            high = middle
    return low


_ids: list[bytes] = []


def fresh_id() -> bytes:
    """The octets of a request-id that nobody can guess; every agent writes it in as many octets."""
    if _ids:
        return _ids.pop()
    span = ber.MOST_ID - ber.LEAST_ID + 1
    numbers = array("Q", os.urandom(8 * _AT_ONCE))
    _ids.extend((ber.LEAST_ID + number % span).to_bytes(ber.ID_OCTETS, "big") for number in numbers)
    return _ids.pop()
