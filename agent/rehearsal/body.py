"""What a simulated printer consists of, as it really is: its supplies, trays, counts, and who it is."""

from __future__ import annotations

from dataclasses import dataclass

from agent.model.fleet import Place
from agent.rehearsal.kinds import Part, TrayKind


@dataclass(slots=True)
class Life:
    """One supply position as it really is, and as its printer believes it to be.

    ``left`` and ``shown``: the share still good, 1.0 .. 0.0. ``rate``: the share used by one impression of usual
    coverage. ``gauge``: how much faster the printer's gauge falls than the truth. ``swap_below``: the technician
    comes for it once this much is left; 0 means that it runs dry first.
    """

    part: Part
    left: float = 1.0
    shown: float = 1.0
    rate: float = 0.0
    gauge: float = 1.0
    swap_below: float = 0.0
    pages: int = 0
    called: bool = False
    number: int = 0


@dataclass(slots=True)
class Tray:
    """One input tray with the sheets that are in it."""

    kind: TrayKind
    sheets: int = 0
    called: bool = False


@dataclass(slots=True)
class Counts:
    """What the printer counts."""

    life: int = 0
    since_on: int = 0
    colour: int = 0
    two_sided: int = 0
    sheets: int = 0
    jams: int = 0
    to_calibration: float = 0.0


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the printer is: name, serial number, MAC (6 octets), address and port, hrDeviceIndex, where it stands."""

    name: str
    serial: str
    mac: bytes
    host: str
    port: int
    device_index: int
    place: Place
