"""The few questions of a survey: what answers, and whether it is a printer."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from agent.model.probe import Probe
from agent.model.wire import Community, Denied, Garbled, Peer, Refused, Silent
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.snmp import ber, printer
from tests.snmp.ber import Typed, integer, octets, oid
from tests.snmp.responder import Responder, answering, honest

HR = printer.HR


async def probe(cells: dict[str, Typed], engine: str, version: str = "2c", twist: Callable = honest) -> Probe:
    reader = Reader(open_engine(engine))
    async with answering(cells, twist) as responder:
        found = await reader.probe(Peer("127.0.0.1", responder.port, Community(version), timeout=0.3, retries=0))
        assert len(responder.seen) < 60
    await reader.close()
    return found


def _renumbered(number: int) -> dict[str, Typed]:
    return printer.system() | printer.device(number)


PRINTERS = {
    "the usual one": (printer.colour_printer(), (1,)),
    "with another number": (_renumbered(5), (5,)),
    "two behind one address": (printer.system() | printer.device(1) | printer.device(2, "TG-2"), (1, 2)),
    "without host resources": (printer.system() | printer.device(1, host_resources=False), (1,)),
    "after other devices": (
        _renumbered(17) | {f"{HR}.2.1.2.{n}": oid(f"{HR}.1.20") for n in range(1, 17)},
        (17,),
    ),
}
OTHERS = {
    "a switch": printer.system("A switch"),
    "one with a queue and no printer": printer.system("A computer")
    | {f"{HR}.5.1.1.1": integer(3), f"{HR}.5.1.2.1": octets(b"\x00")},
    "a computer with devices": printer.system("A computer")
    | {f"{HR}.2.1.2.{n}": oid(f"{HR}.1.{3 if n < 9 else 6}") for n in range(1, 120)},
}


@pytest.mark.parametrize("version", ["1", "2c"])
@pytest.mark.parametrize("name", PRINTERS)
def test_a_printer_is_found(run: Callable, engine_name: str, version: str, name: str) -> None:
    cells, devices = PRINTERS[name]
    found = run(probe(cells, engine_name, version))
    assert found.answered
    assert found.devices == devices
    assert (found.descr, found.object_id, found.name) == (
        "Tallgrass C52 Colour",
        "1.3.6.1.4.1.99999.7.52",
        "reading-room",
    )
    assert found.error is None


@pytest.mark.parametrize("name", OTHERS)
def test_what_is_no_printer_answers_and_has_no_devices(run: Callable, engine_name: str, name: str) -> None:
    found = run(probe(OTHERS[name], engine_name))
    assert found.answered
    assert found.devices == ()
    assert found.descr


def test_silence_costs_one_request_a_try(run: Callable, engine_name: str) -> None:
    async def main() -> None:
        reader = Reader(open_engine(engine_name))
        async with answering({}) as responder:
            mute: Responder = responder
            mute.twist = lambda _request, _answer: []
            found = await reader.probe(Peer("127.0.0.1", mute.port, timeout=0.1, retries=1))
            assert not found.answered
            assert isinstance(found.error, Silent)
            assert len(mute.seen) == 2
        found = await reader.probe(Peer("127.0.0.1", mute.port, timeout=0.1, retries=0))
        assert isinstance(found.error, Refused)
        await reader.close()

    run(main())


def test_what_denies_or_babbles_has_answered(run: Callable, engine_name: str) -> None:
    def deny(request: ber.Message, _answer: bytes) -> list[tuple[float, bytes]]:
        return [(0, ber.answer(request, request.rows, ber.AUTHORIZATION_ERROR, 1))]

    denied = run(probe({}, engine_name, twist=deny))
    assert denied.answered
    assert isinstance(denied.error, Denied)
    babbling = run(probe({}, engine_name, twist=lambda _request, _answer: [(0, b"what?")]))
    assert babbling.answered
    assert isinstance(babbling.error, Garbled)


def test_hostile_names_come_out_printable_and_bounded(run: Callable, engine_name: str) -> None:
    cells = printer.system() | {"1.3.6.1.2.1.1.1.0": octets(b"\x1b[31mred\x00\xff" + b"x" * 5_000)}
    found = run(probe(cells, engine_name))
    assert found.descr.isprintable()
    assert len(found.descr) <= 1024
