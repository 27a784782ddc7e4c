"""An answer told by what moved since the last one is the same, to the last value, as when it is read from end to end.

Whatever comes after an honest answer - other values, lengths, names, a foreign request-id, an error-status, octets that
were cut off or turned over in transit - is read twice: with the memory of that answer, and by ``ber.response`` alone.
"""

from __future__ import annotations

import dataclasses
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.model.wire import Value
from agent.snmp import ber as strict
from agent.snmp.known import Faulty, Form, Known, Question, form, fresh_id, read
from tests.snmp import ber
from tests.snmp.ber import Message, Typed, integer, octets, oid

ROOT = "1.3.6.1.2.1.43"
FIRST, SECOND = bytes.fromhex("01020304"), bytes.fromhex("7fa0b0c0")

typed = st.one_of(
    st.integers(-(2**31), 2**31 - 1).map(integer),
    st.integers(0, 2**32 - 1).map(lambda n: integer(n, ber.TICKS)),
    st.integers(0, 2**32 - 1).map(lambda n: Typed(ber.COUNTER32, n.to_bytes(4, "big"))),
    st.binary(max_size=6).map(octets),
    st.binary(min_size=120, max_size=140).map(octets),
    st.sampled_from(["1.3.6.1.4.1.32473.1", "0.0", "1.3.6.1.4.1.32473.9"]).map(oid),
    st.sampled_from([ber.NULL, ber.NO_SUCH_OBJECT, ber.NO_SUCH_INSTANCE, ber.END_OF_MIB]).map(Typed),
    st.tuples(st.sampled_from([0x02, 0x06, 0x41, 0x46, 0x47, 0x99]), st.binary(max_size=11)).map(lambda t: Typed(*t)),
)
names = st.integers(1, 300).map(lambda n: f"{ROOT}.11.1.1.9.1.{n}")


@st.composite
def answers(draw: st.DrawFn) -> Message:
    asked = draw(st.lists(names, max_size=7, unique=True))
    rows = tuple((name, draw(typed)) for name in asked)
    return Message(draw(st.sampled_from([0, 1])), b"public", ber.RESPONSE, int.from_bytes(FIRST), 0, 0, rows)


@st.composite
def later(draw: st.DrawFn, first: Message) -> bytes:
    """What comes instead of the next answer."""
    second = dataclasses.replace(first, request_id=int.from_bytes(SECOND))
    rows = list(second.rows)
    for _ in range(draw(st.integers(0, 3)) if rows else 0):
        place = draw(st.integers(0, len(rows) - 1))
        name, value = rows[place]
        change = draw(st.sampled_from(["content", "value", "name", "swap", "gone", "twice"]))
        if change == "content":  # other octets, as many
            rows[place] = name, Typed(value.tag, draw(st.binary(min_size=(n := len(value.octets)), max_size=n)))
        elif change == "value":
            rows[place] = name, draw(typed)
        elif change == "name":
            rows[place] = draw(names), value
        elif change == "swap":
            rows[place], rows[0] = rows[0], rows[place]
        elif change == "twice":
            rows.append(rows[place])
        elif len(rows) > 1:
            del rows[place]
    second = dataclasses.replace(
        second,
        rows=tuple(rows),
        request_id=draw(st.sampled_from([second.request_id] * 5 + [first.request_id, 5, -1])),
        status=draw(st.sampled_from([0] * 8 + [1, 2, 5, 77])),
        index=draw(st.sampled_from([0] * 5 + [1, 200])),
        community=draw(st.sampled_from([b"public"] * 8 + [b"pubLic", b"other"])),
        version=draw(st.sampled_from([first.version] * 8 + [1 - first.version])),
        pdu=draw(st.sampled_from([ber.RESPONSE] * 8 + [ber.GET, ber.REPORT])),
    )
    data = bytearray(ber.write(second))
    for place, octet in draw(st.lists(st.tuples(st.integers(0, len(data) - 1), st.integers(0, 255)), max_size=2)):
        data[place] = octet
    data += draw(st.sampled_from([b""] * 8 + [b"\x00", b"\x05\x00"]))
    return bytes(data[: len(data) - draw(st.sampled_from([0] * 8 + [1, 2, 9]))])


def question(message: Message) -> Form:
    oids = tuple(name for name, _ in message.rows)
    return form(message.version, message.community.decode(), Question(strict.GET, oids))


Outcome = tuple[str, object]


def outcome(data: bytes, asked: Form, request_id: bytes, last: Known | None) -> tuple[Outcome, Known | None]:
    try:
        answer = read(data, asked, request_id, last)
    except Faulty as fault:
        return ("error-status", (fault.status, fault.index)), None
    except ValueError:
        return ("no message", None), None
    if answer is None:
        return ("of another question", None), None
    return ("rows", (answer.rows(), answer.cells(asked.question.oids))), answer


