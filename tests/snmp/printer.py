"""An invented colour printer as its Printer-MIB cells (RFC 3805), Host Resources (RFC 2790), counters (PWG 5106.3)."""

from __future__ import annotations

from tests.snmp.ber import COUNTER32, GAUGE32, TICKS, Typed, integer, octets, oid

SYSTEM, IF, HR, PRT = "1.3.6.1.2.1.1", "1.3.6.1.2.1.2.2.1", "1.3.6.1.2.1.25.3", "1.3.6.1.2.1.43"
IC = "1.3.6.1.4.1.2699.1.3.1"
UP_TIME = f"{SYSTEM}.3.0"
CONFIG_CHANGES = f"{PRT}.5.1.1.1."
LEVEL = f"{PRT}.11.1.1.9."
DESCRIPTION = f"{PRT}.11.1.1.6."
SERIAL = f"{PRT}.5.1.1.17."
LIFE = f"{PRT}.10.2.1.4."


def system(descr: str = "Tallgrass C52 Colour", uptime: int = 123_456) -> dict[str, Typed]:
    return {
        f"{SYSTEM}.1.0": octets(descr),
        f"{SYSTEM}.2.0": oid("1.3.6.1.4.1.99999.7.52"),
        UP_TIME: integer(uptime, TICKS),
        f"{SYSTEM}.4.0": octets("desk@library.example"),
        f"{SYSTEM}.5.0": octets("reading-room"),
        f"{SYSTEM}.6.0": octets("Harrow Lane Library, floor 2"),
        f"{SYSTEM}.7.0": integer(72),
        f"{IF}.1.1": integer(1),
        f"{IF}.2.1": octets("eth0"),
        f"{IF}.3.1": integer(6),
        f"{IF}.5.1": integer(1_000_000_000, GAUGE32),
        f"{IF}.6.1": octets(bytes.fromhex("02005e100001")),
    }


def _table(entry: str, index: str, columns: dict[int, Typed]) -> dict[str, Typed]:
    return {f"{entry}.{column}.{index}": value for column, value in columns.items()}


def device(number: int = 1, serial: str = "TG-0001", host_resources: bool = True) -> dict[str, Typed]:
    """One printer: the rows of hrDeviceIndex ``number``."""
    cells: dict[str, Typed] = {}
    if host_resources:
        cells |= _table(
            f"{HR}.2.1",
            f"{number}",
            {1: integer(number), 2: oid(f"{HR}.1.5"), 3: octets("Tallgrass C52"), 4: oid("0.0"), 5: integer(2)},
        )
        cells |= _table(f"{HR}.5.1", f"{number}", {1: integer(3), 2: octets(b"\x20\x00")})
    cells |= _table(
        f"{PRT}.5.1.1",
        f"{number}",
        {1: integer(7, COUNTER32), 2: integer(1), 6: integer(1), 10: integer(1), 11: integer(2), 12: integer(24)}
        | {16: octets("reading-room"), 17: octets(serial), 18: integer(2, COUNTER32), 19: integer(9, COUNTER32)},
    )
    for cover in (1, 2):
        cells |= _table(f"{PRT}.6.1.1", f"{number}.{cover}", {2: octets(f"Door {cover}"), 3: integer(4)})
    cells |= _table(f"{PRT}.7.1.1", f"{number}.1", {2: octets("en"), 3: octets("GB"), 4: integer(106)})
    for tray, level in ((1, 250), (2, -3)):
        columns = {2: integer(3), 8: integer(8), 9: integer(500), 10: integer(level), 11: integer(0)}
        columns |= {12: octets("iso_a4_210x297mm"), 13: octets(f"Tray {tray}"), 18: octets(f"Cassette {tray}")}
        cells |= _table(f"{PRT}.8.2.1", f"{number}.{tray}", columns)
    cells |= _table(
        f"{PRT}.9.2.1",
        f"{number}.1",
        {2: integer(4), 3: integer(8), 4: integer(250), 5: integer(250), 6: integer(0), 7: octets("Top")},
    )
    cells |= _table(
        f"{PRT}.10.2.1",
        f"{number}.1",
        {2: integer(4), 3: integer(7), 4: integer(45_678, COUNTER32), 5: integer(123, COUNTER32), 15: integer(0)},
    )
    for row, (colour, level) in enumerate((("black", 60), ("cyan", 50), ("magenta", 40), ("yellow", 30)), 1):
        columns = {2: integer(1), 3: integer(row), 4: integer(3), 5: integer(3), 6: octets(f"Toner {colour}")}
        cells |= _table(
            f"{PRT}.11.1.1", f"{number}.{row}", columns | {7: integer(19), 8: integer(100), 9: integer(level)}
        )
        cells |= _table(f"{PRT}.12.1.1", f"{number}.{row}", {2: integer(1), 3: integer(3), 4: octets(colour)})
    waste = {2: integer(1), 3: integer(0), 4: integer(4), 5: integer(4), 6: octets("Waste toner")}
    cells |= _table(f"{PRT}.11.1.1", f"{number}.5", waste | {7: integer(19), 8: integer(100), 9: integer(80)})
    cells |= _table(f"{PRT}.13.4.1", f"{number}.1", {2: integer(8), 4: integer(3_120), 9: integer(5)})
    for line, text in ((1, "Ready"), (2, "")):
        cells |= _table(f"{PRT}.16.5.1", f"{number}.{line}", {2: octets(text)})
    cells |= _table(
        f"{PRT}.17.6.1", f"{number}.1", {2: integer(1000), 3: integer(0), 4: integer(5), 5: octets("Ready")}
    )
    return cells | alert(number, 4, 1104)


def alert(number: int, index: int, code: int) -> dict[str, Typed]:
    columns = {1: integer(index), 2: integer(4), 3: integer(3), 4: integer(11), 5: integer(2), 6: integer(-2)}
    columns |= {7: integer(code), 8: octets("Toner low"), 9: integer(99_000, TICKS)}
    return _table(f"{PRT}.18.1.1", f"{number}.{index}", columns)


def counters() -> dict[str, Typed]:
    """icImpressionTable for the key 1: all work (3), lifetime (3)."""
    return _table(f"{IC}.8.1.1", "1.3.3", {4: integer(45_678), 5: integer(30_000), 7: integer(15_678)})


def colour_printer() -> dict[str, Typed]:
    return system() | device() | counters()