def read_whole(data: bytes, asked: Form, request_id: bytes) -> Outcome:
    try:
        response = strict.response(data)
    except ValueError:
        return "no message", None
    borne = response.version, response.community, response.request_id
    if borne != (asked.version, asked.community, int.from_bytes(request_id)):
        return "of another question", None
    if response.status:
        return "error-status", (response.status, response.index)
    rows = [(name, value) for name, value in response.rows if value is not None]
    wanted = set(asked.question.oids)
    return "rows", (rows, {name: value for name, value in rows if name in wanted})


@settings(max_examples=500)
@given(st.data())
def test_with_the_memory_of_the_last_answer_or_without_the_same_comes_out(data: st.DataObject) -> None:
    first = data.draw(answers())
    asked = question(first)
    _, known = outcome(ber.write(first), asked, FIRST, None)
    for _ in range(2):
        octets_ = data.draw(later(first))
        found, answer = outcome(octets_, asked, SECOND, known)
        assert found == read_whole(octets_, asked, SECOND)
        assert [type(value) for value in values_of(found)] == [
            type(value) for value in values_of(read_whole(octets_, asked, SECOND))
        ]
        known = answer or known


def values_of(found: Outcome) -> list[Value]:
    kind, told = found
    return [value for _, value in told[0]] if kind == "rows" else []  # type: ignore[index]


CELLS = (
    ("1.3.6.1.2.1.1.3.0", integer(20_000_000, ber.TICKS)),
    ("1.3.6.1.2.1.1.5.0", octets("a name that is longer than what Python keeps once")),
    (f"{ROOT}.11.1.1.9.1.1", integer(2_000)),
    (f"{ROOT}.11.1.1.6.1.1", octets("Black Toner")),
    (f"{ROOT}.10.2.1.4.1.1", Typed(ber.COUNTER32, (1_000_000).to_bytes(4, "big"))),
)


def message(request_id: bytes, **changes: Typed) -> bytes:
    rows = tuple((name, changes.get(f"c{place}", value)) for place, (name, value) in enumerate(CELLS))
    return ber.write(Message(1, b"public", ber.RESPONSE, int.from_bytes(request_id), 0, 0, rows))


ASKED = form(1, "public", Question(strict.GET, tuple(name for name, _ in CELLS)))


def test_only_what_moved_is_read_again() -> None:
    first = read(message(FIRST), ASKED, FIRST)
    assert first is not None
    second = read(message(SECOND, c0=integer(20_000_100, ber.TICKS), c2=integer(1_999)), ASKED, SECOND, first)
    assert second is not None
    assert second.values == (20_000_100, *first.values[1:2], 1_999, *first.values[3:])
    assert [new is old for new, old in zip(second.values, first.values, strict=True)] == [
        False,
        True,
        False,
        True,
        True,
    ]
    assert second.layout is first.layout


def test_an_answer_in_which_nothing_moved_is_the_last_one() -> None:
    first = read(message(FIRST), ASKED, FIRST)
    assert read(message(SECOND), ASKED, SECOND, first) is first


def test_the_answer_to_an_earlier_request_is_none_though_all_its_cells_are_the_same() -> None:
    first = read(message(FIRST), ASKED, FIRST)
    assert read(message(FIRST), ASKED, SECOND, first) is None


def test_a_request_is_the_one_that_ber_makes() -> None:
    for version, pdu, repetitions in itertools.product((0, 1), (strict.GET, strict.GET_BULK), (0, 10)):
        asked = form(version, "public", Question(pdu, ("1.3.6.1.2.1.1.5.0", f"{ROOT}.11"), repetitions))
        for request_id in (FIRST, SECOND, bytes.fromhex("7fffffff")):
            made = asked.before + request_id + asked.after
            number = int.from_bytes(request_id)
            assert made == strict.request(version, "public", pdu, number, asked.question.oids, repetitions)
            assert ber.read(made).request_id == number


def test_a_form_does_not_tell_its_community() -> None:
    assert "hush-hush" not in repr(form(1, "hush-hush", Question(strict.GET, ("1.3.6.1.2.1.1.5.0",))))


def test_request_ids_have_four_octets_and_do_not_repeat() -> None:
    made = [fresh_id() for _ in range(5_000)]
    assert len(set(made)) > 4_990  # two of 2**31 numbers may be the same by chance
    assert all(integer(int.from_bytes(one)).octets == one for one in made)


@pytest.mark.parametrize("many", [200, 5_000])
def test_what_is_kept_of_an_answer_is_bounded(many: int) -> None:
    answer = read(message(FIRST, c1=octets(b"x" * many)), ASKED, FIRST)
    assert answer is not None
    assert answer.values[1] == b"x" * many
    assert (answer.data == b"") == (many > 4_096)


def test_printers_whose_answers_are_laid_out_alike_share_the_layout() -> None:
    here, there = read(message(FIRST), ASKED, FIRST), read(message(SECOND, c2=integer(-2_000)), ASKED, SECOND)
    assert here is not None
    assert there is not None
    assert here.layout is there.layout
